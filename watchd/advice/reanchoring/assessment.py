"""Whether a BMS's state of charge is to be re-anchored, and by which ways; the mildest first.

Needed: the BMS shows less than watchd's own count by `LEAST_PCT` and by more than `SIGMAS` standard
errors of it. A BMS that shows too much comes right by itself at the next full charge, for it shows
100 % there and can show no more. Ours, no source.

A way is passed over, with the reason, where it was tried at this charge voltage and failed, where
the BMS's past excludes it, or where it would not be safe now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

from watchd.advice.reanchoring.carrying import Carrying
from watchd.advice.reanchoring.record import Record, last_of
from watchd.advice.reanchoring.states import Outcome, Way
from watchd.advice.reanchoring.threshold import SAME_V, STEP_V, Plan, plan
from watchd.advice.reanchoring.values import known
from watchd.config import Pack
from watchd.figures import Figures

LEAST_PCT = 3.0
SIGMAS = 2.0
SHORTEST_H, LONGEST_H = 1.0, 6.0  # of an absorption that is asked for
EXCLUDED_H = 2.0  # so long an absorption, missed often enough, excludes a longer one
BELOW_CELLS_V = 0.005
ABOVE_KNEE_V = 0.010


@dataclass(frozen=True, slots=True)
class Offer:
    """One way: what it is, whether it is open, and why not."""

    way: Way
    text: str
    reasons: tuple[str, ...] = ()
    plan: Plan | None = None
    full_v: float | None = None
    full_before_v: float | None = None
    asked_h: float | None = None
    carrying: str = ""
    holding: str = ""

    @property
    def open(self) -> bool:
        """Whether it can be begun."""
        return not self.reasons


@dataclass(frozen=True, slots=True)
class Assessment:
    """`needed` is None where it cannot be said."""

    needed: bool | None
    sentences: tuple[str, ...]
    offers: tuple[Offer, ...]

    def offer(self, way: Way) -> Offer:
        """What it says of a way."""
        return next(offer for offer in self.offers if offer.way is way)

    def mildest(self) -> Offer | None:
        """The mildest way that is open."""
        return next((offer for offer in self.offers if offer.open), None)


def assess(
    pack: Pack,
    figures: Figures,
    records: Sequence[Record],
    carrying: Carrying,
    knee_v: float,
) -> Assessment:
    """What is to be said of a pack that is in the middle of nothing."""
    needed, why = _needed(figures)
    charge_v = known(figures, "charge_voltage_v") or 0.0
    tried = {way: last_of(tuple(records), way, charge_v) for way in Way}
    offers = (
        _absorption(figures, tried[Way.ABSORPTION]),
        _full_setting(pack, figures, tried[Way.FULL_SETTING], knee_v),
        _threshold(pack, figures, tried[Way.THRESHOLD], carrying, knee_v),
    )
    return Assessment(needed, (why, habit(figures)), offers)


def _needed(figures: Figures) -> tuple[bool | None, str]:
    shown, own = known(figures, "soc_pct"), known(figures, "soc_estimate_pct")
    sigma = known(figures, "soc_estimate_sigma_pct")
    if shown is None:
        return None, "The state of charge of the BMS is not known now."
    if own is None or sigma is None:
        return None, (
            f"The BMS shows {shown:.1f} %. watchd has no count of its own to hold against it: it "
            "needs to see one full charge first."
        )
    error = shown - own
    said = f"The BMS shows {shown:.1f} %, and by watchd's count it is {own:.1f} % (± {sigma:.1f} %)"
    if error >= LEAST_PCT and error > SIGMAS * sigma:
        return False, (
            f"{said}: {error:.1f} % too much. That comes right by itself: at full the BMS shows "
            "100 %, and can show no more."
        )
    if error > -LEAST_PCT:
        return False, f"{said}: close enough. Nothing is to be re-anchored."
    if -error <= SIGMAS * sigma:
        return False, (
            f"{said}: the difference of {-error:.1f} % is no more than what the count may be "
            "wrong by. A full charge tells."
        )
    return True, f"{said}: {-error:.1f} % too little. It is to be re-anchored."


def habit(figures: Figures) -> str:
    """What this BMS's past says of where it sets itself."""
    place = figures.get("reanchors_at")
    at_voltage = known(figures, "reanchored_at_charge_voltage") or 0
    at_trip = known(figures, "reanchored_at_overvoltage") or 0
    missed = known(figures, "full_charges_missed") or 0
    missing = f"{missed:.0f} full charge{'s' if missed != 1 else ''} in a row without"
    if place == "charge_voltage":
        lasted = known(figures, "absorption_reanchored_h")
        after = f", the last time after {_hours(lasted)} of absorption" if lasted else ""
        since = f"; since then {missing}" if missed else ""
        return f"It sets itself at the charge voltage: seen {_times(at_voltage)}{after}{since}."
    if place == "over_voltage":
        since = f", and at the charge voltage {missing}" if missed else ""
        return f"It was seen to set itself by an over-voltage trip ({_times(at_trip)}){since}."
    if place == "never":
        return f"It was never seen to set itself: {missing}."
    return (
        f"Where this BMS sets itself is not known yet: {missing} it, and no re-anchoring seen."
        if missed
        else "Where this BMS sets itself is not known yet: no full charge has shown it."
    )


