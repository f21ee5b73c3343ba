"""Replay and tune over a recording: CPU and wall time beside mere decoding, and a year's time.

Prints, asserts nothing; run it from the project's root with
`python -m tests.bench.replay FOLDER [DAYS [DAYS_OF_TUNE]]` (2 and 30 days; 0: no tune).
FOLDER keeps the recordings from run to run. They are those of the simulated bank of the accuracy
tests: four packs, a sample each 10 s, packed with gzip. Times are those of whole commands; CPU time
is that of all their processes.
"""

from __future__ import annotations

import argparse
import gzip
import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from tests.truth import healthy, simulate
from tests.truth.messages import config_text, messages
from watchd.commands import main as watchd

RULES = Path(__file__).parents[2] / "rules"
NAMEPLATES_AH = [280.0, 230.0, 200.0, 100.0]
# A year of four packs, a sample each 10 s; the bridges of the simulated bank are a trace faster.
YEAR = 365 * 4 * 8640
GOAL_S = 120.0
GOAL_OF_TUNE = 1.5
RULE, VARY = "cell-spread-wide", "cell_spread_mv 20..115 step 5"
BLOCK = 1 << 20


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording and its config, in files."""

    path: Path
    config: Path
    number: int  # messages


@dataclass(frozen=True, slots=True)
class Cost:
    """Seconds of CPU and by the clock, and the largest resident memory of one process, in MB."""

    cpu_s: float
    wall_s: float
    most_mb: float


def recording(folder: Path, days: int) -> Recording:
    """So many solar days, made where they are not there yet."""
    folder.mkdir(parents=True, exist_ok=True)
    path, config = folder / f"{days}.jsonl.gz", folder / f"{days}.yaml"
    number = folder / f"{days}.number"
    if not number.exists():
        record = simulate(healthy(1, NAMEPLATES_AH, first_seed=3), days)
        config.write_text(config_text(record, 0) + f"rules: {RULES}\n")
        count = 0
        with gzip.open(path, "wb", compresslevel=6) as stream:
            for topic, payload, at in messages(record, 0):
                stream.write(b'{"t":%.3f,"topic":"%b","payload":' % (at, topic.encode()))
                stream.write(payload + b"}\n")
                count += 1
        number.write_text(str(count))
    return Recording(path, config, int(number.read_text()))


def cost(work: Callable[[], object]) -> Cost:
    """What work costs in a process of its own, with all that it starts."""
    sys.stdout.flush()
    begin = time.perf_counter()
    child = os.fork()
    if child == 0:
        work()
        sys.stdout.flush()
        os._exit(0)
    _, status, used = os.wait4(child, 0)
    if status:
        raise SystemExit(f"it ended with {status}")
    wall_s = time.perf_counter() - begin
    return Cost(used.ru_utime + used.ru_stime, wall_s, used.ru_maxrss / 1024)


class _Line(msgspec.Struct):
    t: float
    topic: str
    payload: msgspec.Raw


def decode_all(path: Path) -> None:
    """Unpack, split, decode each line and each payload, and nothing else."""
    line = msgspec.json.Decoder(_Line).decode
    payload = msgspec.json.Decoder().decode
    left = b""
    with gzip.open(path) as stream:
        while block := stream.read(BLOCK):
            *lines, left = (left + block).split(b"\n")
            for text in lines:
                payload(line(text).payload)


def command(*words: str | Path) -> Callable[[], int]:
    """A command of watchd, whose output nobody reads."""

    def work() -> int:
        sys.stdout = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115
        return watchd([str(word) for word in words])

    return work


def tell(what: str, number: int, used: Cost) -> None:
    """A line of the table."""
    year_s = used.wall_s / number * YEAR
    print(
        f"{what:<22} {used.cpu_s / number * 1e6:6.1f} us of CPU a message, "
        f"{used.wall_s / number * 1e6:6.1f} us by the clock, {number / used.wall_s:8,.0f} messages "
        f"a second, {used.most_mb:4.0f} MB; a year {year_s:6,.0f} s of clock, "
        f"{used.cpu_s / number * YEAR:6,.0f} s of CPU",
        flush=True,
    )


def replay(given: Recording, *more: str) -> Cost:
    """`watchd replay --summary --json`."""
    words: list[str | Path] = ["replay", "--config", given.config, "--summary", "--json", *more]
    return cost(command(*words, given.path))


def tune(given: Recording) -> Cost:
    """`watchd tune` of one number with 20 values."""
    words = ("tune", "--config", given.config, RULE, "--vary", VARY, "--json")
    return cost(command(*words, given.path))


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("days", type=int, nargs="?", default=2)
    parser.add_argument("days_of_tune", type=int, nargs="?", default=30)
    options = parser.parse_args(arguments)
    given = recording(options.folder, options.days)
    size_mb = given.path.stat().st_size / 1e6
    cores = len(os.sched_getaffinity(0))
    print(
        f"{options.days} solar days, 4 packs, {given.number:,} messages, {size_mb:.1f} MB packed, "
        f"{cores} cores; the goal of a year is {GOAL_S:.0f} s by the clock"
    )
    floor = cost(lambda: decode_all(given.path))
    tell("mere decoding:", given.number, floor)
    used = replay(given)
    tell("replay:", given.number, used)
    print(f"replay takes {used.cpu_s / floor.cpu_s:.1f} x the CPU of mere decoding")
    if options.days_of_tune:
        given = recording(options.folder, options.days_of_tune)
        used, tuned = replay(given), tune(given)
        tell(f"replay, {options.days_of_tune} days:", given.number, used)
        tell("tune, 20 values:", given.number, tuned)
        print(
            f"tune takes {tuned.wall_s / used.wall_s:.2f} x the time of a replay, "
            f"{tuned.cpu_s / used.cpu_s:.2f} x its CPU (goal {GOAL_OF_TUNE})"
        )


if __name__ == "__main__":
    main()
