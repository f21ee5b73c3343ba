"""What is looked at of a bank: whether its charger follows, and its own alarms."""

from __future__ import annotations

from watchd.report.findings.alarms import standing_alarms
from watchd.report.findings.finding import SHEET, Finding, Known, Standing
from watchd.report.season import BankSeason
from watchd.report.series.current import Current
from watchd.report.series.energy import Energy
from watchd.report.span import DAY_S
from watchd.report.writing import lasted, shown

LATELY_D = 14.0  # what is longer ago, somebody has seen to; ours
LONG_S = 1800.0  # the charger follows a falling suggestion within minutes; the shipped rule waits 3


def findings_of_bank(bank: BankSeason, known: Known) -> list[Finding]:
    """All that is to be said of a bank itself."""
    found = [_limit(bank, known)]
    if not bank.left_out:
        found.append(_energy(bank, known))
    own = [o for o in bank.occurrences if o.pack is None]
    return [*found, *standing_alarms(own, found, known)]


def _limit(bank: BankSeason, known: Known) -> Finding:
    current = Current.of(bank, known.span)
    above = current.above_s
    numbers = {"above_suggestion_h": round(above / 3600, 2)}

    def finding(standing: Standing, what: str, do: str = "", caution: str = "") -> Finding:
        return Finding("limit", f"bank/{bank.name}", standing, what, do, caution, numbers)

    if current.is_empty or not current.has_limit:
        return finding(Standing.UNKNOWN, "No suggested charge current is kept of this span.")
    lately = sum(d.above_s for d in current.days if d.at >= known.span.end - LATELY_D * DAY_S)
    if lately < LONG_S:
        but = f", but for {lasted(above)} in all" if above else ""
        return finding(Standing.WELL, f"It charged within the suggested current{but}.")
    return finding(
        Standing.ACT,
        f"It charged for {lasted(above)} in all with more current than was suggested.",
        "See what the charger was told and what it does. Until it follows, set its current by hand "
        "to what is suggested. If nothing is to follow the suggestion, this is no fault.",
        SHEET,
    )


def _energy(bank: BankSeason, known: Known) -> Finding:
    energy = Energy.of(bank.packs, known.span)
    into, out = energy.into_kwh, energy.out_kwh
    numbers = {"in_kwh": round(into, 3), "out_kwh": round(out, 3)}
    subject = f"bank/{bank.name}"
    if energy.is_empty:
        what = "No energy was counted in this span."
        return Finding("energy", subject, Standing.UNKNOWN, what, numbers=numbers)
    form = ".0f" if into + out >= 20 else ".1f"
    what = f"{shown(into, form)} kWh went in and {shown(out, form)} kWh came out."
    return Finding("energy", subject, Standing.WELL, what, numbers=numbers)
