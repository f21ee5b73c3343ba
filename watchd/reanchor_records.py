"""What is published and answered of a re-anchoring: its step, its record, its annunciation."""

from __future__ import annotations

from watchd.advice.reanchoring import CAUTION
from watchd.advice.reanchoring.assessment import Offer
from watchd.advice.reanchoring.record import Record
from watchd.advice.reanchoring.states import Procedure, Reading, Step
from watchd.advice.reanchoring.texts import (
    consequence_of,
    priority_of,
    record_text,
    text_of,
    title_of,
)
from watchd.alarms.said import LONGEST_TITLE, cut
from watchd.messages import (
    ReanchorReading,
    ReanchorRecord,
    ReanchorStep,
    ReanchorWay,
    StepAnnunciation,
)
from watchd.publish import rfc3339


def step_record(procedure: Procedure, step_s: float = 0.0) -> ReanchorStep:
    """The retained record of a re-anchoring. `step_s`: shown minus kept time."""
    text, plan = text_of(procedure), procedure.plan
    found: ReanchorStep = {
        "pack": procedure.pack,
        "way": procedure.way,
        "step": procedure.step,
        "begun": rfc3339(procedure.begun_at + step_s),
        "since": rfc3339(procedure.since + step_s),
        "do": text.do,
        "why": text.why,
        "waits_for": text.waits_for,
        "next": text.next,
    }
    if text.caution:
        found["caution"] = text.caution
    if plan is not None and procedure.may_be_in_place:
        found["temporary_v"] = procedure.set_v or plan.threshold_v
        found["restore_v"] = plan.restore_v
        if plan.recovery_v is not None and plan.restore_recovery_v is not None:
            found["temporary_recovery_v"] = plan.recovery_v
            found["restore_recovery_v"] = plan.restore_recovery_v
    if procedure.step is Step.ENDED:
        found["record"] = ended_record(Record.of(procedure), step_s)
    return found


def step_annunciation(procedure: Procedure, at: float, step_s: float = 0.0) -> StepAnnunciation:
    """What a phone should show of a step."""
    text = text_of(procedure)
    said = f"{text.brief} {text.do}"
    if text.caution:
        said = f"{said.removesuffix('.')}. {text.caution}"
    found: StepAnnunciation = {
        "at": rfc3339(at + step_s),
        "title": cut(title_of(procedure), LONGEST_TITLE),
        "text": said,
        "message": "\n".join(line for line in (text.brief, text.do, text.caution) if line),
        "priority": priority_of(procedure),
        "reanchor": procedure.pack,
        "step": procedure.step,
        "consequence": consequence_of(procedure),
        "response": text.do,
    }
    if text.caution:
        found["caution"] = text.caution
    return found


def ended_record(record: Record, step_s: float = 0.0) -> ReanchorRecord:
    """One that has ended."""
    return {
        "way": record.way,
        "outcome": record.outcome,
        "begun": rfc3339(record.begun_at + step_s),
        "ended": rfc3339(record.ended_at + step_s),
        "before": _reading(record.before),
        "after": _reading(record.after) if record.after is not None else None,
        "checked_pct": _tidy(record.checked_pct),
        "set_v": record.set_v,
        "restored_v": record.restored_v,
        "anchored_after_s": _tidy(record.anchored_after_s),
        "in_place_s": _tidy(record.in_place_s),
        "trips": record.trips,
        "text": record_text(record),
    }


def way_offered(offer: Offer) -> ReanchorWay:
    """A way, and why it is passed over if it is."""
    found: ReanchorWay = {
        "way": offer.way,
        "open": offer.open,
        "text": offer.text,
        "reasons": list(offer.reasons),
    }
    if offer.way != "absorption":
        found["caution"] = CAUTION
    return found


def _reading(reading: Reading) -> ReanchorReading:
    return {
        "shown_pct": _tidy(reading.shown_pct),
        "own_pct": _tidy(reading.own_pct),
        "error_pct": _tidy(reading.error_pct),
        "sigma_pct": _tidy(reading.sigma_pct),
    }


def _tidy(value: float | None) -> float | None:
    return round(value, 3) if value is not None else None
