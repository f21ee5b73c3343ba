"""Time that nobody watched, and what had changed by then without anybody looking."""

from __future__ import annotations

import json

from tests.scene import Scene, pack, rules_of

TRIPS = rules_of("""
- {rule: trips, about: pack, when: 'count(protection_trip, "10 min") >= 1', priority: high,
   say: "{pack}"}
""")
KEY = "trips/pack/alder"


def test_what_was_forgotten_before_the_stop_is_told_after_it() -> None:
    hut = Scene(TRIPS)
    hut.run(minutes=1, alder=pack())
    hut.run(seconds=5, alder=pack(protection=1))
    hut.run(seconds=5, alder=pack())
    # Of a silent pack only what windows forget changes, and it is looked at every five minutes.
    hut.run(minutes=10)
    assert hut.raised("trips", "pack/alder")
    again = Scene(TRIPS, state=json.loads(json.dumps(hut.engine.snapshot())))
    again.retained = dict(hut.retained)
    again.seconds = hut.seconds + 3600
    again._heard(again.engine.tick(again.now))
    moved = [(str(t.event), str(t.state)) for t in again.transitions if t.key == KEY]
    assert moved == [("returned", "returned_unacknowledged")]
    assert again.retained[f"watchd/alarm/{KEY}"]["state"] == "returned_unacknowledged"
