"""Feeding a recording to the engine: to one, or to one for some banks each, side by side.

Both tell the same.
"""

from __future__ import annotations

import argparse
import pickle
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from io import BytesIO
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any, Protocol, Self

from watchd.advice.advice import Advised
from watchd.alarms.state import Transition
from watchd.commands.ahead import cores
from watchd.commands.progress import progress
from watchd.commands.recording import (
    NO_MESSAGE,
    bytes_of,
    engine_for_replay,
    for_replay,
    is_worth,
    messages_of,
    rows_of,
)
from watchd.config import Config
from watchd.errors import Problem, WatchdError
from watchd.moved import Moved
from watchd.notes import Note
from watchd.part import InseparableError, Part, Together
from watchd.publish import rfc3339
from watchd.rules.rule import Rule
from watchd.shell.store.keeping import Keeping


class Heard(Protocol):
    """Who is told, in the order of time."""

    def begin(self, at: float) -> None:
        """The first message is of this time (Unix s). Once more where all begins anew."""

    def take(self, transitions: Sequence[Transition], advised: Sequence[Advised]) -> None:
        """What came of a message and of the time before it."""


@dataclass(frozen=True, slots=True)
class End:
    """What there is to say at the end. Figures by subject; times are Unix s."""

    messages: int
    begin_at: float
    at: float
    figures: dict[str, dict[str, Any]]
    notes: list[Note]
    counts: Counter[str]


def replayed(
    options: argparse.Namespace,
    config: Config,
    rules: Sequence[Rule],
    keeping: Keeping | None,
    heard: Heard,
) -> End:
    """Feed the whole recording. Raises WatchdError."""
    parts = parts_of(options, config) if keeping is None else []
    if len(parts) > 1:
        with suppress(InseparableError):
            return in_parts(options, config, rules, parts, heard)
    return in_one(options, config, rules, keeping, heard)


def in_one(
    options: argparse.Namespace,
    config: Config,
    rules: Sequence[Rule],
    keeping: Keeping | None,
    heard: Heard,
) -> End:
    """Feed it to one engine."""
    engine = engine_for_replay(config, rules, tells_history=keeping is not None)
    begin_at = at = 0.0
    number = 0
    for at, topic, payload, retained in messages_of(options, config, is_quiet=options.summary):
        number += 1
        if number == 1:
            begin_at = at
            heard.begin(at)
        said = engine.feed(topic, payload, at, retained)
        if keeping is not None:
            heard.take(keeping.take(engine), engine.take_advice())
        elif said:  # what moves is published as well
            heard.take(engine.take_transitions(), engine.take_advice())
    if keeping is not None:
        keeping.end(engine)
    return End(
        number, begin_at, at, engine.figures(), in_order(engine.take_notes()), engine.counts()
    )


def parts_of(options: argparse.Namespace, config: Config) -> list[list[str]]:
    """Which banks are watched side by side: about as many packs in each part."""
    # Each part reads for itself, which only a file allows.
    if bytes_of(options) is None or not is_worth(options, 2):
        return []
    most = options.processes if options.processes is not None else cores()
    parts: list[list[str]] = [[] for _ in range(min(most, len(config.banks)))]
    packs = {name: len(config.packs_of(name)) for name in config.banks}
    for name in sorted(packs, key=lambda name: -packs[name]):
        min(parts, key=lambda part: sum(packs[n] for n in part)).append(name)
    return parts


def in_parts(
    options: argparse.Namespace,
    config: Config,
    rules: Sequence[Rule],
    parts: Sequence[Sequence[str]],
    heard: Heard,
) -> End:
    """Feed it to an engine for each part, each in a process of its own.

    Raises InseparableError where they cannot be told apart; what was told until then was right.
    """
    together = Together(config, rules)
    hidden = not options.summary
    with ExitStack() as stack:
        read = stack.enter_context(progress("reading", bytes_of(options), hidden=hidden))
        tellers = [
            stack.enter_context(_Teller(options, config, rules, banks, number=number))
            for number, banks in enumerate(parts)
        ]
        while True:
            told = [teller.next() for teller in tellers]
            rows = [t for t in told if isinstance(t, _Row)]
            if len(rows) < len(told):
                break
            if len({row.number for row in rows}) > 1:
                raise WatchdError("the recording has changed while it was read")
            for moved in _by_message(rows):
                if moved[0].number == 1:
                    heard.begin(moved[0].at)
                heard.take(*together.take(moved))
            read(rows[0].position, rfc3339(rows[0].at)[:10])
    for last in told:
        if isinstance(last, _Fault):
            raise WatchdError(last.problems) if last.problems else InseparableError
    ends = [last for last in told if isinstance(last, End)]
    if len(ends) < len(told):
        raise WatchdError("the recording has changed while it was read")
    if not ends[0].messages:
        raise WatchdError(NO_MESSAGE)
    heard.take(together.end(ends[0].at), [])
    figures = {subject: f for end in ends for subject, f in end.figures.items()}
    subjects = [*(f"pack/{n}" for n in config.packs), *(f"bank/{n}" for n in config.banks)]
    return End(
        ends[0].messages,
        ends[0].begin_at,
        ends[0].at,
        {subject: figures[subject] for subject in subjects if subject in figures},
        in_order(note for end in ends for note in end.notes),
        sum((end.counts for end in ends), Counter()),
    )


