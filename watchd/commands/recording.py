"""Messages of the past: recordings, and the history that the service keeps.

A recording is JSON Lines of `{"t": ..., "topic": ..., "payload": ...}`, gzip allowed.
"""

from __future__ import annotations

import argparse
import gzip
import sqlite3
import sys
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from io import BufferedReader
from pathlib import Path
from typing import IO, cast

from watchd.commands.ahead import Given, Rows, ahead, cores
from watchd.commands.options import told_instance
from watchd.commands.progress import progress
from watchd.commands.recorded import (
    Recorded,
    Stream,
    lines_of,
    messages_in,
    parse_line,
    plain_line,
)
from watchd.commands.store_access import what_to_do
from watchd.config import Config
from watchd.durations import parse_duration
from watchd.engine import Engine
from watchd.errors import Place, Problem, WatchdError
from watchd.publish import rfc3339
from watchd.rules.rule import Rule
from watchd.shell.clock import add_clock_options, clock_from
from watchd.shell.store import DamagedError, read_telemetry

# A recorder that stamps as it prints may swap two messages; to the engine, time stands still then.
DISORDER_S = 1.0
HISTORY = "history"
TOLD_EVERY = 1000  # messages, for a person who waits
MUCH = (
    1_000_000  # bytes of recordings, packed or not; with less, processes are not worth their start
)
NEVER_S = 1e12
NO_MESSAGE = "the recording holds no message"
MOST_PROCESSES = 64
# What a file begins with (xz-file-format.txt 2.1.1.1; RFC 8878 3.1.1; bzip2: from memory).
OTHER_PACKINGS = {
    b"\xfd7zXZ\x00": "xz",
    b"BZh": "bzip2",
    b"\x28\xb5\x2f\xfd": "zstd",
}
LONGEST_MARK = max(map(len, OTHER_PACKINGS))


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
        help="of the history only the last '30 d', for example (default: all of it)",
    )
    parser.add_argument(
        "--processes",
        metavar="N",
        type=_processes,
        help="read files in so many at most (default: one for each core, if there is much to read)",
    )
    add_clock_options(parser)


