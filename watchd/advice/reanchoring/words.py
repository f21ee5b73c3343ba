"""What the keeper says of a re-anchoring that goes on: set, restored, cancel."""

from __future__ import annotations

from dataclasses import replace

from watchd.advice.reanchoring.procedure import ended, moved, restored
from watchd.advice.reanchoring.states import (
    Because,
    Outcome,
    Procedure,
    RefusedError,
    Step,
    Word,
    is_as_before,
    is_sound,
    reported,
)
from watchd.advice.reanchoring.threshold import SAME_V
from watchd.figures import Figures


def say(
    procedure: Procedure,
    word: Word,
    figures: Figures,
    at: float,
    *,
    value_v: float | None = None,
    sure: bool = False,
) -> Procedure:
    """The procedure after the keeper's word. Raises RefusedError.

    `value_v` is what was set; `sure` holds against what the bridge reports.
    """
    match word:
        case Word.SET:
            return _say_set(procedure, at, value_v)
        case Word.RESTORED:
            return _say_restored(procedure, figures, at, sure=sure)
        case Word.CANCEL:
            return _say_cancel(procedure, figures, at)


def _say_set(procedure: Procedure, at: float, value_v: float | None) -> Procedure:
    if procedure.step is not Step.WAITING:
        raise RefusedError(f"nothing waits to be set: {procedure.pack} is in step {procedure.step}")
    plan = procedure.plan
    if plan is None:
        asked_v = procedure.full_v
        return moved(procedure, Step.APPROACHING, at, set_v=value_v or asked_v, set_at=at)
    volts = value_v if value_v is not None else plan.threshold_v
    # Said to be set, it may be in place: a value that must not be leads to putting it back.
    said = replace(procedure, set_v=volts, set_at=at)
    if not is_sound(plan, volts):
        return moved(said, Step.PUT_BACK, at, because=Because.OTHER_VALUE)
    return moved(said, Step.APPROACHING, at)


def _say_restored(procedure: Procedure, figures: Figures, at: float, *, sure: bool) -> Procedure:
    plan = procedure.plan
    if plan is None or not procedure.may_be_in_place:
        raise RefusedError(f"nothing of {procedure.pack} waits to be put back")
    if is_as_before(procedure, figures) is False and not sure:
        raise RefusedError(
            f"the BMS of {procedure.pack} still reports {_reported_text(procedure, figures)}. Put "
            "that back, and watchd sees it by itself; say it again with --yes if you have looked "
            "at the BMS and the report is wrong"
        )
    return restored(procedure, at)


def _reported_text(procedure: Procedure, figures: Figures) -> str:
    plan = procedure.plan
    parts = []
    for name, words, before_v in (
        ("overvoltage_v", "an over-voltage threshold of", plan.restore_v if plan else None),
        (
            "overvoltage_recovery_v",
            "a recovery of",
            plan.restore_recovery_v if plan else None,
        ),
    ):
        volts = reported(figures, name)
        if volts is not None and before_v is not None and abs(volts - before_v) > SAME_V:
            parts.append(f"{words} {volts:.3f} V, and it was {before_v:.3f} V")
    return "; ".join(parts)


def _say_cancel(procedure: Procedure, figures: Figures, at: float) -> Procedure:
    if procedure.step is Step.PUT_BACK:
        raise RefusedError(
            "it cannot be left now: put the threshold back first, then say 'restored'"
        )
    if procedure.step is Step.CHECKING:
        return moved(procedure, Step.ENDED, at, outcome=Outcome.UNCHECKED)
    if procedure.may_be_in_place:
        never_set = procedure.step is Step.WAITING and is_as_before(procedure, figures) is True
        if not never_set:
            return moved(procedure, Step.PUT_BACK, at, because=Because.CANCELLED)
    return ended(procedure, at)
