"""What is kept of each transition: what happened, who asked, and the values that caused it."""

from __future__ import annotations

import json

from tests.alarms.story import AT_ONCE, START, act, alarm_of
from watchd.alarms.records import journal_entry
from watchd.alarms.state import Transition
from watchd.figures import Figures
from watchd.publish import encode

EVERY_CAUSE = """
- rule: cell-spread-wide
  about: pack
  when: cell_spread_mv > 40 and mean(current_a, "2 s") > 0
  until: soc_pct < 90
  suppress_when: temperature_min_degc < 0
  priority: medium
  say: "{pack}: {cell_spread_mv:.0f} mV, cell {cell_max_no:.0f}"
"""


def test_the_journal_tells_of_every_transition_with_the_values_that_caused_it() -> None:
    alarm = alarm_of(EVERY_CAUSE)
    moved: list[Transition] = []
    for at, spread, soc, cold in (
        (0, 20, 95, 5),
        (2, 20, 95, 5),
        (4, 55, 95, 5),
        (6, 60, 95, -5),
        (8, 20, 85, -5),
        (10, 20, 85, 5),
    ):
        figures: Figures = {
            "cell_spread_mv": float(spread),
            "current_a": 12.0,
            "soc_pct": float(soc),
            "temperature_min_degc": float(cold),
            "cell_max_no": 7.0,
        }
        moved.extend(alarm.evaluate(START + at, figures))
    entries = [journal_entry(t, 100.0) for t in moved]
    mean = "mean(current_a, '2 s')"
    base = {"current_a": 12.0, mean: 12.0, "cell_max_no": 7.0}
    assert [(e["at"] - START, e["event"], e["values"]) for e in entries] == [
        (104, "raised", {**base, "cell_spread_mv": 55.0}),
        (106, "suppressed", {**base, "cell_spread_mv": 60.0, "temperature_min_degc": -5.0}),
        (108, "returned", {**base, "cell_spread_mv": 20.0, "soc_pct": 85.0}),
        (110, "unsuppressed", {**base, "cell_spread_mv": 20.0, "temperature_min_degc": 5.0}),
    ]
    assert entries[1] == {
        "at": START + 106,
        "alarm": "cell-spread-wide/pack/alder",
        "event": "suppressed",
        "before": "unacknowledged",
        "state": "suppressed_by_design",
        "condition": "unacknowledged",
        "priority": "medium",
        "told": "no",
        "by": "",
        "text": "alder: 55 mV, cell 7",
        "values": entries[1]["values"],
    }
    assert [e["told"] for e in entries] == ["yes", "no", "no", "no"]
    assert json.loads(encode(entries[0])) == entries[0]


def test_the_journal_tells_who_asked() -> None:
    alarm = alarm_of(AT_ONCE)
    alarm.evaluate(START, {"cell_spread_mv": 55.0})
    moved = [t for what in ("ack", "shelve", "unshelve", "out", "in") for t in act(alarm, 5, what)]
    entries = [journal_entry(t) for t in moved]
    assert [(e["event"], e["by"], e["told"]) for e in entries] == [
        ("acknowledged", "Kim", "no"),
        ("shelved", "Kim", "no"),
        ("unshelved", "Kim", "yes"),
        ("removed_from_service", "Kim", "no"),
        ("returned_to_service", "Kim", "yes"),
    ]
    # What people do is told with the values of the raise.
    assert all(e["values"]["cell_spread_mv"] == 55.0 for e in entries)
