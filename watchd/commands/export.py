"""`watchd export`: the history of the packs as CSV or Parquet, with the labels of the open BDF."""

from __future__ import annotations

import argparse
import sqlite3
import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from io import TextIOWrapper
from itertools import chain
from pathlib import Path
from typing import Any

from watchd.commands.export_files import (
    check_is_free,
    check_parquet,
    new_file,
    write_csv,
    write_parquet,
)
from watchd.commands.options import add_command, add_instance, config_of_daemon
from watchd.commands.progress import progress
from watchd.commands.store_access import what_to_do
from watchd.config import Config
from watchd.durations import parse_duration
from watchd.errors import Place, Problem, WatchdError, nearest
from watchd.history.columns import Row
from watchd.history.summaries import Day, Minute
from watchd.history.tables import Resolution, Value, headings, row_values
from watchd.publish import rfc3339
from watchd.shell.store.history import ALWAYS, History

TOLD_EVERY = 1000  # rows, for a person who waits
_ABOUT = """\
One file holds one pack, as the Battery Data Format wants it: with several packs the name of each is
put into FILE (history.csv becomes history-alder.csv). Charge current is positive. An empty field
(null in Parquet) is unknown. Minutes and days have mean, lowest and highest of the samples, and the
last SoC; days, which are those of UTC, also charge and energy in and out. The service may be
running; its last five minutes are not there yet."""


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "export",
        "write the history of packs as CSV or Parquet, with the labels of the Battery Data Format",
        "watchd export --since '7 d' -o week.csv\n"
        "  watchd export --pack alder --resolution day --from 2026-01-01 -o alder.csv",
    )
    parser.epilog = f"{_ABOUT}\n\n{parser.epilog}"
    parser.add_argument(
        "--config",
        "-c",
        metavar="FILE",
        default="config.yaml",
        help="the config file (default: config.yaml)",
    )
    add_instance(parser)
    parser.add_argument(
        "--store",
        metavar="FILE",
        help="one that replay --keep wrote, for example (default: that of the config)",
    )
    begin = parser.add_mutually_exclusive_group()
    begin.add_argument(
        "--from",
        dest="begin",
        metavar="T",
        type=_moment,
        help="its begin, such as 2026-09-21 or 2026-09-21T14:00:00Z; UTC where it names no offset "
        "(default: all that is kept)",
    )
    begin.add_argument(
        "--since",
        metavar="AGO",
        type=_duration,
        help="only the last '7 d' of a pack, for example (default: all)",
    )
    parser.add_argument(
        "--to", dest="end", metavar="T", type=_moment, help="up to and without it (default: now)"
    )
    parser.add_argument(
        "--pack",
        action="append",
        metavar="PACK",
        help="of this pack; may be given again (default: all)",
    )
    parser.add_argument(
        "--resolution",
        choices=list(map(str, Resolution)),
        default=str(Resolution.RAW),
        help="every sample, or what becomes of them (default: raw)",
    )
    parser.add_argument(
        "--format",
        choices=["csv", "parquet"],
        help="of the file (default: what FILE ends in, else csv)",
    )
    parser.add_argument("--force", action="store_true", help="replace FILE where there is one")
    parser.add_argument(
        "-o",
        "--output",
        required=True,
        metavar="FILE",
        help="the file; - is standard output, for CSV",
    )
    parser.set_defaults(run=run)


