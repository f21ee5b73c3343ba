"""What the terminal shows of the season: what happens, the phone, a line a week, the account."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

from demo.phone.card import Card, drawn
from demo.season.account import Account, Found
from demo.season.bank import NAMES
from demo.season.people import Deed
from demo.season.scenario import START, Season
from demo.season.watching import DayOver, Told
from demo.season.weather import DAY_S
from demo.show.page import Page

_URGENT = ("critical", "high")
_FULL, _NOT_FULL, _WEEK = "●", "○", 7


def date(at: float) -> str:
    """Day on the skerry."""
    return f"{datetime.fromtimestamp(at, UTC):%a %d %b}"


def moment(at: float) -> str:
    """Day and time on the skerry."""
    return f"{datetime.fromtimestamp(at, UTC):%a %d %b  %H:%M}"


class Telling:
    """Happenings in, lines out."""

    def __init__(self, season: Season, page: Page) -> None:
        self._season, self._page = season, page
        self._days: list[DayOver] = []
        self._told = 0
        self._spells = list(season.spells)
        self._faults = sorted(season.faults, key=lambda fault: fault.begins_d)

    def opening(self) -> list[str]:
        """What to know before it starts."""
        page = self._page
        text = (
            f"The same three packs over {self._season.days} days, from July to October. Weather, "
            "loads and what goes wrong are written down; cells, BMSs and charger follow from "
            "physics, and the charger follows the suggested limit. People do what watchd advises, "
            "and nothing that it did not tell. What stands behind » is true, and watchd is not "
            "told it."
        )
        weeks = (
            f"Each week has a line: {_FULL} for a day on which a pack became full, {_NOT_FULL} for "
            "one on which it did not, and how far its cells were apart at full, in mV."
        )
        head = page.strong("The season: what the keeper of the skerry hears of it")
        return ["", head, "", *page.folded(text, ""), "", *page.folded(weeks, ""), ""]

    def happened(self, what: Told | DayOver | Deed) -> Iterator[str]:
        """The lines of a happening; what began before it comes first."""
        yield from self._true_until(what.at)
        match what:
            case Told():
                self._told += 1
                urgent = what.priority in _URGENT
                card = Card(f"{moment(what.at)}  {what.priority}", what.title, what.message, urgent)
                yield from drawn(card, bold=self._page.bold)
            case Deed():
                yield from self._page.folded(f"{date(what.at)}  {what.who} {what.text}")
            case DayOver():
                self._days.append(what)
                if len(self._days) == _WEEK:
                    yield from self.week_over()

    def _true_until(self, at: float) -> Iterator[str]:
        day = (at - START) / DAY_S
        while self._spells and self._spells[0].from_d < day:
            spell = self._spells.pop(0)
            yield from self._true(START + spell.from_d * DAY_S, f"{spell.what}.")
        while self._faults and self._faults[0].begins_d < day:
            fault = self._faults.pop(0)
            yield from self._true(START + fault.begins_d * DAY_S, f"{fault.pack}: {fault.what}.")

    def _true(self, at: float, text: str) -> list[str]:
        return self._page.folded(f"{date(at)}  » {text}")

    def week_over(self) -> Iterator[str]:
        """The line of the days since the last one."""
        if not self._days:
            return
        first = self._days[0].at - DAY_S
        week = int((first - START) / DAY_S) // _WEEK + 1
        columns = []
        for name in NAMES:
            marks = "".join(_FULL if day.full[name] else _NOT_FULL for day in self._days)
            spread = self._days[-1].spread_mv[name]
            apart = f"{spread:>3.0f}" if spread is not None else "  ?"
            columns.append(f"{name} {marks:<{_WEEK}} {apart}")
        lowest = min(day.lowest_pct for day in self._days)
        line = (
            f"week {week:>2}  {'   '.join(columns)}   lowest {lowest:>2.0f} %   told {self._told}"
        )
        yield self._page.strong(line)
        self._days, self._told = [], 0


def account(found: Account, page: Page) -> Iterator[str]:
    """The last words: what was told, against what was true."""
    yield ""
    yield page.strong("What was true, and what was told")
    yield ""
    yield f"  {'pack':<6} {'began':<11} {'told':<11} {'after':>7}  {'mended':<11} by the rule"
    for row in found.found():
        yield from _row(row, page)
    yield ""
    many = f"{len(found.told)} messages in {found.season.days} days: {found.told_a_day:.2f} a day, "
    yield from page.folded(f"{many}{found.most_in_a_day} on the day with most of them.", "  ")
    for name in found.season.healthy:
        said = [told.title for told in found.of_the_healthy if told.alarm.endswith(f"/{name}")]
        yield f"  {name}, in order all season: {'; '.join(said) or 'nothing was told of it.'}"
    others = found.others
    if others:
        yield "  Told as well, of what the faults led to:"
        yield from (f"    {date(told.at)}  {told.title}" for told in others)
    missed = [row.fault.what for row in found.found() if row.told_d is None]
    yield from (f"  Not told: {what}." for what in missed)
    yield ""


def _row(row: Found, page: Page) -> list[str]:
    fault = row.fault
    after = row.days_until_told
    told = "-" if row.told_d is None else date(START + row.told_d * DAY_S)
    mended = "-" if row.mended_d is None else date(START + row.mended_d * DAY_S)
    began = date(START + fault.begins_d * DAY_S)
    lasted = "-" if after is None else f"{24 * after:.0f} h" if after < 2 else f"{after:.0f} d"
    head = f"  {fault.pack:<6} {began:<11} {told:<11} {lasted:>7}  {mended:<11} {row.by or '-'}"
    return [head, *page.folded(fault.what, " " * 9)]
