"""What the path of each cell has too much in resistance: its joints, seldom the cell itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from watchd.report.season import PackSeason
from watchd.report.span import utc_day
from watchd.report.table import Table, table
from watchd.report.writing import shown

LIMIT_MOHM = 0.3  # where the shipped rule begins


@dataclass(frozen=True, slots=True)
class Joints:
    """`excess_mohm` of each cell over the middle one, as of the day that begins at `at`."""

    title: ClassVar[str] = "Joints: resistance beyond the others"
    at: float | None
    excess_mohm: tuple[float | None, ...]
    limit_mohm: float | None

    @classmethod
    def of(cls, pack: PackSeason, limit_mohm: float | None = LIMIT_MOHM) -> Joints:
        """Of a pack: the last day on which it was known. The alarm's limit; None: it has none."""
        for day in reversed(pack.kept):
            if day.cell_excess_mohm is not None:
                return cls(day.at, day.cell_excess_mohm, limit_mohm)
        return cls(None, (), limit_mohm)

    @property
    def is_empty(self) -> bool:
        """Not known."""
        return all(v is None for v in self.excess_mohm)

    @property
    def sentence(self) -> str:
        """The worst."""
        if self.is_empty or self.at is None:
            return "Nothing is known of the joints yet: it takes some changes of current."
        worst, cell = max(
            (v, n) for n, v in enumerate(self.excess_mohm, 1) if v is not None
        )  # fmt: skip
        said = f"As of {utc_day(self.at)} cell {cell} has the most: {shown(worst, '.2f')} mΩ"
        if self.limit_mohm is None:
            return f"{said} beyond the middle one."
        where = "above" if worst > self.limit_mohm else "below"
        return f"{said} beyond the middle one, {where} the alarm's limit of {self.limit_mohm:g} mΩ."

    @property
    def key(self) -> str:
        """Bars and limit."""
        bars = "One bar a cell"
        return f"{bars}; dashed: the alarm's limit." if self.limit_mohm is not None else f"{bars}."

    @property
    def table(self) -> Table:
        """Cell by cell."""
        return table(
            ("Cell", "Excess, mΩ"),
            [(str(n), shown(v, "+.3f")) for n, v in enumerate(self.excess_mohm, 1)],
        )
