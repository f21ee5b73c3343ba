"""What a keeper reads at each step: what to do now, why, what watchd waits for, what comes next.

They follow from the procedure alone, so that a restart says the same.
"""

from __future__ import annotations

from dataclasses import dataclass

from watchd.advice.reanchoring import CAUTION
from watchd.advice.reanchoring.record import Record
from watchd.advice.reanchoring.states import Because, Outcome, Procedure, Step, Way
from watchd.advice.reanchoring.threshold import Plan
from watchd.durations import show_duration
from watchd.rules.rule import Priority

CHECK_TEXT = "At the next full charge watchd looks whether it held, and then closes the record."


@dataclass(frozen=True, slots=True)
class StepText:
    """One step in sentences. `caution` is empty where no setting is to be changed.

    `brief` goes before `do` where there is room for little: on a phone.
    """

    brief: str
    do: str
    why: str
    waits_for: str
    next: str
    caution: str = ""


def text_of(procedure: Procedure) -> StepText:
    """What to say of a procedure as it is."""
    if procedure.step is Step.CHECKING:
        return _checking(procedure)
    if procedure.step is Step.ENDED:
        return _ended(procedure)
    plan = procedure.plan
    if plan is None:
        return _set_full(procedure) if procedure.step is Step.WAITING else _charging(procedure)
    return {
        Step.WAITING: _set_threshold,
        Step.APPROACHING: _approaching,
        Step.TRIPPED: _tripped,
        Step.PUT_BACK: _put_back,
    }[procedure.step](procedure, plan)


def priority_of(procedure: Procedure) -> Priority:
    """How urgent the step is for a person."""
    if procedure.step is Step.PUT_BACK:
        return Priority.HIGH
    return Priority.MEDIUM if procedure.may_be_in_place else Priority.LOW


def title_of(procedure: Procedure) -> str:
    """Pack and step, in a few words."""
    words = {
        Step.WAITING: "set it now",
        Step.APPROACHING: "on the way to full",
        Step.TRIPPED: "tripped",
        Step.PUT_BACK: "put the threshold back",
        Step.CHECKING: "anchored, to be checked",
        Step.ENDED: "ended",
    }
    return f"{procedure.pack}: re-anchoring, {words[procedure.step]}"


def consequence_of(procedure: Procedure) -> str:
    """What happens if nobody does anything."""
    if procedure.may_be_in_place:
        return (
            "While the threshold is lowered the pack disconnects at every full charge, and the "
            "other packs take its current."
        )
    return "The state of charge of the BMS stays as it is."


def _before(procedure: Procedure) -> str:
    before = procedure.before
    if before.shown_pct is None or before.own_pct is None:
        return "The BMS's state of charge is off."
    return f"The BMS showed {before.shown_pct:.1f} % where {before.own_pct:.1f} % was right."


def restoring(procedure: Procedure, plan: Plan) -> str:
    """What is to be put back, with its values, in its order."""
    put = f"put the over-voltage threshold of {procedure.pack} back to {plan.restore_v:.3f} V"
    if plan.restore_recovery_v is None:
        return put
    return f"{put} first, then its recovery back to {plan.restore_recovery_v:.3f} V"


def _set_threshold(procedure: Procedure, plan: Plan) -> StepText:
    pack = procedure.pack
    threshold = (
        f"the over-voltage threshold to {plan.threshold_v:.3f} V (it is {plan.restore_v:.3f} V)"
    )
    if plan.recovery_v is None:
        do = f"In the BMS of {pack}, set {threshold}."
    else:
        do = (
            f"In the BMS of {pack}, first set the over-voltage recovery to {plan.recovery_v:.3f} V "
            f"(it is {plan.restore_recovery_v:.3f} V), then {threshold}."
        )
    return StepText(
        brief="To be set now, for one charge.",
        do=f"{do} Do it on a day when the pack comes to full and somebody is there. Then say: "
        f"watchd reanchor {pack} set",
        why=f"{_before(procedure)} Its highest cell comes to that threshold near full, the pack "
        "trips and disconnects, and by the trip the BMS sets itself to 100 %. "
        f"{procedure.carrying} "
        f"{procedure.holding}",
        waits_for="The new setting, reported by the BMS or said by you, for at most 6 h.",
        next=f"It watches the charge, and tells you when to put back {plan.restore_v:.3f} V.",
        caution=CAUTION,
    )


