"""The season: weather, visits, and what goes wrong when. Days count from the first midnight.

All of this is invented. Nothing else about the season is written down.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum

START = datetime(2026, 7, 27, tzinfo=UTC).timestamp()  # a Monday
DAYS = 90


@dataclass(frozen=True, slots=True)
class Spell:
    """Some days of weather that differ from the rest."""

    from_d: int
    until_d: int
    what: str
    sun: float | None = None
    """What is left of the sun; None: as the days have it."""
    degc: float | None = None
    """Mean of the air's temperature; None: as the days have it."""
    loads: float = 1.0
    """How much of its usual loads the station runs."""


class Kind(StrEnum):
    """What can go wrong."""

    DRIFT = "drift"
    CAPACITY = "capacity"
    JOINT = "joint"
    LEAK = "leak"
    THRESHOLD = "threshold"
    FROZEN = "frozen"
    SILENT = "silent"
    COLD = "cold"


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that goes wrong, on a pack, from a day on."""

    kind: Kind
    pack: str
    what: str
    begins_d: float
    told_by: frozenset[str]
    """Rules of which one at least has to tell it. Of the pack, or of its bank."""


@dataclass(frozen=True, slots=True)
class Season:
    """All that is decided in advance."""

    days: float
    spells: tuple[Spell, ...]
    faults: tuple[Fault, ...]
    visits_d: tuple[float, ...]
    """When the keeper comes over, with an electrician."""
    healthy: tuple[str, ...] = field(default=("eider",))

    def begins(self, kind: Kind) -> float | None:
        """The day on which a fault of a kind begins, if it does."""
        return next((fault.begins_d for fault in self.faults if fault.kind is kind), None)


DRIFT = Fault(
    Kind.DRIFT,
    "tern",
    "the count of its BMS drifts, and nothing sets it right",
    0.0,
    frozenset({"soc-stuck-below-full"}),
)
CAPACITY = Fault(
    Kind.CAPACITY,
    "tern",
    "holds two thirds of its nameplate, and its BMS counts with all of it",
    0.0,
    frozenset({"capacity-low", "soc-disagrees"}),
)
JOINT = Fault(
    Kind.JOINT,
    "auk",
    "the storm works the joint of cell 12 loose",
    21.2,
    frozenset({"joint-resistance-high"}),
)
LEAK = Fault(
    Kind.LEAK,
    "auk",
    "cell 3 loses charge faster than its balancer gives it back",
    30.0,
    frozenset({"balancer-not-coping", "cell-spread-widening", "cell-spread-wide"}),
)
THRESHOLD = Fault(
    Kind.THRESHOLD,
    "tern",
    "over-voltage threshold lowered for a trial, and left so",
    52.6,
    frozenset({"protection-trips-repeated", "protection-trip"}),
)
FROZEN = Fault(
    Kind.FROZEN, "auk", "its bridge repeats one message", 58.35, frozenset({"telemetry-frozen"})
)
SILENT = Fault(
    Kind.SILENT, "tern", "the link of its BMS is dead", 64.5, frozenset({"telemetry-stale"})
)
COLD = Fault(
    Kind.COLD,
    "auk",
    "its box stands open in the frost, and the charger hears no limit",
    82.8,
    frozenset({"charging-cold"}),
)

SEASON = Season(
    days=DAYS,
    spells=(
        Spell(21, 24, "Storm: no sun to speak of", sun=0.05),
        Spell(68, 76, "A week of fog. The station saves power", sun=0.22, loads=0.65),
        Spell(79, 84, "First frost", sun=0.95, degc=-0.5),
    ),
    faults=(DRIFT, CAPACITY, JOINT, LEAK, THRESHOLD, FROZEN, SILENT, COLD),
    visits_d=(12.4, 26.4, 46.4, 63.4, 80.4),
)
