"""Alarms on the axis of time: one row an alarm, each time that it stood from raised to returned."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from watchd.report.occurrences import PRIORITIES, Occurrence
from watchd.report.season import BankSeason
from watchd.report.span import Span
from watchd.report.table import Table, table
from watchd.report.writing import count, lasted
from watchd.rules.rule import Priority

MOST_ROWS = 16
MOST_LINES = 400  # of the table


@dataclass(frozen=True, slots=True)
class Row:
    """One alarm, with each time that it stood."""

    name: str  # for people: whose it is, and the rule
    priority: Priority
    times: tuple[Occurrence, ...]


@dataclass(frozen=True, slots=True)
class Alarms:
    """Of a bank: the most urgent rows first; `left_out` of them are in the table alone."""

    title: ClassVar[str] = "Trips and alarms"
    span: Span
    rows: tuple[Row, ...]
    left_out: int
    times: tuple[Occurrence, ...]

    @classmethod
    def of(cls, bank: BankSeason, span: Span) -> Alarms:
        """Of a bank and its packs."""
        by_alarm: dict[str, list[Occurrence]] = {}
        for occurrence in bank.occurrences:
            by_alarm.setdefault(occurrence.alarm, []).append(occurrence)
        rows = [
            Row(f"{subject_of(times[-1])}: {name_of(times[-1])}", times[-1].priority, tuple(times))
            for times in by_alarm.values()
        ]
        rows.sort(key=lambda r: (PRIORITIES.index(r.priority), r.times[0].begin, r.name))
        kept = rows[:MOST_ROWS]
        return cls(span, tuple(kept), len(rows) - len(kept), bank.occurrences)

    @property
    def is_empty(self) -> bool:
        """None stood."""
        return not self.rows

    @property
    def sentence(self) -> str:
        """How many, and which stand."""
        if self.is_empty:
            return "No alarm stood in this span."
        standing = [o for o in self.times if o.end is None]
        number = len(self.rows) + self.left_out
        said = f"{count(number, 'alarm')} stood {count(len(self.times), 'time')} in all"
        if not standing:
            return f"{said}; none stands at its end."
        names = ", ".join(f"{subject_of(o)} ({name_of(o)})" for o in standing[:4])
        more = f" and {len(standing) - 4} more" if len(standing) > 4 else ""
        return f"{said}; at its end {count(len(standing), 'stands', 'stand')}: {names}{more}."

    @property
    def key(self) -> str:
        """Shapes."""
        said = (
            "One row an alarm, a bar from raised to returned, an arrow where it still stands. "
            "Diamond: critical; triangle: high; square: medium; dot: low; stroke: journal only."
        )
        return f"{said} {count(self.left_out, 'row')} more in the table." if self.left_out else said

    @property
    def table(self) -> Table:
        """Each time."""
        rows = [
            (
                self.span.moment(o.begin),
                lasted(o.end - o.begin) if o.end is not None else "stands",
                str(o.priority),
                o.text,
            )
            for o in self.times[-MOST_LINES:]
        ]
        return table(("Raised", "Stood for", "Priority", "What"), rows)


def subject_of(occurrence: Occurrence) -> str:
    """Whose it is, in a word or two."""
    kind, *names = occurrence.subject.split("/")
    return f"{names[0]} cell {names[1]}" if kind == "cell" and len(names) > 1 else names[0]


def name_of(occurrence: Occurrence) -> str:
    """The rule's name as words."""
    return occurrence.rule.replace("-", " ")