def _set_full(procedure: Procedure) -> StepText:
    pack = procedure.pack
    asked_v, today_v = procedure.full_v or 0.0, procedure.full_before_v
    before = f" (it is {today_v:.3f} V)" if today_v is not None else ""
    return StepText(
        brief="To be set now, for good.",
        do=f"In the BMS of {pack}, set the full-charge setting to {asked_v:.3f} V a cell"
        f"{before}, and bms: full_v in the config likewise. Then say: watchd reanchor {pack} set",
        why=f"{_before(procedure)} At the charge voltage its cells do not come to today's setting; "
        "to this one they do. It can stay so.",
        waits_for="The new setting, reported by the BMS or said by you, for at most 14 d.",
        next="It watches the next full charge, and tells you whether the BMS has set itself.",
        caution=CAUTION,
    )


def _approaching(procedure: Procedure, plan: Plan) -> StepText:
    set_v = procedure.set_v or plan.threshold_v
    return StepText(
        brief=f"Its over-voltage threshold is at {set_v:.3f} V; when a cell comes there it "
        "disconnects.",
        do=f"Let {procedure.pack} charge to the full charge voltage as on other days, and stay "
        "within reach.",
        why=f"Its over-voltage threshold is at {set_v:.3f} V for this charge. When its highest "
        f"cell comes there it trips and disconnects. {procedure.carrying} {procedure.holding}",
        waits_for="The trip, or 99 % shown by the BMS, for at most 24 h.",
        next=f"It tells you when to put the threshold back to {plan.restore_v:.3f} V.",
        caution=CAUTION,
    )


def _charging(procedure: Procedure) -> StepText:
    if procedure.way is Way.ABSORPTION:
        hours = f"{procedure.asked_h:g} h"
        do = (
            f"Let the charger hold {procedure.charge_voltage_v:.1f} V for {hours} at the next "
            "charge, and set its absorption time for that."
        )
        why = (
            f"{_before(procedure)} Some BMSs set themselves to 100 % at the charge voltage once "
            "the current has stayed low for long enough."
        )
        waits = f"99 % shown by the BMS, or a full charge with {hours} of absorption; 14 d at most."
    else:
        do = f"Let {procedure.pack} charge full as on other days."
        why = f"{_before(procedure)} Its full-charge setting is low enough now."
        waits = "99 % shown by the BMS, or the end of a full charge, for at most 14 d."
    return StepText(
        brief="Begun.",
        do=do,
        why=why,
        waits_for=waits,
        next="It tells you whether the BMS has set itself, and what is left to try if not.",
    )


def _tripped(procedure: Procedure, plan: Plan) -> StepText:
    return StepText(
        brief=f"{procedure.pack} has tripped at over-voltage, as was wanted.",
        do="Leave the settings as they are for some minutes, and stay near.",
        why=f"{procedure.pack} has tripped at over-voltage, as was wanted, and is disconnected. "
        f"Its BMS should now show 100 %. {procedure.holding}",
        waits_for="99 % or more shown by the BMS, for at most 30 min.",
        next=f"It tells you to put the threshold back to {plan.restore_v:.3f} V.",
        caution=CAUTION,
    )


_REASONS = {
    Because.ANCHORED: "",
    Because.NO_WORD: "Nobody has said for 6 h whether the temporary threshold was set; it may be "
    "in place.",
    Because.NO_TRIP: "In 24 h it has not tripped, and nobody should leave a lowered threshold.",
    Because.NOT_ANCHORED: "It has tripped, and for 30 min its BMS did not show 99 %: the trip "
    "does not set it.",
    Because.OTHER_TRIP: "A protection other than over-voltage has tripped; its cause comes first.",
    Because.TRIPS: "It trips again and again.",
    Because.OTHER_VALUE: "What was set is not what was asked for, and not near enough to it.",
    Because.COLD: "The pack has become too cold to be charged to the top.",
    Because.SILENT: "For 1 h its telemetry was not good: watchd cannot watch it.",
    Because.CANCELLED: "It was cancelled, and the temporary threshold may be in place.",
}


