"""The temporary over-voltage threshold, and when it would not be safe.

Let v be the charge voltage per cell, u the voltage to which the leader came when the pack was last
full (at the charge voltage, by the BMS's own meter), and u - m its lead over the mean m then.

    threshold = u - max(REACH_V, LEAD_PART * (u - m)),   down to a whole STEP_V

The leader comes to u only at the end of the absorption, and most of its lead grows there, for it
is on the steep end of its curve: so a threshold this little below u is met when the pack is near
full, and not early. It must lie above v (by LEAST_V: "just above the charge voltage per cell"),
below today's threshold, and never above the cell maker's maximum. A lead over MOST_LEAD_V is
refused: such a leader is far ahead in charge, and meets any threshold long before the rest is full.

The recovery must lie below the threshold (by RECOVERY_V; most BMSs refuse the two in the wrong
order), and above the knee, or the pack does not come back by itself after it has settled. Where
today's recovery is too high it is lowered first, and put back last.

All ours, no source: there is none for this. Volts a cell.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor

from watchd.advice.reanchoring.values import known
from watchd.config import Pack
from watchd.figures import Figures

REACH_V, LEAD_PART = 0.005, 0.25
STEP_V = 0.005
LEAST_V = 0.005
MOST_LEAD_V = 0.040
RECOVERY_V, RECOVERY_GAP_V = 0.020, 0.050
BELOW_TODAY_V = 0.010
WARM_DEGC = 5.0  # so far inside the window for charging
OLDEST_H = 14 * 24.0  # of the full charge that u comes from
SAME_V = 0.005  # settings so close are the same
TINY_V = 1e-6  # what floats differ by
REPEATED = 3  # trips of a day that want somebody who looks


@dataclass(frozen=True, slots=True)
class Plan:
    """What to set, and what to put back. Volts a cell; no recovery: it stays as it is."""

    threshold_v: float
    restore_v: float
    recovery_v: float | None
    restore_recovery_v: float | None
    least_v: float  # below it the threshold would be met too early
    most_v: float  # above it, it would not be met, or is not allowed


def plan(pack: Pack, figures: Figures, knee_v: float) -> tuple[Plan | None, tuple[str, ...]]:
    """What to set, or every reason why not."""
    refusals = [*_unsettled(figures), *_settings(pack, figures)]
    found, why_not = _compute(pack, figures, knee_v)
    refusals += why_not
    return (found if not refusals else None), tuple(refusals)


def _unsettled(figures: Figures) -> list[str]:
    """Why not now: telemetry, temperature, trips."""
    found: list[str] = []
    if figures.get("telemetry_quality") != "good":
        found.append("the telemetry of the pack is not good now: watchd could not watch it happen")
    cold, hot = known(figures, "temperature_min_degc"), known(figures, "temperature_max_degc")
    low, high = known(figures, "charge_min_degc"), known(figures, "charge_max_degc")
    if cold is None or hot is None:
        found.append("the temperature of the pack is not known")
    elif low is not None and cold < low + WARM_DEGC:
        found.append(
            f"the pack is cold: {cold:.1f} °C, and it should have {low + WARM_DEGC:.0f} °C or more"
        )
    elif high is not None and hot > high - WARM_DEGC:
        found.append(
            f"the pack is hot: {hot:.1f} °C, and it should have {high - WARM_DEGC:.0f} °C or less"
        )
    trips = known(figures, "trips_24h") or 0.0
    if figures.get("protection_trip") is None:
        found.append("the protection events of the pack are not known: watchd could not see a trip")
    elif figures["protection_trip"]:
        found.append(f"a protection trip stands: {figures.get('trip_events')}")
    elif trips >= REPEATED:
        found.append(f"{trips:.0f} protection trips in 24 h: their cause comes first")
    if figures.get("charge_allowed") is False:
        found.append("its BMS does not let the pack charge")
    return found


def _settings(pack: Pack, figures: Figures) -> list[str]:
    """Why not with these settings: the BMS must be as the config says, or nobody knows the way
    back.
    """
    found = []
    for name, ours in (
        ("overvoltage_v", pack.bms.overvoltage_v),
        ("overvoltage_recovery_v", pack.bms.overvoltage_recovery_v),
    ):
        theirs = known(figures, f"setting_{name}")
        if theirs is not None and abs(theirs - ours) > SAME_V:
            found.append(
                f"the BMS reports {name} {theirs:.3f} V and the config has {ours:.3f} V: bring "
                "them together first"
            )
    if pack.bms.overvoltage_v > pack.cell.max_v + SAME_V:
        found.append(
            f"today's threshold, {pack.bms.overvoltage_v:.3f} V, is above the cell maker's "
            f"maximum, {pack.cell.max_v:.3f} V: that comes first"
        )
    return found


def _compute(pack: Pack, figures: Figures, knee_v: float) -> tuple[Plan | None, list[str]]:
    highest, mean = known(figures, "cell_max_at_full_v"), known(figures, "cell_mean_at_full_v")
    charge_v = known(figures, "charge_voltage_v")
    if highest is None or mean is None or charge_v is None:
        return None, ["no full charge was seen yet: where the cells then stand is not known"]
    per_cell_v, lead_v = charge_v / pack.cells_in_series, highest - mean
    age_h = known(figures, "since_full_h")
    refusals = []
    if age_h is None or age_h > OLDEST_H:
        age = f"{age_h / 24:.0f} d ago" if age_h is not None else "never seen"
        refusals.append(f"the last full charge is too old: {age}, and it should be 14 d or less")
    present_v = _present_lead(figures, knee_v)
    if max(lead_v, present_v) > MOST_LEAD_V:
        refusals.append(
            f"the spread is too wide: the highest cell is {1000 * max(lead_v, present_v):.0f} mV "
            f"above the mean at the top, and {1000 * MOST_LEAD_V:.0f} mV is the most; it would "
            "trip long before the pack is full. Balance first"
        )
        return None, refusals
    threshold_v = _down(highest - max(REACH_V, LEAD_PART * lead_v))
    limit = _limit(pack, threshold_v, per_cell_v, highest)
    if limit is not None:
        return None, [*refusals, limit]
    found = _with_recovery(pack, threshold_v, per_cell_v, highest)
    if found.recovery_v is not None and found.recovery_v <= knee_v:
        refusals.append(
            f"the recovery would have to go down to {found.recovery_v:.3f} V, to where a full cell "
            f"rests (the knee is at {knee_v:.3f} V): the pack would not come back by itself"
        )
    return found, refusals


def _limit(pack: Pack, threshold_v: float, per_cell_v: float, highest: float) -> str | None:
    """Why this threshold cannot be."""
    today_v, most_v = pack.bms.overvoltage_v, pack.cell.max_v
    be = f"it would be {threshold_v:.3f} V"
    if threshold_v > most_v + TINY_V:
        return (
            f"{be}, above the cell maker's maximum of {most_v:.3f} V: the charge voltage is too "
            "high for these cells"
        )
    if threshold_v > today_v - BELOW_TODAY_V + TINY_V:
        return f"{be}, and today's threshold is {today_v:.3f} V: there is nothing to lower"
    if threshold_v < per_cell_v + LEAST_V - TINY_V:
        return (
            f"at full the highest cell stands at {highest:.3f} V, and the charge voltage is "
            f"{per_cell_v:.3f} V a cell: no cell comes to a threshold above that"
        )
    return None


def _with_recovery(pack: Pack, threshold_v: float, per_cell_v: float, highest: float) -> Plan:
    """The plan, with a recovery that goes with the threshold."""
    today_v, recovery_v = pack.bms.overvoltage_v, pack.bms.overvoltage_recovery_v
    lower = recovery_v > threshold_v - RECOVERY_V + TINY_V
    return Plan(
        threshold_v=threshold_v,
        restore_v=today_v,
        recovery_v=_down(threshold_v - RECOVERY_GAP_V) if lower else None,
        restore_recovery_v=recovery_v if lower else None,
        least_v=per_cell_v,
        most_v=min(highest, pack.cell.max_v, today_v - BELOW_TODAY_V),
    )


def _present_lead(figures: Figures, knee_v: float) -> float:
    """The leader's lead now, where the cells are on the steep part; else 0: it tells nothing."""
    highest, mean = known(figures, "cell_max_v"), known(figures, "cell_mean_v")
    if highest is None or mean is None or mean < knee_v:
        return 0.0
    return highest - mean


def _down(volts: float) -> float:
    """To a whole step below; a step of a float is not quite one."""
    return round(floor(volts / STEP_V + TINY_V) * STEP_V, 3)
