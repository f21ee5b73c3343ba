"""What stays of a re-anchoring that has ended: before, after, the way, how long, if it held."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from watchd.advice.reanchoring.states import Because, Outcome, Procedure, Reading, Step, Way
from watchd.advice.reanchoring.threshold import Plan

MOST_KEPT = 10  # of a pack


@dataclass(frozen=True, slots=True)
class Record:
    """Times are Unix seconds in kept time, durations seconds, volts those of a cell."""

    pack: str
    way: Way
    outcome: Outcome
    begun_at: float
    ended_at: float
    charge_voltage_v: float
    before: Reading
    after: Reading | None  # when the BMS set itself
    checked_pct: float | None  # what the BMS showed at the next full charge
    set_v: float | None
    restored_v: float | None
    asked_h: float | None
    anchored_after_s: float | None  # from when it was set, or begun
    in_place_s: float | None  # how long the threshold was, or may have been, a temporary one
    trips: int
    because: Because | None  # the threshold was put back

    @classmethod
    def of(cls, procedure: Procedure) -> Record:
        """Of a procedure that has ended. Raises ValueError for another."""
        if procedure.outcome is None:
            raise ValueError("it goes on")
        plan, set_at = procedure.plan, procedure.set_at
        begun_at = set_at if set_at is not None else procedure.begun_at
        anchored_at, restored_at = procedure.anchored_at, procedure.restored_at
        return cls(
            pack=procedure.pack,
            way=procedure.way,
            outcome=procedure.outcome,
            begun_at=procedure.begun_at,
            ended_at=procedure.since,
            charge_voltage_v=procedure.charge_voltage_v,
            before=procedure.before,
            after=procedure.after,
            checked_pct=procedure.highest_pct if procedure.away else None,
            set_v=procedure.set_v,
            restored_v=plan.restore_v if plan is not None and restored_at is not None else None,
            asked_h=procedure.asked_h,
            anchored_after_s=max(0.0, anchored_at - begun_at) if anchored_at is not None else None,
            in_place_s=restored_at - begun_at if restored_at is not None else None,
            trips=procedure.trips,
            because=procedure.because,
        )


def last_of(records: tuple[Record, ...], way: Way, charge_voltage_v: float) -> Record | None:
    """The last that was made this way at this charge voltage."""
    found = [r for r in records if r.way is way and r.charge_voltage_v == charge_voltage_v]
    return found[-1] if found else None


def saved_procedure(data: Mapping[str, Any]) -> Procedure:
    """A procedure from plain data, as `plain` gives it."""
    plan = data["plan"]
    words = {"step": Step(data["step"]), "plan": Plan(**plan) if plan is not None else None}
    return Procedure(**{**data, **_common(data), **words})


def saved_record(data: Mapping[str, Any]) -> Record:
    """A record from plain data, as `plain` gives it."""
    return Record(**{**data, **_common(data)})


def _common(data: Mapping[str, Any]) -> dict[str, Any]:
    after, because, outcome = data["after"], data["because"], data["outcome"]
    return {
        "way": Way(data["way"]),
        "before": Reading(**data["before"]),
        "after": Reading(**after) if after is not None else None,
        "because": Because(because) if because is not None else None,
        "outcome": Outcome(outcome) if outcome is not None else None,
    }


def plain(item: Procedure | Record) -> dict[str, Any]:
    """Of JSON's kinds."""
    data = asdict(item)
    return {key: str(value) if isinstance(value, StrEnum) else value for key, value in data.items()}