def _processes(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= MOST_PROCESSES:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number from 1 to {MOST_PROCESSES}")
    return int(text)


def _duration(text: str) -> float:
    try:
        return parse_duration(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def messages_of(options: argparse.Namespace, config: Config, *, is_quiet: bool) -> Iterator[Given]:
    """Each message, with the time of the options' clock (Unix seconds).

    Where nothing is printed meanwhile (`is_quiet`), a terminal is told how far it is.
    Raises WatchdError, also where there is no message at all.
    """
    total = bytes_of(options)
    rows = rows_of(options, config)
    if is_worth(options, 2):
        rows = ahead(rows)
    number = told = 0
    hidden = not is_quiet and sys.stdout.isatty()
    with progress("reading", total, hidden=hidden) as done:
        for position, row in rows:
            yield from row
            number += len(row)
            if number // TOLD_EVERY > told:
                told = number // TOLD_EVERY
                done(number if total is None else position, rfc3339(row[-1][0])[:10])
    if not number:
        raise WatchdError(NO_MESSAGE)


def tell_strange(options: argparse.Namespace, counts: Mapping[str, int]) -> None:
    """Say so where nothing was for this config; it would look as if no rule had anything to say."""
    number = counts["messages"]
    if number and number == counts["other_topic"]:
        print(
            f"note: none of the {number:,} messages is on a topic of the sources in "
            f"{options.config}: is it the recording of another bank?",
            file=sys.stderr,
        )


def rows_of(options: argparse.Namespace, config: Config) -> Iterator[Rows]:
    """The same as they were read together, each time with how many bytes are read by then."""
    read = Bytes()
    clock = None
    for messages in _source(options, config, read):
        if not messages:
            continue
        clock = clock or clock_from(options, messages[0].t)
        at = clock.at
        yield (
            read.count(),
            [(at(t), topic, payload, retained) for t, topic, payload, retained in messages],
        )


def is_worth(options: argparse.Namespace, processes: int) -> bool:
    """Whether so many processes are to be had that read, and there is work for them."""
    size = bytes_of(options)
    if size is None and options.recordings != [HISTORY]:
        return False
    if options.processes is not None:
        return bool(options.processes >= processes)
    return (size is None or size >= MUCH) and cores() >= processes


def engine_for_replay(
    config: Config, rules: Sequence[Rule], *, tells_history: bool = False
) -> Engine:
    """An engine to which nobody listens and that nobody asks why: it writes no figures out.

    With `tells_history` it tells samples and trends, for a store.
    """
    return Engine(
        for_replay(config),
        rules,
        explains=False,
        tells_samples=tells_history,
        tells_trends=tells_history,
    )


def for_replay(config: Config) -> Config:
    """The same, but for figures, which are written out for nobody."""
    telemetry = config.telemetry.model_copy(update={"figures_every": NEVER_S})
    return config.model_copy(update={"telemetry": telemetry})


class Bytes:
    """How much of the recordings is read: packed bytes, where they are packed."""

    def __init__(self) -> None:
        self._before = 0
        self._stream: IO[bytes] | None = None

    def of(self, stream: IO[bytes]) -> None:
        """From now on this file is read."""
        self._before, self._stream = self.count(), stream

    def ended(self) -> None:
        """It is read, and is closed now."""
        self._before, self._stream = self.count(), None

    def count(self) -> int:
        """Those of all files so far."""
        return self._before + (self._stream.tell() if self._stream is not None else 0)


def bytes_of(options: argparse.Namespace) -> int | None:
    """Bytes of all recordings together; None where not all are files, which can be read again."""
    paths = [Path(name) for name in options.recordings]
    if options.recordings == [HISTORY] or not all(path.is_file() for path in paths):
        return None
    if any(path.absolute().parts[1:2] in (("dev",), ("proc",)) for path in paths):
        return None  # perhaps a file by now, but only of this process
    return sum(path.stat().st_size for path in paths)


def _source(options: argparse.Namespace, config: Config, read: Bytes) -> Iterator[list[Recorded]]:
    if options.recordings == [HISTORY]:
        told_instance(config, options)  # each has a store of its own
        return read_history(Path(config.store.path), options.since)
    if HISTORY in options.recordings:
        raise WatchdError("'history' stands alone; a file of that name is ./history")
    if options.since is not None:
        raise WatchdError("--since goes with the history")
    return read_recordings(options.recordings, read)


def read_history(path: Path, since_s: float | None) -> Iterator[list[Recorded]]:
    """What the service has kept in the store at `path`, of the last `since_s` seconds or all.

    It may be writing meanwhile; its last five minutes are not there yet. Raises WatchdError.
    """
    place = Place(str(path))
    try:
        for block in read_telemetry(path, since_s):
            yield [plain_line(line) or parse_line(line, place) for line in block.unpacked()]
    except (sqlite3.Error, DamagedError) as error:
        what = f"the history cannot be read: {error}{what_to_do(path)}"
        raise WatchdError(Problem(what, Place(str(path)))) from error


def read_recordings(paths: list[str], read: Bytes | None = None) -> Iterator[list[Recorded]]:
    """The messages of the files one after the other, as many at once as were read together.

    `-` is standard input; `read` counts. Raises WatchdError, with the line, for one that is no
    message or lies before an earlier one.
    """
    last = float("-inf")
    for path in paths:
        for numbered in _read(path, read):
            found: list[Recorded] = []
            for number, message in numbered:
                t = message.t
                if t < last - DISORDER_S:
                    yield found
                    what = f"t goes back by {last - t:g} s; a recording is in the order of time"
                    raise WatchdError(Problem(what, Place(path, number)))
                last = max(last, t)
                found.append(message)
            yield found


def _read(path: str, read: Bytes | None) -> Iterator[list[tuple[int, Recorded]]]:
    try:
        with _open(path, read) as stream:
            yield from messages_in(lines_of(stream), path)
    except (OSError, EOFError, zlib.error) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise WatchdError(Problem(f"cannot be read: {reason}", Place(path))) from error


@contextmanager
def _open(path: str, read: Bytes | None) -> Iterator[Stream]:
    with ExitStack() as stack:
        if path == "-":
            if sys.stdin is None:
                raise WatchdError(Problem("cannot be read: standard input is closed", Place(path)))
            stream = cast("BufferedReader", sys.stdin.buffer)
        else:
            stream = stack.enter_context(Path(path).open("rb"))
            if read is not None and stream.seekable():
                read.of(stream)
                stack.callback(read.ended)
        # A pipe cannot be wound back, so no byte may be taken.
        begin = stream.peek(LONGEST_MARK)[:LONGEST_MARK]
        for mark, program in OTHER_PACKINGS.items():
            if begin.startswith(mark):
                what = (
                    f"packed by {program}, and only gzip is read: {program} -dc FILE | watchd ... -"
                )
                raise WatchdError(Problem(what, Place(path)))
        packed = begin.startswith(b"\x1f\x8b")
        yield gzip.GzipFile(fileobj=stream) if packed else stream
