"""What is looked at of a pack, one function a matter. Each gives None where it has nothing to say.

Limits are those of the shipped rules of the same matter, which name their sources.
"""

from __future__ import annotations

from collections.abc import Callable

from watchd.advice.reanchoring import CAUTION
from watchd.report.findings.alarms import standing_alarms
from watchd.report.findings.cells import balance, joints, small_cell
from watchd.report.findings.finding import SHEET, Finding, Known, Standing
from watchd.report.findings.trips import trips
from watchd.report.season import PackSeason
from watchd.report.writing import count, lasted, shown

OVERDUE_H = 336.0  # full-charge-overdue
OFF_PCT = 8.0  # soc-disagrees
MISSED = 3  # full charges in a row at which the BMS stayed below 99 %: no chance any more; ours
LOW_PCT = 80.0  # capacity-low
# Less is a restart or a weak link; with more the other findings rest on thin ground. Ours.
SILENT_H, SILENT_PART = 6.0, 0.02

Look = Callable[[PackSeason, Known], Finding | None]


def findings_of_pack(pack: PackSeason, known: Known) -> list[Finding]:
    """All that is to be said of a pack, in the order of the looks."""
    found = [finding for look in LOOKS if (finding := look(pack, known)) is not None]
    return [*found, *standing_alarms(pack.occurrences, found, known)]


def _full(pack: PackSeason, known: Known) -> Finding:
    since, days = pack.number("since_full_h"), sum(bool(d.full_charges) for d in pack.kept)
    numbers = {"since_full_h": since, "days_full": float(days), "days": float(len(pack.kept))}
    long = since is not None and since > OVERDUE_H
    if long or (not days and known.span.days * 24 > OVERDUE_H):
        ago = f"for {lasted(since * 3600)}" if since is not None else "in this span"
        return Finding(
            "full",
            _subject(pack),
            Standing.ACT,
            f"It was not full {ago}: the balancer falls behind, and every count of charge drifts.",
            "Charge it until it is full, from a generator or the grid if the sun does not do it, "
            "with time for the absorption. If it does get full, look at full_when in the config.",
            SHEET,
            numbers,
        )
    if not days:
        what = "There is no full charge in this span."
        return Finding("full", _subject(pack), Standing.WATCH, what, numbers=numbers)
    last = f", last on {known.span.moment(pack.fulls[-1].at)}"
    what = f"It was full on {days} of {count(len(pack.kept), 'day')}{last}."
    return Finding("full", _subject(pack), Standing.WELL, what, numbers=numbers)


def _soc(pack: PackSeason, _: Known) -> Finding:
    bms, own = pack.number("soc_pct"), pack.number("soc_estimate_pct")
    sigma, error = pack.number("soc_estimate_sigma_pct"), pack.number("soc_error_pct")
    missed = pack.number("full_charges_missed") or 0.0
    numbers = {
        "soc_pct": bms, "soc_estimate_pct": own, "soc_estimate_sigma_pct": sigma,
        "soc_error_pct": error, "full_charges_missed": missed,
    }  # fmt: skip
    do = (
        "Charge it until it is full and see whether its BMS then says 100 %. If it does not, "
        f"`watchd reanchor {pack.name}` shows the ways to set it right."
    )

    def finding(standing: Standing, what: str, do: str = "", caution: str = "") -> Finding:
        return Finding("soc", _subject(pack), standing, what, do, caution, numbers)

    if error is not None and sigma is not None and abs(error) > max(OFF_PCT, 3 * sigma):
        says = (
            f"Its BMS says {shown(bms)} %, our own count {shown(own)} % (within {shown(2 * sigma)})"
        )
        return finding(Standing.ACT, f"{says}.", do, CAUTION)
    if missed >= MISSED:
        said = f"Its BMS stayed below 99 % at the last {shown(missed)} full charges"
        return finding(Standing.ACT, f"{said}, so its count drifts.", do, CAUTION)
    if error is None:
        return finding(Standing.UNKNOWN, "Whether its BMS's state of charge is right is not known.")
    return finding(
        Standing.WELL,
        f"Its BMS's state of charge is right within {shown(max(abs(error), 1.0))} %.",
    )


def _capacity(pack: PackSeason, _: Known) -> Finding:
    ah, sigma = pack.number("capacity_ah"), pack.number("capacity_sigma_ah")
    soh, doubt = pack.number("soh_pct"), pack.number("soh_sigma_pct")
    numbers = {"capacity_ah": ah, "capacity_sigma_ah": sigma, "soh_pct": soh}
    if ah is None or sigma is None or soh is None or doubt is None:
        what = "Its capacity was not measured yet: that takes deep discharges between full charges."
        return Finding("capacity", _subject(pack), Standing.UNKNOWN, what, numbers=numbers)
    what = (
        f"It holds {shown(ah)} Ah (within {shown(2 * sigma)}) of {pack.nameplate_ah:g} Ah, "
        f"{shown(soh)} %."
    )
    if soh < LOW_PCT - 2 * doubt:
        return Finding(
            "capacity",
            _subject(pack),
            Standing.ACT,
            what,
            "Plan with the smaller capacity. See which cell is lowest when the pack is nearly "
            "empty: if one cell ends it alone, balance the pack at full first, and measure again.",
            SHEET,
            numbers,
        )
    return Finding("capacity", _subject(pack), Standing.WELL, what, numbers=numbers)


def _settings(pack: PackSeason, _: Known) -> Finding | None:
    if pack.holds("setting_temporary"):
        back = pack.number("overvoltage_restore_v")
        to = f"back to {shown(back, '.3f')} V" if back is not None else "back to what it was"
        return Finding(
            "temporary",
            _subject(pack),
            Standing.ACT,
            "Its over-voltage threshold is, or may be, changed for a time.",
            f"Put it {to}, then say `watchd reanchor {pack.name} restored`. If it was never "
            "changed, correct the config: raise no threshold because of this.",
            CAUTION,
            {"overvoltage_restore_v": back},
        )
    faults, fault = pack.number("settings_faults"), pack.word("settings_fault")
    if not faults:
        return None
    return Finding(
        "settings",
        _subject(pack),
        Standing.ACT,
        f"Its settings do not fit together ({count(round(faults), 'fault')}): {fault or 'see'}.",
        "Run `watchd audit`, which names each fault, why it matters and what is usual.",
        CAUTION,
        {"settings_faults": faults, "settings_fault": fault},
    )


def _telemetry(pack: PackSeason, known: Known) -> Finding | None:
    seconds = known.span.end - known.span.begin
    counted = sum(day.through.counted_s for day in pack.days)
    silent_h = max(0.0, seconds - counted) / 3600
    if silent_h < SILENT_H or silent_h < SILENT_PART * seconds / 3600:
        return None
    return Finding(
        "telemetry",
        _subject(pack),
        Standing.WATCH,
        f"Of this span {lasted(silent_h * 3600)} are without its current or voltage.",
        "See to its bridge and the way to the broker; what is said here rests on the rest.",
        numbers={"silent_h": round(silent_h, 2)},
    )


def _subject(pack: PackSeason) -> str:
    return f"pack/{pack.name}"


LOOKS: tuple[Look, ...] = (
    joints,
    balance,
    small_cell,
    trips,
    _full,
    _soc,
    _capacity,
    _settings,
    _telemetry,
)
