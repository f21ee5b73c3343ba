"""How a re-anchoring goes on by itself: from its beginning to its record, step by step.

    way           steps
    absorption    approaching -> checking -> ended
    full_setting  waiting_for_setting -> approaching -> checking -> ended
    threshold     waiting_for_setting -> approaching -> tripped -> put_back -> checking -> ended

`advance` takes it along with the figures of its pack; what the keeper says is in `words`. From the
moment that a temporary threshold may be in place (as soon as the keeper was told its value) nothing
but seeing or hearing that the settings are back as they were leads out: whatever else happens leads
to `put_back`, and `put_back` has no limit. Limits of time are ours, no source.
"""

from __future__ import annotations

from dataclasses import replace

from watchd.advice.reanchoring.states import (
    Because,
    Outcome,
    Procedure,
    Reading,
    Step,
    Way,
    differs,
    is_as_before,
    is_sound,
    reported,
)
from watchd.advice.reanchoring.threshold import SAME_V, Plan
from watchd.advice.reanchoring.values import known
from watchd.figures import Figures

HOUR_S, DAY_S = 3600.0, 86400.0
SET_WITHIN_S = 6 * HOUR_S
TRIP_WITHIN_S = 24 * HOUR_S
ANCHOR_WITHIN_S = HOUR_S / 2
SILENT_S = HOUR_S
FULL_WITHIN_S = 14 * DAY_S
CHECK_WITHIN_S = 45 * DAY_S
FULL_PCT = 99.0  # from here on the BMS shows full
HELD_PCT = 97.0  # at the next full charge: as far off as what is worth a re-anchoring
AWAY_PCT = 95.0  # the charge in which it was anchored is over
ABSORBED = 0.9  # of the absorption asked for
COLD_BY_DEGC = 3.0


def advance(procedure: Procedure, figures: Figures, at: float) -> Procedure:
    """The procedure as of `at`, with the figures of its pack."""
    if procedure.step is Step.ENDED:
        return procedure
    noted = _noted(procedure, figures, at)
    if noted.step is Step.CHECKING:
        return _check(noted, figures, at)
    if noted.plan is not None:
        return _threshold(noted, noted.plan, figures, at)
    return _mild(noted, figures, at)


def _noted(procedure: Procedure, figures: Figures, at: float) -> Procedure:
    """What is kept of each look: trips, the moment it was anchored, the last good telemetry."""
    found = procedure
    if figures.get("telemetry_quality") == "good" or found.good_at is None:
        found = replace(found, good_at=at)
    protection = figures.get("protection")
    if isinstance(protection, tuple):
        stands = "OVER_VOLT" in protection
        trips = found.trips + (stands and not found.trip_stands)
        if (trips, stands) != (found.trips, found.trip_stands):
            first_at = at if trips and found.tripped_at is None else found.tripped_at
            found = replace(found, trips=trips, trip_stands=stands, tripped_at=first_at)
    shown = known(figures, "soc_pct")
    if found.anchored_at is None and shown is not None and shown >= FULL_PCT:
        found = replace(found, anchored_at=at, after=Reading.of(figures))
    return found


def _threshold(procedure: Procedure, plan: Plan, figures: Figures, at: float) -> Procedure:
    as_before = is_as_before(procedure, figures)
    if as_before is True and procedure.seen_set:
        return restored(procedure, at)
    if procedure.step is Step.WAITING:
        procedure = _seen_set(procedure, plan, figures, at)
    elif not procedure.seen_set and differs(procedure, figures):
        procedure = replace(procedure, seen_set=True)
    if procedure.step is Step.PUT_BACK:
        return _putting_back(procedure)
    if procedure.trips == 1 and procedure.step is Step.APPROACHING:
        return moved(procedure, Step.TRIPPED, at)
    because = _reason_to_end(procedure, figures, at)
    if because is not None:
        # Not set at all, and that is seen: nothing is to be put back.
        if procedure.step is Step.WAITING and as_before is True:
            return ended(replace(procedure, because=because), at)
        return moved(procedure, Step.PUT_BACK, at, because=because)
    if procedure.trips and procedure.step is Step.WAITING:
        # Set without a word, it seems.
        return moved(procedure, Step.TRIPPED, at, set_at=at)
    return procedure


def _seen_set(procedure: Procedure, plan: Plan, figures: Figures, at: float) -> Procedure:
    volts = reported(figures, "overvoltage_v")
    if volts is None or not differs(procedure, figures):
        return procedure
    seen = replace(procedure, seen_set=True, set_v=volts, set_at=at)
    if not is_sound(plan, volts):
        return moved(seen, Step.PUT_BACK, at, because=Because.OTHER_VALUE)
    return moved(seen, Step.APPROACHING, at)


