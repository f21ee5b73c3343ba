"""Protection trips of a pack in the span."""

from __future__ import annotations

from watchd.report.findings.finding import SHEET, Finding, Known, Standing
from watchd.report.season import PackSeason, number_of
from watchd.report.span import DAY_S
from watchd.report.writing import count

# A trip longer ago than a week is history; many are for a month. Ours.
LAST_D, MANY_D = 7.0, 30.0
MANY = 3

_DO = {
    "OVER_VOLT": "Lower the charge current near full until the cells are together",
    "UNDER_VOLT": "Take load off and charge, and see which cell is the lowest",
}


def trips(pack: PackSeason, known: Known) -> Finding | None:
    """How many, of what, and what helps. None where nothing is known of its protection."""
    told = [o for o in pack.occurrences if o.is_trip_in(known.span.begin)]
    daily = [number_of(day.figures.get("trips_24h")) for day in pack.kept]
    number = sum(pack.trips(known.span).values())
    numbers = {"trips": float(number)}
    subject = f"pack/{pack.name}"
    if not number and all(n is None for n in daily):
        what = "Whether its protection tripped is not known: its BMS does not say."
        return Finding("trips", subject, Standing.UNKNOWN, what)
    if not number:
        what = "Its protection did not trip."
        return Finding("trips", subject, Standing.WELL, what, numbers=numbers)
    events = pack.word("trip_events")
    last = max((o.begin for o in told), default=None)
    when = f", last on {known.span.moment(last)}" if last is not None else ""
    what = (
        f"Its protection tripped {count(number, 'time')}{f' ({events})' if events else ''}{when}."
    )
    counts_d = MANY_D if number >= MANY else LAST_D
    if last is not None and known.span.end - last > counts_d * DAY_S:
        return Finding("trips", subject, Standing.WATCH, what, numbers=numbers)
    first = next((do for event, do in _DO.items() if event in (events or "")), "")
    do = f"{first or 'Lower the current until the cause is found'}."
    caution = f"{SHEET} Do not widen a protection threshold to make it quiet."
    return Finding("trips", subject, Standing.ACT, what, do, caution, numbers)