def in_order(notes: Iterable[Note]) -> list[Note]:
    """Notes by their time, and those of one time in an order that no part can change."""
    return sorted(notes, key=lambda note: (note.at, note.event, str(note.fields)))


def _by_message(rows: Sequence[_Row]) -> Iterator[list[Moved]]:
    found: dict[int, list[Moved]] = {}
    for row in rows:
        for moved in row.moved:
            found.setdefault(moved.number, []).append(moved)
    for number in sorted(found):
        yield found[number]


@dataclass(frozen=True, slots=True)
class _Row:
    """What came of messages that were read together; `number` is that of the last of them."""

    number: int
    at: float
    position: int  # bytes that are read
    moved: list[Moved]


@dataclass(frozen=True, slots=True)
class _Fault:
    """Why it goes no further: what is wrong with the recording, or that it is inseparable."""

    problems: tuple[Problem, ...] = ()


class _Teller:
    """The process of a part, and what it tells."""

    def __init__(
        self,
        options: argparse.Namespace,
        config: Config,
        rules: Sequence[Rule],
        banks: Sequence[str],
        *,
        number: int,
    ) -> None:
        self._rules = rules
        # Compiled rules cannot be sent.
        context = get_context("fork")
        self._here, there = context.Pipe(duplex=False)
        words = (options, config, rules, banks, number == 0, self._here, there)
        self._process = context.Process(target=_tell, args=words, daemon=True)
        self._process.start()
        there.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self._here.close()
        self._process.terminate()
        self._process.join()

    def next(self) -> _Row | _Fault | End:
        try:
            data = self._here.recv_bytes()
        except EOFError:
            raise WatchdError("a process that replays the recording has ended") from None
        found: _Row | _Fault | End = _Unpickler(data, self._rules).load()
        return found


def _tell(
    options: argparse.Namespace,
    config: Config,
    rules: Sequence[Rule],
    banks: Sequence[str],
    is_first: bool,
    here: Connection,
    there: Connection,
) -> None:
    here.close()
    part = Part(for_replay(config), rules, banks, is_first=is_first)
    last: _Fault | End
    with suppress(BrokenPipeError, KeyboardInterrupt):
        try:
            for position, rows in rows_of(options, config):
                found: list[Moved] = []
                for at, topic, payload, retained in rows:
                    moved = part.feed(topic, payload, at, retained)
                    if moved is not None:
                        found.append(moved)
                _send(there, _Row(part.number, part.at, position, found), rules)
            figures, notes = part.engine.figures(), part.engine.take_notes()
            counts = part.engine.counts()
            last = End(part.number, part.begun_at, part.at, figures, notes, counts)
        except WatchdError as error:
            last = _Fault(tuple(error.problems))
        except InseparableError:
            last = _Fault()
        _send(there, last, rules)


def _send(there: Connection, told: _Row | _Fault | End, rules: Sequence[Rule]) -> None:
    stream = BytesIO()
    _Pickler(stream, rules).dump(told)
    there.send_bytes(stream.getbuffer())


class _Pickler(pickle.Pickler):
    """Sends rules by their place among all."""

    def __init__(self, stream: BytesIO, rules: Sequence[Rule]) -> None:
        super().__init__(stream)
        self._places = {rule.name: place for place, rule in enumerate(rules)}

    def persistent_id(self, given: object) -> int | None:
        return self._places[given.name] if isinstance(given, Rule) else None


class _Unpickler(pickle.Unpickler):
    def __init__(self, data: bytes, rules: Sequence[Rule]) -> None:
        super().__init__(BytesIO(data))
        self._rules = rules

    def persistent_load(self, place: int) -> Rule:
        return self._rules[place]