def _reason_to_end(procedure: Procedure, figures: Figures, at: float) -> Because | None:
    """Why the threshold has to go back now."""
    lasted_s = at - procedure.since
    if procedure.anchored_at is not None:
        return Because.ANCHORED
    if procedure.trips > 1:
        return Because.TRIPS
    if procedure.trips and procedure.step is Step.WAITING and is_as_before(procedure, figures):
        return Because.OTHER_TRIP  # by the threshold as it always was
    if figures.get("protection_trip") is True and not procedure.trip_stands:
        return Because.OTHER_TRIP
    if procedure.good_at is not None and at - procedure.good_at >= SILENT_S:
        return Because.SILENT
    cold, low = known(figures, "temperature_min_degc"), known(figures, "charge_min_degc")
    if cold is not None and low is not None and cold < low + COLD_BY_DEGC:
        return Because.COLD
    limits = {
        Step.WAITING: (SET_WITHIN_S, Because.NO_WORD),
        Step.APPROACHING: (TRIP_WITHIN_S, Because.NO_TRIP),
        Step.TRIPPED: (ANCHOR_WITHIN_S, Because.NOT_ANCHORED),
    }
    limit_s, because = limits[procedure.step]
    return because if lasted_s >= limit_s else None


def _putting_back(procedure: Procedure) -> Procedure:
    """It waits. Anchored late, it is anchored all the same; trips that go on are said."""
    if procedure.trips > 1 and procedure.because is not Because.TRIPS:
        return replace(procedure, because=Because.TRIPS)
    return procedure


def restored(procedure: Procedure, at: float) -> Procedure:
    """The settings are back as they were."""
    return ended(replace(procedure, restored_at=at), at)


def _mild(procedure: Procedure, figures: Figures, at: float) -> Procedure:
    """An absorption or a full-charge setting: nothing to put back, and a full charge decides."""
    if procedure.anchored_at is not None:
        return moved(procedure, Step.CHECKING, at)
    if procedure.step is Step.WAITING:
        found = _full_setting_seen(procedure, figures, at)
    else:
        found = _full_charge(procedure, figures)
        if found.mark is None:
            found = replace(found, mark=known(figures, "full_count"))
        if procedure.full and not found.full and _was_enough(found, figures):
            return moved(found, Step.ENDED, at, outcome=Outcome.FAILED)
    if at - found.since >= FULL_WITHIN_S:
        return moved(found, Step.ENDED, at, outcome=Outcome.GIVEN_UP)
    return found


def _full_setting_seen(procedure: Procedure, figures: Figures, at: float) -> Procedure:
    volts, asked_v = reported(figures, "full_v"), procedure.full_v
    if volts is None or asked_v is None or volts > asked_v + SAME_V:
        return procedure
    return moved(procedure, Step.APPROACHING, at, seen_set=True, set_v=volts, set_at=at)


def _full_charge(procedure: Procedure, figures: Figures) -> Procedure:
    """Follow a full charge: whether it goes on, and the highest SoC shown in it."""
    state, shown = figures.get("charge_state"), known(figures, "soc_pct")
    if state is None:
        return procedure
    full = state == "FULL"
    highest = procedure.highest_pct if procedure.full else None
    if full and shown is not None:
        highest = max(shown, highest or 0.0)
    if (full, highest) == (procedure.full, procedure.highest_pct):
        return procedure
    return replace(procedure, full=full, highest_pct=highest)


def _was_enough(procedure: Procedure, figures: Figures) -> bool:
    """Whether the full charge that ended was what was asked for."""
    if procedure.way is Way.FULL_SETTING:
        count = known(figures, "full_count")
        return count is not None and procedure.mark is not None and count > procedure.mark
    lasted_h, asked_h = known(figures, "absorption_h"), procedure.asked_h
    return lasted_h is not None and asked_h is not None and lasted_h >= ABSORBED * asked_h


def _check(procedure: Procedure, figures: Figures, at: float) -> Procedure:
    """Wait for the next full charge, and look whether the BMS then still shows full."""
    if at - procedure.since >= CHECK_WITHIN_S:
        return moved(procedure, Step.ENDED, at, outcome=Outcome.UNCHECKED)
    count = known(figures, "full_count")
    if not procedure.away:
        spent = [known(figures, "soc_pct"), known(figures, "soc_estimate_pct")]
        if not any(pct is not None and pct < AWAY_PCT for pct in spent):
            return procedure
        return replace(procedure, away=True, mark=count, full=False, highest_pct=None)
    if count is None or procedure.mark is None or count <= procedure.mark:
        return procedure
    followed = _full_charge(procedure, figures)
    if followed.highest_pct is not None and followed.highest_pct >= HELD_PCT:
        return moved(followed, Step.ENDED, at, outcome=Outcome.HELD)
    if procedure.full and not followed.full:
        held = replace(followed, highest_pct=procedure.highest_pct)
        return moved(held, Step.ENDED, at, outcome=Outcome.LOST)
    return followed


def moved(procedure: Procedure, step: Step, at: float, **changes: object) -> Procedure:
    """In another step, from now on."""
    return replace(procedure, step=step, since=at, **changes)  # type: ignore[arg-type]


def ended(procedure: Procedure, at: float) -> Procedure:
    """Nothing is in place any more. Anchored, it is checked; else it has failed if it was tried."""
    if procedure.anchored_at is not None:
        return moved(procedure, Step.CHECKING, at)
    failed = procedure.tripped_at is not None or procedure.because is Because.NO_TRIP
    return moved(procedure, Step.ENDED, at, outcome=Outcome.FAILED if failed else Outcome.GIVEN_UP)
