"""What a re-anchoring is made of: its ways, its steps, and all that is kept of one. Plain data.

Times are Unix seconds, volts those of a cell.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from watchd.advice.reanchoring.threshold import SAME_V, Plan
from watchd.advice.reanchoring.values import known
from watchd.figures import Figures

# A setting that is so far below the plan was set for something else.
NEAR_V = 0.0205


class Way(StrEnum):
    """How a BMS is brought to set its SoC; the mildest first."""

    ABSORPTION = "absorption"
    FULL_SETTING = "full_setting"
    THRESHOLD = "threshold"


class Step(StrEnum):
    """Where a procedure is."""

    WAITING = "waiting_for_setting"
    APPROACHING = "approaching"
    TRIPPED = "tripped"
    PUT_BACK = "put_back"
    CHECKING = "checking"
    ENDED = "ended"


class Because(StrEnum):
    """Why the threshold is to be put back."""

    ANCHORED = "anchored"
    NO_WORD = "no_word"
    NO_TRIP = "no_trip"
    NOT_ANCHORED = "not_anchored"
    OTHER_TRIP = "other_trip"
    TRIPS = "trips"
    OTHER_VALUE = "other_value"
    COLD = "cold"
    SILENT = "silent"
    CANCELLED = "cancelled"


class Outcome(StrEnum):
    """How it ended."""

    HELD = "held"
    LOST = "lost"
    UNCHECKED = "unchecked"
    FAILED = "failed"
    GIVEN_UP = "given_up"


class Word(StrEnum):
    """What a keeper says of one that goes on."""

    SET = "set"
    RESTORED = "restored"
    CANCEL = "cancel"


class RefusedError(Exception):
    """It cannot be done; the text is a sentence for who asked."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What the BMS showed and what watchd knew, in %."""

    shown_pct: float | None
    own_pct: float | None
    error_pct: float | None
    sigma_pct: float | None

    @classmethod
    def of(cls, figures: Figures) -> Reading:
        """As the figures have it."""
        names = ("soc_pct", "soc_estimate_pct", "soc_error_pct", "soc_estimate_sigma_pct")
        return cls(*(known(figures, name) for name in names))


@dataclass(frozen=True, slots=True)
class Procedure:
    """One from its beginning on. `plan` belongs to a threshold, `full_v` to a full-charge setting,
    `asked_h` to an absorption.
    """

    pack: str
    way: Way
    step: Step
    begun_at: float
    since: float
    before: Reading
    charge_voltage_v: float
    plan: Plan | None = None
    full_v: float | None = None
    full_before_v: float | None = None
    asked_h: float | None = None
    carrying: str = ""
    holding: str = ""
    by: str = ""
    set_v: float | None = None
    set_at: float | None = None
    seen_set: bool = False  # the bridge reported the temporary setting
    trips: int = 0
    trip_stands: bool = False
    tripped_at: float | None = None
    because: Because | None = None
    anchored_at: float | None = None
    after: Reading | None = None
    restored_at: float | None = None
    good_at: float | None = None  # when its telemetry was last good
    full: bool = False
    highest_pct: float | None = None  # shown while it was full
    away: bool = False
    mark: float | None = None  # full_count when the next full charge was first waited for
    outcome: Outcome | None = None

    @property
    def may_be_in_place(self) -> bool:
        """Whether a temporary threshold is or may be in place."""
        return self.plan is not None and self.step not in (Step.CHECKING, Step.ENDED)

    @property
    def trip_wanted(self) -> bool:
        """Whether a temporary threshold is in place and its trip is awaited."""
        return self.plan is not None and self.step is Step.APPROACHING

    @property
    def occupies_bank(self) -> bool:
        """Whether no other pack of the bank may begin."""
        return self.step not in (Step.CHECKING, Step.ENDED)


def reported(figures: Figures, name: str) -> float | None:
    """A setting that the bridge reports, if the pack is not silent."""
    if figures.get("telemetry_quality") == "stale":
        return None
    return known(figures, f"setting_{name}")


def is_as_before(procedure: Procedure, figures: Figures) -> bool | None:
    """Whether the bridge reports the settings as they were before; None where it does not tell."""
    plan = procedure.plan
    volts = reported(figures, "overvoltage_v")
    if plan is None or volts is None:
        return None
    if abs(volts - plan.restore_v) > SAME_V:
        return False
    if plan.restore_recovery_v is None:
        return True
    recovery_v = reported(figures, "overvoltage_recovery_v")
    return None if recovery_v is None else abs(recovery_v - plan.restore_recovery_v) <= SAME_V


def differs(procedure: Procedure, figures: Figures) -> bool:
    """Whether the bridge reports another over-voltage threshold than before."""
    volts, plan = reported(figures, "overvoltage_v"), procedure.plan
    return volts is not None and plan is not None and abs(volts - plan.restore_v) > SAME_V


def is_sound(plan: Plan, volts: float) -> bool:
    """Whether a threshold that was set will do for the plan."""
    near = plan.threshold_v - NEAR_V <= volts <= plan.most_v + SAME_V
    return near and volts > plan.least_v
