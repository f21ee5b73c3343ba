"""What is not well with a pack, in a few words each; what is fine is not mentioned.

Limits are those of the shipped rules where there is one, so that a digest names what is on its way
to an alarm or has raised one; the others are ours, and say so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from watchd.messages import DigestPack

SPREAD_WIDE_MV = 40.0  # at full; as cell-spread-wide has it
GROWING_MV_D, GROWING_FROM_MV = 0.5, 20.0  # as cell-spread-widening has it
SOC_ERROR_PCT = 8.0  # as soc-disagrees has it
SOH_LOW_PCT = 80.0  # as capacity-low has it
NOT_FULL_D = 7.0  # half of what full-charge-overdue waits for (ours)
COUNTED_PCT = 95.0  # below it, charge and energy are not those of the whole time (ours)
GROWN_MV = 10.0  # a week: what a spread of telemetry in whole mV shows for sure (ours)
FADED_PCT = 2.0  # of nameplate: what a capacity must lose to be named (ours)


@dataclass(frozen=True, slots=True)
class Finding:
    """A few words after the pack's name. `rank`: 0 is worst; `matters`: something is to be done
    about it. `said_by` are the shipped rules whose alarms say the same, with more.
    """

    rank: int
    text: str
    matters: bool = True
    said_by: tuple[str, ...] = ()


def findings(
    pack: DigestPack, *, trips_now: bool, temporary_h: float | None, nameplate_ah: float | None
) -> list[Finding]:
    """The worst first. `temporary_h`: h since a temporary over-voltage threshold; None: no."""
    found = list(_of_safety(pack, trips_now=trips_now, temporary_h=temporary_h))
    found.extend(_of_full(pack))
    found.extend(_of_cells(pack))
    found.extend(_of_charge(pack, nameplate_ah))
    return sorted(found, key=lambda finding: finding.rank)


def _of_safety(
    pack: DigestPack, *, trips_now: bool, temporary_h: float | None
) -> Iterator[Finding]:
    age_s, trips = pack["telemetry_age_s"], pack["trips"]
    if trips_now:
        yield Finding(0, "tripped now", said_by=("protection-trip",))
    if trips:
        yield Finding(2, f"tripped {times(trips)}", said_by=("protection-trips-repeated",))
    if age_s is not None:
        yield Finding(3, f"no telemetry for {span(age_s / 3600)}", said_by=("telemetry-stale",))
    if temporary_h is not None:
        yield Finding(
            1,
            f"temporary over-voltage threshold for {span(temporary_h)}",
            said_by=("protection-setting-temporary",),
        )


def _of_full(pack: DigestPack) -> Iterator[Finding]:
    since_h = pack["since_full_h"]
    if pack["full"] is None:
        yield Finding(8, "no full charge seen yet, so the spread is not known yet", matters=False)
    elif not pack["full"]:
        ago = "no full charge seen yet" if since_h is None else f"not full for {span(since_h)}"
        is_long = since_h is None or since_h > NOT_FULL_D * 24
        soc = pack["soc_pct"] if pack["telemetry_age_s"] is None else None
        now = f", now {soc:.0f} %" if soc is not None else ""
        yield Finding(4 if is_long else 7, ago + now, is_long, ("full-charge-overdue",))


def _of_cells(pack: DigestPack) -> Iterator[Finding]:
    spread, slope, trend = (
        pack["spread_at_full_mv"], pack["spread_slope_mv"], pack["spread_trend"],
    )  # fmt: skip
    if spread is None:
        if pack["full"]:
            yield Finding(8, "spread at full not known yet", matters=False)
        return
    before = pack.get("before")
    was = None if before is None else before["spread_at_full_mv"]
    grown = was is not None and spread - was >= GROWN_MV
    grows = trend == "growing" and (slope or 0.0) > GROWING_MV_D and spread > GROWING_FROM_MV
    if not (spread > SPREAD_WIDE_MV or grows or grown):
        return
    text = f"spread {spread:.0f} mV at full"
    if was is not None:
        text += f", {was:.0f} a week ago"
    elif grows and slope is not None:
        text += f", growing {slope * 7:.0f} mV a week"
    elif trend == "closing":
        text += ", closing"
    yield Finding(4, text, trend != "closing")


def _of_charge(pack: DigestPack, nameplate_ah: float | None) -> Iterator[Finding]:
    error, soh, capacity = pack["soc_error_pct"], pack["soh_pct"], pack["capacity_ah"]
    if error is not None and abs(error) > SOC_ERROR_PCT:
        way = "too much" if error > 0 else "too little"
        yield Finding(5, f"BMS showed {abs(error):.0f} % {way} before full")
    before = pack.get("before")
    was = None if before is None else before["capacity_ah"]
    if capacity is not None and was is not None and nameplate_ah:
        lost = was - capacity
        if lost > FADED_PCT / 100 * nameplate_ah:
            yield Finding(6, f"capacity {capacity:.0f} Ah, {was:.0f} a week ago")
            return
    if soh is not None and soh < SOH_LOW_PCT:
        known = f"{capacity:.0f} Ah, " if capacity is not None else ""
        yield Finding(6, f"capacity {known}{soh:.0f} % of nameplate")


def times(number: int) -> str:
    """How often, in words."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def span(hours: float) -> str:
    """A time as people say it, whole.

    >>> span(0.4), span(26), span(216.2)
    ('24 min', '26 h', '9 d')
    """
    if hours < 1:
        return f"{hours * 60:.0f} min"
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} d"
