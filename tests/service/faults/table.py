"""The table of faults: what each cost, as its test saw it.

A test hands its row over in its report, so that it comes also from other processes. Times are
recorded and never asserted: the machine may be busy with other things.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from typing import Any

import pytest

ROW = "row of the table of faults"


class Stopwatch:
    """Runs from when it is made."""

    def __init__(self) -> None:
        self._begin = time.monotonic()

    @property
    def seconds(self) -> float:
        """How long it has run."""
        return time.monotonic() - self._begin


# Fault, what was lost, seconds until all was as before (None: there was nothing to wait for).
Record = Callable[[str, str, float | None], None]


@pytest.fixture
def record(record_property: Callable[[str, object], None]) -> Record:
    """Puts a row into the table."""

    def row(fault: str, lost: str, recovered_s: float | None) -> None:
        shown = "-" if recovered_s is None else f"{recovered_s:.1f}"
        record_property(ROW, f"{fault}\t{lost}\t{shown}")

    return row


def table_of(reports: Iterable[Any]) -> list[str]:
    """The lines of the table, with its head; none where no test gave a row."""
    rows = sorted(
        {
            tuple(str(value).split("\t"))
            for report in reports
            if getattr(report, "when", None) == "call"
            for name, value in report.user_properties
            if name == ROW
        }
    )
    if not rows:
        return []
    table = [("fault", "what was lost", "back after, s"), *rows]
    first, second = (max(len(row[column]) for row in table) for column in (0, 1))
    return [f"{a:<{first}}  {b:<{second}}  {c:>13}" for a, b, c in table]
