"""The account of the season: what was told, and whether it was what was true."""

from __future__ import annotations

from dataclasses import dataclass, field

from demo.season.people import Deed
from demo.season.scenario import START, Fault, Kind, Season
from demo.season.watching import Told
from demo.season.weather import DAY_S


@dataclass(frozen=True, slots=True)
class Found:
    """A fault that was in the bank, and what became of it. Days since the season began."""

    fault: Fault
    told_d: float | None
    by: str
    """The rule that told it first."""
    mended_d: float | None

    @property
    def days_until_told(self) -> float | None:
        """How long nobody knew."""
        return None if self.told_d is None else self.told_d - self.fault.begins_d


@dataclass(slots=True)
class Account:
    """Gathers what is told and done."""

    season: Season
    told: list[Told] = field(default_factory=list)
    mended: dict[Kind, float] = field(default_factory=dict)

    def hear(self, told: Told) -> None:
        """Something came to the phone."""
        self.told.append(told)

    def done(self, deed: Deed) -> None:
        """Somebody did something."""
        if deed.mends is not None:
            self.mended.setdefault(deed.mends, _day(deed.at))

    @property
    def told_a_day(self) -> float:
        """Messages a day, over the season."""
        return len(self.told) / self.season.days

    @property
    def most_in_a_day(self) -> int:
        """Messages on the day that had most of them."""
        days = [int(_day(told.at)) for told in self.told]
        return max(map(days.count, days), default=0)

    def found(self) -> list[Found]:
        """Each fault of the season."""
        rows = []
        for fault in self.season.faults:
            first = next((told for told in self.told if self._tells(told, fault)), None)
            told_d = None if first is None else _day(first.at)
            by = "" if first is None else first.alarm.partition("/")[0]
            rows.append(Found(fault, told_d, by, self.mended.get(fault.kind)))
        return rows

    @staticmethod
    def _tells(told: Told, fault: Fault) -> bool:
        rule, _, subject = told.alarm.partition("/")
        of_it = rule in fault.told_by and subject == f"pack/{fault.pack}"
        return of_it and _day(told.at) >= fault.begins_d

    @property
    def of_the_healthy(self) -> list[Told]:
        """What was told of packs that have nothing."""
        subjects = tuple(f"pack/{name}" for name in self.season.healthy)
        return [told for told in self.told if told.alarm.partition("/")[2].startswith(subjects)]

    @property
    def others(self) -> list[Told]:
        """What was told and is no fault of the season's list, such as what a fault led to."""
        rules = {(rule, f.pack) for f in self.season.faults for rule in f.told_by}
        return [
            told
            for told in self.told
            if told.alarm
            and (told.alarm.partition("/")[0], told.alarm.rpartition("/")[2]) not in rules
        ]

    @property
    def right(self) -> bool:
        """Whether every fault was told, and nothing of a healthy pack."""
        return all(row.told_d is not None for row in self.found()) and not self.of_the_healthy


def _day(at: float) -> float:
    return (at - START) / DAY_S
