"""Messages of the past: recordings, and the history that the service keeps.

A recording is JSON Lines of `{"t": ..., "topic": ..., "payload": ...}`, gzip allowed.
"""

from __future__ import annotations

import argparse
import gzip
import json
import os
import sqlite3
import sys
import zlib
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path
from typing import IO, cast

from watchd.config import Config
from watchd.durations import parse_duration
from watchd.engine import Engine
from watchd.errors import Place, Problem, WatchdError
from watchd.publish import rfc3339
from watchd.rules.rule import Rule
from watchd.shell.clock import add_clock_options, clock_from
from watchd.shell.store import DamagedError, read_telemetry

LONGEST_LINE = 8_000_000
# A recorder that stamps as it prints may swap two messages; to the engine, time stands still then.
DISORDER_S = 1.0
HISTORY = "history"
COUNT_EVERY = 20_000  # messages, for a person who waits
NEVER_S = 1e12


@dataclass(frozen=True, slots=True)
class Recorded:
    """One message of a recording. `t` is Unix seconds."""

    t: float
    topic: str
    payload: bytes
    retained: bool = False


def add_recordings(parser: argparse.ArgumentParser) -> None:
    """The recordings to read, and the options of their clock."""
    parser.add_argument(
        "recordings",
        nargs="+",
        metavar="RECORDING",
        help="JSON Lines, gzip allowed; - is standard input; the word 'history' is what watchd "
        "itself has kept (store: in the config)",
    )
    parser.add_argument(
        "--since",
        metavar="AGO",
        type=_duration,
        help="of the history only the last '30 d', for example",
    )
    add_clock_options(parser)


def _duration(text: str) -> float:
    try:
        return parse_duration(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def messages_of(
    options: argparse.Namespace, config: Config, *, is_quiet: bool
) -> Iterator[tuple[float, Recorded]]:
    """Each message with the time of the options' clock (Unix seconds).

    Work that prints nothing meanwhile (`is_quiet`) counts on standard error, for a terminal.
    Raises WatchdError, also where there is no message at all.
    """
    counts = sys.stderr.isatty() and (is_quiet or not sys.stdout.isatty())
    clock = None
    number, shown = 0, ""
    try:
        for number, message in enumerate(_source(options, config), 1):
            if clock is None:
                clock = clock_from(options, message.t)
            at = clock.at(message.t)
            if counts and number % COUNT_EVERY == 0:
                shown = f"{number:,} messages, {rfc3339(at)[:10]}"
                print(f"\r{shown}", end="", file=sys.stderr, flush=True)
            yield at, message
    finally:
        if shown:
            print(f"\r{' ' * len(shown)}\r", end="", file=sys.stderr, flush=True)
    if not number:
        raise WatchdError("the recording holds no message")


def engine_for_replay(
    config: Config, rules: Sequence[Rule], *, tells_history: bool = False
) -> Engine:
    """An engine to which nobody listens and that nobody asks why: it writes no figures out.

    With `tells_history` it tells samples and trends, for a store.
    """
    telemetry = config.telemetry.model_copy(update={"figures_every": NEVER_S})
    return Engine(
        config.model_copy(update={"telemetry": telemetry}),
        rules,
        explains=False,
        tells_samples=tells_history,
        tells_trends=tells_history,
    )


def _source(options: argparse.Namespace, config: Config) -> Iterator[Recorded]:
    if options.recordings == [HISTORY]:
        return read_history(Path(config.store.path), options.since)
    if HISTORY in options.recordings:
        raise WatchdError("'history' stands alone; a file of that name is ./history")
    if options.since is not None:
        raise WatchdError("--since goes with the history")
    return read_recordings(options.recordings)


def read_history(path: Path, since_s: float | None) -> Iterator[Recorded]:
    """What the service has kept in the store at `path`, of the last `since_s` seconds or all.

    It may be writing meanwhile; its last five minutes are not there yet. Raises WatchdError.
    """
    try:
        for block in read_telemetry(path, since_s):
            for line in block.unpacked():
                yield parse_line(line, Place(str(path)))
    except (sqlite3.Error, DamagedError) as error:
        what = f"the history cannot be read: {error}"
        if not os.access(path, os.R_OK):
            what += "; it belongs to the service, so run this as root (sudo)"
        raise WatchdError(Problem(what, Place(str(path)))) from error


def read_recordings(paths: list[str]) -> Iterator[Recorded]:
    """The messages of the files one after the other; `-` is standard input.

    Raises WatchdError, with the line, for one that is no message or lies before an earlier one.
    """
    last = float("-inf")
    for path in paths:
        for number, message in _read(path):
            if message.t < last - DISORDER_S:
                what = f"t goes back by {last - message.t:g} s; a recording is in the order of time"
                raise WatchdError(Problem(what, Place(path, number)))
            last = max(last, message.t)
            yield message


def _read(path: str) -> Iterator[tuple[int, Recorded]]:
    number = 0
    try:
        with _open(path) as stream:
            while line := stream.readline(LONGEST_LINE):
                number += 1
                if line.strip():
                    yield number, parse_line(line, Place(path, number))
    except (OSError, EOFError, zlib.error) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise WatchdError(Problem(f"cannot be read: {reason}", Place(path))) from error


@contextmanager
def _open(path: str) -> Iterator[IO[bytes]]:
    with ExitStack() as stack:
        if path == "-":
            stream = cast("BufferedReader", sys.stdin.buffer)
        else:
            stream = stack.enter_context(Path(path).open("rb"))
        # A pipe cannot be wound back, so no byte may be taken.
        packed = stream.peek(2)[:2] == b"\x1f\x8b"
        yield cast("IO[bytes]", gzip.GzipFile(fileobj=stream)) if packed else stream


def parse_line(line: bytes, place: Place) -> Recorded:
    """One line of a recording. Raises WatchdError with its place."""
    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        raise WatchdError(Problem("not a line of JSON", place)) from None
    if not isinstance(data, dict):
        raise WatchdError(Problem('not an object with "t", "topic" and "payload"', place))
    t, topic = data.get("t"), data.get("topic")
    if isinstance(t, bool) or not isinstance(t, int | float) or not 0 <= t < 1e11:
        raise WatchdError(Problem('"t" is missing or not Unix seconds', place))
    if not isinstance(topic, str) or not topic:
        raise WatchdError(Problem('"topic" is missing or not text', place))
    if "payload" not in data:
        raise WatchdError(Problem('"payload" is missing', place))
    payload = data["payload"]
    # Text is the payload itself; any other value is a JSON document as it was sent.
    raw = _bytes(payload) if isinstance(payload, str) else json.dumps(payload).encode()
    return Recorded(float(t), topic, raw, bool(data.get("retained", False)))


def _bytes(text: str) -> bytes:
    try:
        # As the history writes what was no UTF-8.
        return text.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        return text.encode("utf-8", "replace")
