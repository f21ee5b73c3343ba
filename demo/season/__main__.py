"""The command line: `python -m demo.season`. Exit code 0 if all that was wrong was told."""

from __future__ import annotations

import argparse
import io
import os
import re
import shutil
import sys
import time
from collections.abc import Iterable
from pathlib import Path

from demo.season.account import Account
from demo.season.people import Deed
from demo.season.scenario import DAYS, SEASON
from demo.season.telling import Telling, account
from demo.season.watching import Told, Watching
from demo.show.page import Page
from watchd import load

_BOLD = re.compile(r"\x1b\[\d*m")


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(prog="python -m demo.season", description=__doc__)
    parser.add_argument("--config", type=Path, default=Path("demo/season.yaml"))
    parser.add_argument("--store", type=Path, help="write the season's history into this new file")
    parser.add_argument("--also-to", type=Path, help="write what is shown into this file too")
    parser.add_argument("--seed", type=int, default=1, help="other clouds, cells and noise")
    parser.add_argument("--days", type=int, default=DAYS, help="only so many days of it")
    asked = parser.parse_args()
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace", line_buffering=True)
    shown = Shown(asked.also_to)
    width = min(shutil.get_terminal_size((96, 24)).columns - 1, 96)
    page = Page(max(width, 72), sys.stdout.isatty() and os.environ.get("TERM") != "dumb")
    try:
        found, refused = play(asked, page, shown)
    except KeyboardInterrupt:
        return 130
    shown.show(account(found, page))
    shown.close()
    for what in refused:
        print(f"demo: watchd refused {what}", file=sys.stderr)
    return 0 if found.right and not refused else 1


class Shown:
    """Lines on the terminal, and the same without its bold in a file."""

    def __init__(self, path: Path | None) -> None:
        self._file = None if path is None else path.open("w", encoding="utf-8")

    def show(self, lines: Iterable[str]) -> None:
        """Print at once: the lines come as things happen."""
        for line in lines:
            print(line)
            if self._file is not None:
                self._file.write(f"{_BOLD.sub('', line)}\n")

    def close(self) -> None:
        """Nothing more comes."""
        if self._file is not None:
            self._file.close()


def play(asked: argparse.Namespace, page: Page, shown: Shown) -> tuple[Account, list[str]]:
    """Play the season and tell it; what was found, and what was refused."""
    began = time.monotonic()
    keeping = None
    if asked.store is not None:
        from watchd.shell.store.keeping import Keeping  # noqa: PLC0415 - only where one is kept

        keeping = Keeping(asked.store, load(asked.config)[0])
    watching = Watching(asked.config, SEASON, asked.seed, keeping)
    found, telling = Account(SEASON), Telling(SEASON, page)
    shown.show(telling.opening())
    try:
        for what in watching.happenings():
            if isinstance(what, Told):
                found.hear(what)
            elif isinstance(what, Deed):
                found.done(what)
            shown.show(telling.happened(what))
            if watching.island.day >= asked.days:
                break
        shown.show(telling.week_over())
    finally:
        if keeping is not None:
            keeping.close()
    took_s = time.monotonic() - began
    shown.show(["", f"{watching.island.day:.0f} days in {took_s / 60.0:.1f} min."])
    return found, watching.refused


if __name__ == "__main__":
    sys.exit(main())
