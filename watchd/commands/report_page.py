"""The page of `watchd report`: read from the store, drawn, and written as a whole."""

from __future__ import annotations

import json
import logging
import sqlite3
import sys
import time
from argparse import Namespace
from collections.abc import Callable
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

from watchd.commands.export import why_unreadable
from watchd.commands.export_files import new_file
from watchd.commands.options import told_instance
from watchd.commands.store_access import is_missing
from watchd.config import Config
from watchd.errors import Place, Problem, WatchdError, nearest
from watchd.loading import load
from watchd.publish import rfc3339
from watchd.report.page import Drawn, page_of
from watchd.report.report import Report, report_of
from watchd.report.season import Season, read, span_of
from watchd.report.writing import count, listed
from watchd.shell.store.history import History
from watchd.shell.zone import zone_of

STDOUT = "-"
STYLE = files("watchd.report") / "page.css"


def make(options: Namespace) -> None:
    """Write the page. WatchdError for what cannot be; also where nothing is kept."""
    config, rules = load(options.config, options.rules, options.instance)
    told_instance(config, options)
    packs = _packs(options.pack, config)
    output = options.output or (None if options.json else "report.html")
    drawn = None if output is None else _drawn()
    if output not in (None, STDOUT):
        _check_target(Path(output))
    store = Path(options.store or config.store.path)
    progress = _Progress()
    season = _season(store, config, packs, options.since, progress)
    report = report_of(season, {rule.name: rule for rule in rules})
    if options.json:
        print(json.dumps(_data(report), ensure_ascii=False))
    if output is not None and drawn is not None:
        parts = page_of(
            report, STYLE.read_text("utf-8"), progress.counted(drawn, report), time.time()
        )
        _write(output, "".join(parts))
        progress.end()
        if output != STDOUT and not options.json:
            asked = count(len(report.asked), "thing wants", "things want")
            print(f"{output}: {_span(report)}; {asked} doing")


def _packs(named: list[str] | None, config: Config) -> list[str]:
    """Those named, or all in service; in the order of the config."""
    known = list(config.packs)
    for name in named or ():
        if name not in known:
            raise WatchdError(f"no pack is called '{name}'; {nearest(name, known)}")
    return [n for n in known if (n in named if named else config.packs[n].in_service)]


def _season(
    store: Path, config: Config, packs: list[str], since_s: float, progress: _Progress
) -> Season:
    place = Place(str(store))
    if is_missing(store):
        what = "there is no such store; the service begins it, `watchd replay --keep` makes one"
        raise WatchdError(Problem(what, place))
    try:
        with History(store) as history:
            span = span_of(history, packs, since_s, _clock(config.timezone))
            if span is None:
                raise WatchdError(Problem(f"nothing is kept of {listed(packs)} yet", place))
            banks = tuple(read(history, config, packs, span, progress.reading))
            progress.end()
            if history.damaged:
                left_out = count(history.damaged, "block")
                print(f"{left_out} of the store cannot be read, and left out", file=sys.stderr)
    except sqlite3.Error as error:
        raise WatchdError(Problem(why_unreadable(store, error), place)) from error
    return Season(span, banks)


def _clock(timezone: str | None) -> Callable[[float], datetime]:
    """The keeper's clock: the config's zone, else the computer's."""
    zone = zone_of(timezone)
    return lambda at: datetime.fromtimestamp(at, UTC).astimezone(zone)


def _drawn() -> Drawn:
    """The drawings. Raises WatchdError, with what to do, where matplotlib is not installed."""
    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # of fonts and caches it tells much
    try:
        import matplotlib as mpl  # noqa: F401
    except ImportError:
        raise WatchdError(
            "the drawings need the package matplotlib: pip install 'watchd[report]'; --json "
            "needs nothing"
        ) from None
    from watchd.report.drawings import DRAWINGS
    from watchd.report.drawings.svg import drawn

    return lambda shown, name, label: drawn(DRAWINGS[type(shown)], shown, name, label)


def _check_target(target: Path) -> None:
    """What would be found only after all the work."""
    if target.is_dir():
        raise WatchdError(Problem("is a folder; name a file in it", Place(str(target))))
    if not target.parent.is_dir():
        raise WatchdError(Problem(f"there is no folder {target.parent}", Place(str(target))))


def _write(output: str, page: str) -> None:
    if output == STDOUT:
        sys.stdout.write(page)
        return
    with new_file(Path(output), force=True) as stream:
        stream.write(page.encode("utf-8"))


def _data(report: Report) -> dict[str, Any]:
    return {
        "from": rfc3339(report.span.begin),
        "to": rfc3339(report.span.end),
        "opening": report.opening,
        "first": [finding.as_data() for finding in report.asked],
        "subjects": [
            {
                "subject": section.subject,
                "findings": [finding.as_data() for finding in section.findings],
                "drawings": [
                    {"title": shown.title, "sentence": shown.sentence, "empty": shown.is_empty}
                    for shown in section.drawings
                ],
            }
            for section in report.sections
        ],
    }


def _span(report: Report) -> str:
    return f"{rfc3339(report.span.begin)[:16]}Z to {rfc3339(report.span.end)[:16]}Z"


class _Progress:
    """A line on standard error while it takes its time, for a terminal alone."""

    def __init__(self) -> None:
        self._is_shown = sys.stderr.isatty()
        self._width = 0

    def reading(self, pack: str) -> None:
        """A pack is being read."""
        self._show(f"reading {pack}")

    def counted(self, drawn: Drawn, report: Report) -> Drawn:
        """The same drawings, counted."""
        total = sum(not d.is_empty for s in report.sections for d in s.drawings)
        number = 0

        def counting(shown: Any, name: str, label: str) -> str:
            nonlocal number
            number += 1
            self._show(f"drawing {number} of {total}")
            return drawn(shown, name, label)

        return counting

    def end(self) -> None:
        """Nothing stays of it."""
        if self._is_shown and self._width:
            print(f"\r{' ' * self._width}\r", end="", file=sys.stderr, flush=True)

    def _show(self, text: str) -> None:
        if self._is_shown:
            print(f"\r{text.ljust(self._width)}", end="", file=sys.stderr, flush=True)
            self._width = max(self._width, len(text))
