"""The day: when fog comes, what the station switches on, and when the charger starts to listen.

Nothing else about the day is written down.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime

START = datetime(2026, 6, 21, 8, 0, tzinfo=UTC).timestamp()
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Load:
    """Something the station runs for a while; hours from the start."""

    from_h: float
    until_h: float
    power_w: float
    what: str


@dataclass(frozen=True, slots=True)
class Fog:
    """Fog over the panels; hours from the start."""

    from_h: float
    until_h: float
    share: float
    """What it leaves of the sun."""
    edge_h: float = 0.1

    def leaves(self, hour: float) -> float:
        """The share of the sun at an hour, with the fog rolling in and lifting at its edges."""
        inside_h = min(hour - self.from_h, self.until_h - hour)
        return 1.0 - (1.0 - self.share) * min(max(inside_h / self.edge_h, 0.0), 1.0)


@dataclass(frozen=True, slots=True)
class Note:
    """Something that a person on the skerry would see or do."""

    at_h: float
    event: str
    text: str


@dataclass(frozen=True, slots=True)
class Story:
    """A day, hours from the start."""

    hours: float
    base_load_w: float
    loads: tuple[Load, ...]
    fogs: tuple[Fog, ...]
    follows_from_h: float | None
    notes: tuple[Note, ...]

    def load_w(self, hour: float) -> float:
        """What the station uses."""
        running = (load.power_w for load in self.loads if load.from_h <= hour < load.until_h)
        return self.base_load_w + sum(running)

    def fog_share(self, hour: float) -> float:
        """What fog leaves of the sun."""
        share = 1.0
        for fog in self.fogs:
            share *= fog.leaves(hour)
        return share

    def follows(self, hour: float) -> bool:
        """Whether the charger obeys the suggested limit."""
        return self.follows_from_h is not None and hour >= self.follows_from_h


_MIDDAY_FOG = Fog(from_h=1.85, until_h=2.60, share=0.06)
_LATE_FOG = Fog(from_h=3.75, until_h=4.10, share=0.10)
_FOLLOWS_FROM_H = 2.2

DAY = Story(
    hours=4.4,
    base_load_w=420.0,
    loads=(
        Load(1.92, 2.60, 3600.0, "water maker"),
        Load(1.97, 2.60, 3400.0, "work boat"),
        Load(3.78, 4.08, 3600.0, "water maker"),
    ),
    fogs=(_MIDDAY_FOG, _LATE_FOG),
    follows_from_h=_FOLLOWS_FROM_H,
    notes=(
        Note(0.0, "sun", "A clear morning: the charger puts in all that the panels give."),
        Note(1.85, "sun", "Fog rolls in."),
        Note(1.95, "load", "Water maker and work boat draw on the bank."),
        Note(2.2, "follow", "From now on the charger follows the suggested charge current limit."),
        Note(2.60, "sun", "The fog lifts, the loads are done. The bank charges again."),
        Note(3.75, "load", "The fog is back, and the water maker runs once more."),
        Note(4.10, "sun", "The fog lifts. The bank charges again."),
        Note(4.4, "end", "The end of the watch."),
    ),
)

MORNING = replace(DAY, hours=1.85, follows_from_h=None, notes=())
"""Up to the fog."""