def _failed(tried: Record | None) -> list[str]:
    if tried is None or tried.outcome is not Outcome.FAILED:
        return []
    return ["it was tried at this charge voltage, and the BMS did not set itself"]


def _absorption(figures: Figures, tried: Record | None) -> Offer:
    lasted = known(figures, "absorption_missed_h")
    place, missed = figures.get("reanchors_at"), known(figures, "full_charges_missed") or 0
    worked = known(figures, "absorption_reanchored_h") if place == "charge_voltage" else None
    base_h = max(worked or 0.0, lasted or known(figures, "absorption_h") or 0.0)
    asked_h = min(LONGEST_H, max(SHORTEST_H, ceil(2 * (base_h + 0.5)) / 2))
    reasons = _failed(tried)
    if lasted is not None and place != "charge_voltage":
        if lasted >= LONGEST_H - 1:
            reasons.append(f"an absorption of {_hours(lasted)} did not do it")
        elif place is not None and lasted >= EXCLUDED_H:
            reasons.append(
                f"in {missed:.0f} full charges with up to {_hours(lasted)} of absorption the BMS "
                "did not set itself"
            )
    text = (
        f"Let the charger hold the charge voltage for {_hours(asked_h)}, at the next charge. No "
        "setting of the BMS is touched."
    )
    return Offer(Way.ABSORPTION, text, tuple(reasons), asked_h=asked_h)


def _full_setting(pack: Pack, figures: Figures, tried: Record | None, knee_v: float) -> Offer:
    today_v = known(figures, "setting_full_v") or pack.bms.full_v
    text = "Lower the BMS's own full-charge setting to where the cells come at the charge voltage."
    if today_v is None:
        return Offer(
            Way.FULL_SETTING,
            text,
            ("no full-charge setting of this BMS is known (bms: full_v in the config)",),
        )
    reasons = _failed(tried)
    charge_v = known(figures, "charge_voltage_v") or 0.0
    per_cell_v, lowest = charge_v / pack.cells_in_series, known(figures, "cell_min_at_full_v")
    if lowest is None:
        reasons.append("no full charge was seen yet: where the cells then stand is not known")
        return Offer(Way.FULL_SETTING, text, tuple(reasons), full_before_v=today_v)
    # A BMS may look at the lowest cell, the mean or the highest: this is met by all of them.
    full_v = _down(min(lowest, per_cell_v) - BELOW_CELLS_V)
    if today_v <= full_v + SAME_V:
        reasons.append(
            f"it is at {today_v:.3f} V, and at full the lowest cell comes to {lowest:.3f} V: it "
            "is low enough already"
        )
    elif full_v < knee_v + ABOVE_KNEE_V:
        reasons.append(
            f"at full the lowest cell comes to {lowest:.3f} V only, and a setting near "
            f"{knee_v:.3f} V would be met long before the pack is full. Balance first"
        )
    if full_v < today_v:
        text = (
            f"Lower the BMS's own full-charge setting from {today_v:.3f} V to {full_v:.3f} V a "
            "cell, for good: at full the lowest cell comes above that. No protection is touched."
        )
    return Offer(Way.FULL_SETTING, text, tuple(reasons), full_v=full_v, full_before_v=today_v)


def _threshold(
    pack: Pack, figures: Figures, tried: Record | None, carrying: Carrying, knee_v: float
) -> Offer:
    made, refusals = plan(pack, figures, knee_v)
    reasons = [*_failed(tried), *refusals]
    if carrying.refusal is not None:
        reasons.append(carrying.refusal)
    if made is None:
        text = "Lower the over-voltage threshold for one charge, so that the pack trips near full."
    else:
        recovery = (
            f" (its recovery before that from {made.restore_recovery_v:.3f} V to "
            f"{made.recovery_v:.3f} V)"
            if made.recovery_v is not None
            else ""
        )
        text = (
            f"Lower the over-voltage threshold for one charge from {made.restore_v:.3f} V to "
            f"{made.threshold_v:.3f} V{recovery}, and put it back. The pack trips near full and "
            "disconnects."
        )
    return Offer(
        Way.THRESHOLD,
        text,
        tuple(reasons),
        plan=made,
        carrying=carrying.text,
        holding=carrying.holding,
    )


def _times(count: float) -> str:
    return "once" if count == 1 else f"{count:.0f} times"


def _hours(hours: float) -> str:
    return f"{60 * hours:.0f} min" if hours < 0.95 else f"{hours:.1f} h".replace(".0 h", " h")


def _down(volts: float) -> float:
    return round(floor(volts / STEP_V + 1e-6) * STEP_V, 3)