def _moment(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
        at = (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        raise argparse.ArgumentTypeError(
            f"'{text}' is no time; write 2026-09-21 or 2026-09-21T14:00:00Z"
        ) from None
    return at


def _duration(text: str) -> float:
    try:
        return parse_duration(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def run(options: argparse.Namespace) -> int:
    """Write the files. WatchdError for what cannot be; also where there is nothing to write."""
    config = config_of_daemon(options)
    as_parquet = _as_parquet(options)
    if as_parquet:
        if options.output == "-":
            raise WatchdError("standard output takes no Parquet")
        check_parquet()
    store = Path(options.store or config.store.path)
    try:
        with History(store) as history:
            targets = _targets(options, _packs(options, config, history))
            written = [_export(history, options, p, t, as_parquet) for p, t in targets.items()]
            if history.damaged:
                print(_left_out(history.damaged), file=sys.stderr)
    except sqlite3.Error as error:
        raise WatchdError(Problem(why_unreadable(store, error), Place(str(store)))) from error
    if not any(written):
        raise WatchdError(Problem("no history of that pack and time is kept", Place(str(store))))
    return 0


def _packs(options: argparse.Namespace, config: Config, history: History) -> list[str]:
    """Those named, or all: of the config, and those that it had before."""
    known = list(dict.fromkeys([*config.packs, *history.packs()]))
    named = list(dict.fromkeys(options.pack or ()))
    for name in named:
        if name not in known:
            raise WatchdError(f"no pack is called '{name}'; {nearest(name, known)}")
    return named or known


def _targets(options: argparse.Namespace, packs: list[str]) -> dict[str, Path | None]:
    """The file of each pack; None for standard output."""
    if options.output == "-" and len(packs) > 1:
        raise WatchdError("standard output takes no table of several packs; name one with --pack")
    targets = {p: _target(options.output, p, alone=len(packs) == 1) for p in packs}
    for target in targets.values():
        if target is not None:
            check_is_free(target, force=options.force)
    return targets


def _as_parquet(options: argparse.Namespace) -> bool:
    chosen = options.format or ("parquet" if options.output.endswith(".parquet") else "csv")
    return bool(chosen == "parquet")


def _target(output: str, pack: str, *, alone: bool) -> Path | None:
    if output == "-":
        return None
    path = Path(output)
    if alone:
        return path
    stem, dot, suffixes = path.name.partition(".")
    return path.with_name(f"{stem}-{pack}{dot}{suffixes}")


def _export(
    history: History,
    options: argparse.Namespace,
    pack: str,
    target: Path | None,
    as_parquet: bool,
) -> int:
    """Write one pack's file; how many rows. Without a row there is no file."""
    begin, end = _range(history, options, pack)
    resolution = Resolution(options.resolution)
    cells, sensors = history.positions(pack, begin, end)
    found: Iterator[Row | Minute | Day] = history.read(resolution, pack, begin, end)
    first = next(found, None)
    if first is None:
        return 0
    columns = headings(resolution, cells, sensors)
    last_at = first.at

    def rows() -> Iterator[Sequence[Value]]:
        nonlocal last_at
        ends = history.ends(pack)
        span_s = min(end, ends[1]) - first.at if ends is not None else None
        # Rows on a terminal are what is looked at.
        hidden = target is None and sys.stdout.isatty()
        with progress(f"exporting {pack}", span_s, hidden=hidden) as done:
            for number, row in enumerate(chain([first], found)):
                last_at = row.at
                if number % TOLD_EVERY == 0:
                    done(last_at - first.at, rfc3339(last_at)[:10])
                yield row_values(row, first.at, cells, sensors)

    if target is None:
        return write_csv(sys.stdout, columns, rows())
    with new_file(target, force=options.force) as stream:
        if as_parquet:
            about = {"pack": pack, "resolution": str(resolution), "format": "Battery Data Format"}
            number = write_parquet(stream, columns, rows(), about)
        else:
            text = TextIOWrapper(stream, encoding="utf-8", newline="")
            number = write_csv(text, columns, rows())
            text.flush()
            text.detach()
    print(f"{target}: {number:,} rows of {pack}, {rfc3339(first.at)} to {rfc3339(last_at)}")
    return number


def _range(history: History, options: argparse.Namespace, pack: str) -> tuple[float, float]:
    begin = ALWAYS[0] if options.begin is None else options.begin
    end = ALWAYS[1] if options.end is None else options.end
    if options.since is not None:
        ends = history.ends(pack)
        begin = begin if ends is None else min(ends[1], end) - options.since
    if begin >= end:
        raise WatchdError("--to is not after the beginning")
    return begin, end


def _left_out(blocks: int) -> str:
    if blocks == 1:
        return "1 block could not be read, and is left out"
    return f"{blocks} blocks could not be read, and are left out"


def why_unreadable(store: Path, error: sqlite3.Error) -> str:
    """Why the history of a store cannot be read, and what to do."""
    if "no such table" in str(error):
        return "no history is kept here yet: the service begins it when it runs"
    return f"the history cannot be read: {error}{what_to_do(store)}"