def _put_back(procedure: Procedure, plan: Plan) -> StepText:
    reason = _REASONS[procedure.because] if procedure.because is not None else ""
    if procedure.because is Because.OTHER_VALUE and procedure.set_v is not None:
        reason = (
            f"{procedure.set_v:.3f} V was set, and {plan.threshold_v:.3f} V was asked "
            "for: that does not do."
        )
    if procedure.trips > 1:
        reason = (
            f"It has tripped {procedure.trips} times by now, and will again at each full charge."
        )
    if procedure.anchored_at is not None:
        after = procedure.after.shown_pct if procedure.after is not None else None
        shown = f" and shows {after:.1f} %" if after is not None else ""
        reason = f"The BMS of {procedure.pack} has set itself{shown}. {reason}".rstrip()
    then = CHECK_TEXT if procedure.anchored_at is not None else "It closes the record."
    pack = procedure.pack
    say = f"say: watchd reanchor {pack} restored"
    if procedure.set_at is not None:
        do = f"P{restoring(procedure, plan)[1:]}. Then {say}"
    else:
        do = f"If it was set, {restoring(procedure, plan)}. Then, or if it was not set, {say}"
    return StepText(
        brief=reason,
        do=do,
        why=reason,
        waits_for="The old setting, reported by the BMS or said by you. The alarm stands until "
        "then, without end.",
        next=then,
        caution=CAUTION,
    )


def _checking(procedure: Procedure) -> StepText:
    shown = procedure.after.shown_pct if procedure.after is not None else None
    shows = f" and showed {shown:.1f} %" if shown is not None else ""
    back = (
        f" The threshold is back at {procedure.plan.restore_v:.3f} V."
        if procedure.plan is not None and procedure.restored_at is not None
        else ""
    )
    return StepText(
        brief=f"The BMS of {procedure.pack} has set itself{shows}.{back}",
        do="Nothing is to be done.",
        why=f"The BMS of {procedure.pack} has set itself{shows}.{back}",
        waits_for="The next full charge, for at most 45 d.",
        next="It looks whether the BMS then still shows 97 % or more, and closes the record.",
    )


def _ended(procedure: Procedure) -> StepText:
    return StepText(
        brief=record_text(Record.of(procedure)),
        do=f"Nothing is to be done. `watchd reanchor {procedure.pack}` says what is open.",
        why=record_text(Record.of(procedure)),
        waits_for="Nothing.",
        next="Nothing, until you begin again.",
    )


_WAYS = {
    Way.ABSORPTION: "a longer absorption",
    Way.FULL_SETTING: "the full-charge setting",
    Way.THRESHOLD: "a temporary over-voltage threshold",
}


def way_text(way: Way) -> str:
    """A way, in words."""
    return _WAYS[way]


def record_text(record: Record) -> str:
    """A record in sentences."""
    shown, own = record.before.shown_pct, record.before.own_pct
    parts = [f"{record.pack}, by {_WAYS[record.way]}."]
    if shown is not None and own is not None:
        parts.append(f"Before: {shown:.1f} % shown, {own:.1f} % by watchd's count.")
    if record.after is not None and record.after.shown_pct is not None:
        parts.append(f"After: {record.after.shown_pct:.1f} % shown.")
    if record.anchored_after_s is not None:
        parts.append(f"It took {show_duration(round(record.anchored_after_s))}.")
    if record.set_v is not None and record.in_place_s is not None:
        lasted = show_duration(round(record.in_place_s))
        parts.append(
            f"The threshold was at {record.set_v:.3f} V for {lasted}, and is back at "
            f"{record.restored_v:.3f} V."
        )
    parts.append(_outcome(record))
    return " ".join(parts)


def _outcome(record: Record) -> str:
    checked = f"{record.checked_pct:.1f} %" if record.checked_pct is not None else "full"
    return {
        Outcome.HELD: f"It held: {checked} shown at the next full charge.",
        Outcome.LOST: f"It did not hold: only {checked} shown at the next full charge.",
        Outcome.UNCHECKED: "Whether it held was not seen.",
        Outcome.FAILED: "The BMS did not set itself.",
        Outcome.GIVEN_UP: "It was given up before its end.",
    }[record.outcome]
