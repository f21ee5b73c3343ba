"""The whole file, and what must agree across its parts."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import Field, ValidationError

from watchd.config.bank import Bank
from watchd.config.broker import Broker, Requests
from watchd.config.pack import Pack
from watchd.config.phone import Phone
from watchd.config.profile import Profile
from watchd.config.sources import Source
from watchd.config.values import Name, Prefix, TimeZone
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
    banks: dict[Name, Bank] = Field(min_length=1, description="the banks")
    packs: dict[Name, Pack] = Field(min_length=1, description="the packs")
    sources: list[Source] = Field(min_length=1, description="where telemetry comes from")
    telemetry: Telemetry = Field(Telemetry(), description="staleness, sizes, rhythm")
    alarms: Alarms = Field(Alarms(), description="what holds for all alarms")
    store: Store = Field(Store(), description="state over a restart")
    phone: Phone | None = Field(None, description="what `watchd bridge` hands on to a phone")
    profile: Profile = Field(Profile(), description="the chemistry")
    rules: str | None = Field(None, description="folder of rules; default: those that ship")

    def packs_of(self, bank: str) -> dict[str, Pack]:
        """The packs of a bank that are in service."""
        return {n: p for n, p in self.packs.items() if p.bank == bank and p.in_service}


def parse_config(document: Document) -> Config:
    """Validate a parsed config file. Raises WatchdError with every problem found."""
    if not isinstance(document.data, dict):
        what = "a config has the keys banks, packs and sources"
        empty = document.data is None
        raise WatchdError(document.problem(f"nothing stands here; {what}" if empty else what, ()))
    try:
        config = Config.model_validate(document.data)
    except ValidationError as error:
        raise WatchdError(schema_problems(document, error, Config)) from None
    problems = list(_cross_checks(document, config))
    if problems:
        raise WatchdError(problems)
    return config


def _cross_checks(document: Document, config: Config) -> Iterator[Problem]:
    for name, pack in config.packs.items():
        if pack.bank not in config.banks:
            what = f"no bank is called '{pack.bank}'; {nearest(pack.bank, list(config.banks))}"
            yield document.problem(what, ("packs", name, "bank"))
            continue
        # Worth refusing, not only a finding: with it the first full charge ends in a trip.
        per_cell = config.banks[pack.bank].charge_voltage_v / pack.cells_in_series
        if per_cell >= pack.bms.overvoltage_v:
            what = (
                f"{pack.cells_in_series} cells at the bank's charge voltage are at "
                f"{per_cell:.3f} V each, not below overvoltage_v {pack.bms.overvoltage_v:g} V"
            )
            yield document.problem(what, ("packs", name), at_key=True)
    for name in config.banks:
        if not any(p.bank == name for p in config.packs.values()):
            yield document.problem(f"no pack is in the bank '{name}'", ("banks", name), at_key=True)
    known = list(config.packs)
    for index, source in enumerate(config.sources):
        if source.pack is not None and source.pack not in config.packs:
            what = f"no pack is called '{source.pack}'; {nearest(source.pack, known)}"
            yield document.problem(what, ("sources", index, "pack"))
        for theirs, ours in source.pack_names.items():
            if ours not in config.packs:
                what = f"no pack is called '{ours}'; {nearest(ours, known)}"
                # A number is a number in the file, and text in the config.
                number = int(theirs) if theirs.isdecimal() else theirs
                base = ("sources", index, "pack_names")
                key = theirs if (*base, theirs) in document.values else number
                yield document.problem(what, (*base, key))
        own = config.prefix + "/"
        if source.topic.startswith(own):
            what = f"this is below watchd's own prefix '{own}'"
            yield document.problem(what, ("sources", index, "topic"))
