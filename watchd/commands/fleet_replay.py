"""The history of many banks replayed on a Dask cluster, bank by bank.

A bank's replay is a function of config, rules and recordings alone, so where it runs makes no
difference. Each bank has an engine of its own: what it says of a bank is what a daemon with that
bank alone would say, floods of alarms included.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from importlib import import_module
from itertools import chain
from pathlib import Path
from typing import Any

from watchd.alarms.records import journal_entry
from watchd.alarms.state import Event, Told
from watchd.commands.recorded import Recorded
from watchd.commands.recording import HISTORY, engine_for_replay, read_recordings
from watchd.config import Config, Share
from watchd.durations import show_duration
from watchd.errors import WatchdError
from watchd.loading import rule_files
from watchd.messages import JournalEntry
from watchd.rules.loader import compile_rules
from watchd.rules.rule import Rule

RuleTexts = tuple[tuple[str, str], ...]
BANK = "{bank}"
CONNECT_S = "20 s"
# More parts than workers, so that none waits long for the slowest; few, so that a recording of all
# banks is not read for each of them.
PARTS_A_WORKER = 4


@dataclass(frozen=True, slots=True)
class BankReplay:
    """What came of one bank. Times are Unix seconds; `failed` says why there is nothing."""

    bank: str
    messages: int = 0
    begin_at: float | None = None
    end_at: float | None = None
    transitions: tuple[JournalEntry, ...] = ()
    failed: str | None = None

    @property
    def raised(self) -> int:
        """How often an alarm was raised."""
        return sum(t["event"] == Event.RAISED for t in self.transitions)

    @property
    def told(self) -> int:
        """How often a person would have been told."""
        return sum(t.get("told") == Told.YES for t in self.transitions)


def replay_bank(
    config: Config, rules: RuleTexts, bank: str, recordings: Sequence[str]
) -> BankReplay:
    """One bank over its recordings; `{bank}` in a path is its name."""
    (found,) = replay_part(config, rules, [bank], recordings)
    return found


def replay_part(
    config: Config, rules: RuleTexts, banks: Sequence[str], recordings: Sequence[str]
) -> list[BankReplay]:
    """Some banks, in one reading where the recordings are those of all."""
    if any(BANK in path for path in recordings):
        return [_replayed(config, rules, [bank], recordings)[0] for bank in banks]
    return _replayed(config, rules, banks, recordings)


def replay_banks(
    config: Config, rules: RuleTexts, recordings: Sequence[str], client: Any
) -> Iterator[BankReplay]:
    """All banks, on the workers of a `distributed.Client`, as they are done.

    The workers read the recordings themselves, by the same paths.
    """
    workers = max(1, len(client.scheduler_info()["workers"]))
    whole = not any(BANK in path for path in recordings)
    size = -(-len(config.banks) // (workers * PARTS_A_WORKER)) if whole else 1
    banks = list(config.banks)
    parts = [banks[begin : begin + size] for begin in range(0, len(banks), size)]
    shared = client.scatter(config, broadcast=True)
    futures = client.map(
        lambda part, c: replay_part(c, rules, part, recordings), parts, c=shared, pure=False
    )
    for _, found in import_module("distributed").as_completed(futures, with_results=True):
        yield from found


def texts_of(folder: Path) -> RuleTexts:
    """Rules as they go to a worker: compiled ones are functions, which do not travel."""
    return tuple((str(path), path.read_text("utf-8-sig")) for path in rule_files(folder))


def config_of_bank(config: Config, bank: str) -> Config:
    """The config of one bank alone; what is about others is left to them."""
    packs = {n: p for n, p in config.packs.items() if p.bank == bank}
    sources = [s for s in config.sources if s.pack is None or BANK in s.topic or s.pack in packs]
    update = {
        "banks": {bank: config.banks[bank]},
        "packs": packs,
        "sources": sources,
        "share": config.share or Share(of=1),
    }
    return config.model_copy(update=update)


class _Running:
    """The engine of one bank, and what it has said."""

    def __init__(self, config: Config, rules: tuple[Rule, ...], bank: str) -> None:
        self._engine = engine_for_replay(config_of_bank(config, bank), rules)
        self.bank = bank
        self._messages = 0
        self._begin_at: float | None = None
        self._transitions: list[JournalEntry] = []

    def wants(self, topic: str) -> bool:
        return not self._engine.leaves(topic)

    def take(self, message: Recorded) -> None:
        if self._begin_at is None:
            self._begin_at = message.t
        self._messages += 1
        self._engine.feed(message.topic, message.payload, message.t, retained=message.retained)
        self._collect()

    def result(self, end_at: float) -> BankReplay:
        if self._begin_at is None:
            return BankReplay(self.bank)
        self._engine.tick(end_at)
        self._collect()
        found = tuple(self._transitions)
        return BankReplay(self.bank, self._messages, self._begin_at, end_at, found)

    def _collect(self) -> None:
        self._transitions += [
            journal_entry(t, self._engine.step_s) for t in self._engine.take_transitions()
        ]
        self._engine.take_notes()
        self._engine.take_advice()


def _replayed(
    config: Config, rules: RuleTexts, banks: Sequence[str], recordings: Sequence[str]
) -> list[BankReplay]:
    compiled = _compiled(rules)
    running = [_Running(config, compiled, bank) for bank in banks]
    paths = [path.replace(BANK, banks[0]) for path in recordings]
    who: dict[str, list[_Running]] = {}
    end_at = 0.0
    try:
        for message in chain.from_iterable(read_recordings(paths)):
            about = who.get(message.topic)
            if about is None:
                about = who[message.topic] = [r for r in running if r.wants(message.topic)]
            for one in about:
                one.take(message)
            end_at = message.t
    except WatchdError as error:
        # An exception of ours does not travel back whole, and other banks go on.
        return [BankReplay(bank, failed=str(error)) for bank in banks]
    return [one.result(end_at) for one in running]


@lru_cache(maxsize=4)
def _compiled(rules: RuleTexts) -> tuple[Rule, ...]:
    return compile_rules(list(rules))


def replay_on_dask(
    address: str, config: Config, rules: RuleTexts, recordings: Sequence[str], *, as_json: bool
) -> int:
    """Replay on the cluster at `address`, and print a line for each bank. 1 where one failed.

    Raises WatchdError.
    """
    if HISTORY in recordings or "-" in recordings:
        raise WatchdError("--dask wants files that every worker can read by the same path")
    try:
        distributed = import_module("distributed")
    except ImportError:
        raise WatchdError("--dask needs Dask: pip install 'watchd[fleet]'") from None
    try:
        client = distributed.Client(address, timeout=CONNECT_S)
    except (OSError, ValueError) as error:  # the second: it is no address
        raise WatchdError(f"no Dask scheduler at {address}: {error}") from error
    failed = 0
    with client:
        try:
            for found in replay_banks(config, rules, recordings, client):
                failed += found.failed is not None
                print(_json_line(found) if as_json else _line(found), flush=True)
        except TimeoutError as error:
            raise WatchdError(f"the Dask cluster at {address}: {error}") from error
    return 1 if failed else 0


def _line(found: BankReplay) -> str:
    if found.failed is not None:
        return f"{found.bank}: {found.failed}"
    if found.begin_at is None or found.end_at is None:
        return f"{found.bank}: no message"
    lasting = show_duration(found.end_at - found.begin_at)
    return (
        f"{found.bank}: {found.messages:,} messages over {lasting}, raised {found.raised}, "
        f"told {found.told}"
    )


def _json_line(found: BankReplay) -> str:
    return json.dumps(asdict(found), ensure_ascii=False)
