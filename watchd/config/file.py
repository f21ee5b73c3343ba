"""The whole file, and what must agree across its parts."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from pydantic import Field, ValidationError

from watchd.config.bank import Bank
from watchd.config.broker import Broker, Requests
from watchd.config.digest import Digest
from watchd.config.many import Entry, Kind, build_banks, faults_of_voltage, name_in_bank
from watchd.config.pack import Pack
from watchd.config.phone import Phone
from watchd.config.profile import Profile
from watchd.config.share import Share
from watchd.config.sources import Source
from watchd.config.values import Conninfo, Name, Prefix, TimeZone
from watchd.documents import Document
from watchd.errors import Problem, WatchdError, nearest
from watchd.schema import Duration, Section, schema_problems


class Telemetry(Section):
    """The gate through which telemetry comes in."""

    stale_after: Duration = Field(60.0, gt=0, description="a measurement is stale after it")
    parts_within: Duration = Field(
        5.0, gt=0, description="cells that come one by one count as one set within it"
    )
    clock_tolerance: Duration = Field(
        60.0, description="a time of measurement may be that far in the future"
    )
    max_payload_bytes: int = Field(65536, ge=256, le=4_194_304, description="larger is refused")
    max_waiting: int = Field(
        1000, ge=10, le=100_000, description="messages that may wait; then the newest of each topic"
    )
    figures_every: Duration = Field(10.0, ge=1, description="figures are published that often")


class Alarms(Section):
    """What holds for all alarms."""

    longest_shelve: Duration = Field(
        7 * 86400.0, gt=0, description="an alarm is shelved for that long at most"
    )


class Store(Section):
    """What watchd keeps over a restart."""

    path: str = Field("/var/lib/watchd/watchd.db", min_length=1, description="database file")
    keep_raw: Duration = Field(
        90 * 86400.0, description="telemetry is kept that long, for replay and tune; 0 s for none"
    )
    keep_minutes: Duration = Field(
        1095 * 86400.0,
        description="and that long minutes of the samples, and trends; days for ever",
    )
    postgresql: Conninfo | None = Field(
        None,
        description="database where daemons share each bank's state and the journal, as libpq's "
        "keywords without a password; leave out for none",
    )
    most_mb: int = Field(
        1500, ge=1, le=1_000_000, description="the file is that large at most; the oldest goes"
    )


class Config(Section):
    """The whole file."""

    broker: Broker = Field(Broker(), description="the MQTT broker")
    requests: Requests = Field(Requests(), description="what may be asked of watchd")
    prefix: Prefix = Field(
        "watchd", description="first levels of every topic that watchd publishes"
    )
    timezone: TimeZone | None = Field(
        None, description="for times of day in this file; default: the computer's"
    )
    banks: dict[Name, Bank] = Field({}, description="the banks")
    packs: dict[Name, Pack] = Field({}, description="the packs")
    kinds: dict[Name, Kind] = Field(
        {}, description="what banks of banks_from have in common; they name it with like:"
    )
    banks_from: str | None = Field(
        None,
        min_length=1,
        description="folder with a file for each bank, or one file of banks; beside this file",
    )
    share: Share | None = Field(None, description="several daemons share the banks")
    sources: list[Source] = Field(min_length=1, description="where telemetry comes from")
    telemetry: Telemetry = Field(Telemetry(), description="staleness, sizes, rhythm")
    alarms: Alarms = Field(Alarms(), description="what holds for all alarms")
    digest: Digest = Field(Digest(), description="the daily and the weekly digest")
    store: Store = Field(Store(), description="state over a restart")
    phone: Phone | None = Field(None, description="what `watchd bridge` hands on to a phone")
    profile: Profile = Field(Profile(), description="the chemistry")
    rules: str | None = Field(None, description="folder of rules; default: those that ship")

    def packs_of(self, bank: str) -> dict[str, Pack]:
        """The packs of a bank that are in service."""
        return {n: p for n, p in self.packs.items() if p.bank == bank and p.in_service}

    def packs_of_source(self, source: Source) -> list[str]:
        """The packs that a source may be about."""
        if source.pack is None:
            return list(self.packs)
        if "{bank}" in source.topic:
            return [n for n, p in self.packs.items() if name_in_bank(n, p) == source.pack]
        return [source.pack]


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """The banks of `banks_from`: those that were read, and the names of those that were left."""

    entries: Sequence[Entry] = ()
    unread: Collection[str] = frozenset()
    problems: Sequence[Problem] = ()


NOWHERE = Elsewhere()


def parse_config(document: Document, elsewhere: Elsewhere = NOWHERE) -> Config:
    """Validate a parsed config file, with its banks from elsewhere.

    Raises WatchdError with every problem found.
    """
    if not isinstance(document.data, dict):
        what = "a config has the keys banks, packs and sources"
        empty = document.data is None
        raise WatchdError(document.problem(f"nothing stands here; {what}" if empty else what, ()))
    problems = [*_left_out(document), *elsewhere.problems]
    try:
        config = Config.model_validate(document.data)
    except ValidationError as error:
        raise WatchdError([*problems, *schema_problems(document, error, Config)]) from None
    if not problems:
        problems.extend(_cross_checks(document, config))
    written = document.data.get("kinds", {})
    found = build_banks(elsewhere.entries, config.kinds, written)
    problems.extend(found.problems)
    for entry in elsewhere.entries:
        if entry.name in config.banks:
            what = f"the bank '{entry.name}' stands in {document.source} as well"
            problems.append(entry.document.problem(what, entry.path, at_key=True))
    problems.extend(_voltages_elsewhere(elsewhere.entries, config, found.packs, found.banks))
    if not problems:
        banks, packs = {**config.banks, **found.banks}, {**config.packs, **found.packs}
        config = config.model_copy(update={"banks": banks, "packs": packs})
        problems.extend(_source_checks(document, config, elsewhere.unread))
        problems.extend(_topic_names(document, config, elsewhere.entries))
    if problems:
        raise WatchdError(problems)
    return config


def _left_out(document: Document) -> Iterator[Problem]:
    """Without banks from elsewhere, both must stand here."""
    if document.data.get("banks_from") is not None:
        return
    for key in ("banks", "packs"):
        if key not in document.data:
            yield document.problem(f"'{key}' is missing", (), at_key=True)
        elif document.data[key] == {}:
            yield document.problem(f"'{key}' must not be empty", (key,))


def _cross_checks(document: Document, config: Config) -> Iterator[Problem]:
    for name, pack in config.packs.items():
        if pack.bank not in config.banks:
            what = f"no bank is called '{pack.bank}'; {nearest(pack.bank, list(config.banks))}"
            yield document.problem(what, ("packs", name, "bank"))
            continue
        for _, what in faults_of_voltage(config.banks[pack.bank], {name: pack}):
            yield document.problem(what, ("packs", name), at_key=True)
    with_packs = {pack.bank for pack in config.packs.values()}
    for name in config.banks:
        if name not in with_packs:
            yield document.problem(f"no pack is in the bank '{name}'", ("banks", name), at_key=True)
    for name, kind in config.kinds.items():
        for pack_name, what in faults_of_voltage(kind.bank, kind.packs):
            yield document.problem(what, ("kinds", name, "packs", pack_name), at_key=True)


def _voltages_elsewhere(
    entries: Sequence[Entry], config: Config, packs: dict[str, Pack], banks: dict[str, Bank]
) -> Iterator[Problem]:
    of_kinds = {id(kind.bank) for kind in config.kinds.values()}
    placed = {entry.name: entry for entry in entries}
    for name, pack in packs.items():
        bank = banks[pack.bank]
        if id(bank) in of_kinds:
            continue  # it is as its kind, which is looked at where it stands
        for _, what in faults_of_voltage(bank, {name: pack}):
            entry = placed[pack.bank]
            path = (*entry.path, "packs", name_in_bank(name, pack))
            if path in entry.document.keys:
                yield entry.document.problem(what, path, at_key=True)
            else:  # a pack of the kind, with another voltage here
                yield entry.document.problem(what, (*entry.path, "bank", "charge_voltage_v"))


def _source_checks(
    document: Document, config: Config, unread: Collection[str]
) -> Iterator[Problem]:
    known = list(config.packs)
    in_banks = list(dict.fromkeys(name_in_bank(name, p) for name, p in config.packs.items()))
    for index, source in enumerate(config.sources):
        is_of_bank = "{bank}" in source.topic
        names = in_banks if is_of_bank else known

        def stranger(
            name: str, names: list[str] = names, *, of_bank: bool = is_of_bank
        ) -> str | None:
            if name in names or name.partition(".")[0] in unread or (of_bank and unread):
                return None
            where = " in any bank" if of_bank else ""
            return f"no pack{where} is called '{name}'; {nearest(name, names)}"

        if source.pack is not None and (what := stranger(source.pack)):
            yield document.problem(what, ("sources", index, "pack"))
        for theirs, ours in source.pack_names.items():
            if what := stranger(ours):
                # A number is a number in the file, and text in the config.
                number = int(theirs) if theirs.isdecimal() else theirs
                base = ("sources", index, "pack_names")
                key = theirs if (*base, theirs) in document.values else number
                yield document.problem(what, (*base, key))
        own = config.prefix + "/"
        if source.topic.startswith(own):
            what = f"this is below watchd's own prefix '{own}'"
            yield document.problem(what, ("sources", index, "topic"))


def _topic_names(document: Document, config: Config, entries: Sequence[Entry]) -> Iterator[Problem]:
    """No two banks may be the same on the wire."""
    placed = {entry.name: entry for entry in entries}
    seen: dict[str, str] = {}
    for name, bank in config.banks.items():
        shown = bank.topic_name or name
        if shown in seen:
            what = (
                f"in topics the bank '{name}' is '{shown}', as '{seen[shown]}' is; see topic_name"
            )
            entry = placed.get(name)
            if entry is None:
                yield document.problem(what, ("banks", name), at_key=True)
            else:
                yield entry.document.problem(what, (*entry.path, "bank", "topic_name"))
        seen.setdefault(shown, name)
