"""`watchd digest`: the digest of now, or of a day that is past, from the store."""

from __future__ import annotations

import argparse
import json
import sqlite3
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from watchd.commands.columns import paragraph
from watchd.commands.options import add_command, add_config, told_instance
from watchd.commands.store_access import what_to_do
from watchd.config import Config
from watchd.digest.facts import Facts
from watchd.digest.record import digest
from watchd.digest.schedule import DAY_S, Period
from watchd.digest.standing import standing_of
from watchd.errors import Place, Problem, WatchdError
from watchd.figures import Value
from watchd.history.trends import PackDay
from watchd.loading import load
from watchd.messages import DigestRecord
from watchd.own_rules import own_rules
from watchd.rules.rule import Rule
from watchd.shell.digest_reading import facts_of, journal_of, last_day, read_kept
from watchd.shell.store.history import ALWAYS, History

_ABOUT = """\
What the service publishes on PREFIX/digest/daily and PREFIX/digest/weekly, made anew from the
store. The service may be running. Of now, figures are the last that were kept, some minutes old; of
a time that is past, those of the end of the UTC day before it."""


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "digest",
        "print the daily or the weekly digest, from the store",
        "watchd digest --config /etc/watchd/config.yaml\n"
        "  watchd digest --weekly --at 2026-09-20T16:00:00Z",
    )
    parser.epilog = f"{_ABOUT}\n\n{parser.epilog}"
    add_config(parser)
    parser.add_argument(
        "--weekly", action="store_true", help="the week, beside the one before (default: the day)"
    )
    parser.add_argument(
        "--store", metavar="FILE", help="a backup, for example (default: that of the config)"
    )
    parser.add_argument(
        "--at",
        metavar="T",
        type=_moment,
        help="2026-09-21 or 2026-09-21T14:00:00Z; UTC where it names no offset (default: now)",
    )
    parser.add_argument("--json", action="store_true", help="as it is published, as one object")
    parser.set_defaults(run=run)


def _moment(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
        return (moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        raise argparse.ArgumentTypeError(
            f"'{text}' is no time; write 2026-09-21 or 2026-09-21T14:00:00Z"
        ) from None


def run(options: argparse.Namespace) -> int:
    """Print it; WatchdError where there is no store to read."""
    config, rules = load(options.config, options.rules, options.instance)
    told_instance(config, options)
    store = Path(options.store or config.store.path)
    period = Period.WEEKLY if options.weekly else Period.DAILY
    try:
        facts = facts_at(store, config, rules, period, options.at)
    except (sqlite3.Error, OSError) as error:
        raise WatchdError(Problem(_why(store, error), Place(str(store)))) from error
    record = digest(facts)
    if options.json:
        print(json.dumps(record, ensure_ascii=False))
    else:
        print("\n".join(_lines(record)))
    return 0


def facts_at(
    store: Path, config: Config, rules: tuple[Rule, ...], period: Period, at: float | None
) -> Facts:
    """What the store tells as of a time (Unix s); None: now. Raises sqlite3.Error, OSError."""
    end = time.time() if at is None else at
    all_rules = (*rules, *own_rules())
    names = [name for name, pack in config.packs.items() if pack.in_service]
    with History(store) as history:
        figures = {name: _figures(history, name, end, is_now=at is None) for name in names}
        silent = {rule.name: rule.is_silent for rule in all_rules}
        stands = standing_of(journal_of(history, ALWAYS[0], end), silent)
    kept = read_kept(store, names, period, end)
    return facts_of(config, all_rules, period, end, figures, stands, kept)


def _figures(history: History, pack: str, end: float, *, is_now: bool) -> Mapping[str, Value]:
    """Those of now: the last that were kept. Of a time that is past: of the day before it."""
    if is_now:
        days: list[PackDay] = list(history.pack_days(pack, end - DAY_S, end + DAY_S))
        return days[-1].figures if days else {}
    day = last_day(history, pack, end)
    if day is None:
        return {}
    since_h = day.figures.get("since_full_h")
    if not isinstance(since_h, float | int):
        return day.figures
    return {**day.figures, "since_full_h": since_h + (end - day.at - DAY_S) / 3600}


def _lines(record: DigestRecord) -> list[str]:
    lines = [record["title"], ""]
    for line in record["message"].split("\n"):
        lines.extend(paragraph(line, "", "  "))
    return lines


def _why(store: Path, error: Exception) -> str:
    if "no such table" in str(error):
        return "no history is kept here yet: the service begins it when it runs"
    return f"the store cannot be read: {error}{what_to_do(store)}"
