"""Rules are edited while alarms stand: what stays, what begins anew, what people are told."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.scene import Scene, leading, pack, rules_of

RULE = {
    "rule": "spread",
    "about": "pack",
    "when": "cell_spread_mv > 40",
    "priority": "high",
    "say": "{pack} {cell_spread_mv:.0f} mV",
    "cause": "a cell ahead",
}
KEY = "spread/pack/alder"
WIDE, EVEN = pack(cell_v=leading(3.40, by_mv=60)), pack()


def scene(state: Any = None, **changed: Any) -> Scene:
    rule = {key: value for key, value in {**RULE, **changed}.items() if value is not None}
    return Scene(rules_of(json.dumps([rule])), state=state)


def edited(hut: Scene, **changed: Any) -> Scene:
    """The rules are read anew, a moment later."""
    again = scene(json.loads(json.dumps(hut.engine.snapshot())), **changed)
    again.retained = dict(hut.retained)
    again.seconds = hut.seconds
    again._heard(again.engine.tick(again.now))
    return again


def ask(hut: Scene, do: str, **more: Any) -> None:
    hut.feed("watchd/request", {"do": do, "alarm": KEY, **more})


def state(hut: Scene) -> tuple[str, str]:
    """What people see, and the condition behind it."""
    alarm = next(a for a in hut.engine.alarms() if a.key == KEY)
    return str(alarm.state), str(alarm.condition)


def happened(hut: Scene) -> list[tuple[str, str]]:
    return [(str(t.event), str(t.told)) for t in hut.transitions if t.key == KEY]


STAYS = {
    "other words": {"say": "{pack} apart", "cause": "?"},
    "another priority": {"priority": "low"},
    "a cap": {"charge_limit": "10"},
    "a group": {"group": "cells"},
    "told again": {"re_alarm_time": "1 h"},
    "suppressed": {"suppress_when": "soc_pct < 1"},
}
ANEW = {
    "another condition": {"when": "cell_spread_mv > 41"},
    "a delay": {"on_delay": "10 s"},
    "an off-delay": {"off_delay": "10 s"},
    "a deadband": {"deadband": {"cell_spread_mv": 10}},
    "an end of its own": {"until": "current_a < 0"},
    "latching": {"latching": True},
}


@pytest.mark.parametrize("changed", STAYS.values(), ids=list(STAYS))
def test_what_does_not_bear_on_the_condition_keeps_the_alarm(changed: dict[str, Any]) -> None:
    hut = scene()
    hut.feed("hut/alder/state", WIDE)
    ask(hut, "acknowledge")
    again = edited(hut, **changed)
    assert state(again) == ("acknowledged", "acknowledged")
    assert happened(again) == []


@pytest.mark.parametrize("changed", ANEW.values(), ids=list(ANEW))
@pytest.mark.parametrize("hidden", ["", "shelved", "out_of_service"])
def test_what_does_begins_anew_but_for_what_people_decided(
    changed: dict[str, Any], hidden: str
) -> None:
    hut = scene()
    hut.feed("hut/alder/state", WIDE)
    if hidden == "shelved":
        ask(hut, "shelve", **{"for": "1 h"})
    elif hidden:
        ask(hut, "out_of_service")
    again = edited(hut, **changed)
    again.run(seconds=15, alder=WIDE)
    assert state(again) == (hidden or "unacknowledged", "unacknowledged")
    assert happened(again) == [("raised", "withheld" if hidden else "yes")]
    ask(again, "unshelve" if hidden == "shelved" else "in_service")
    assert state(again) == ("unacknowledged", "unacknowledged")
    assert [told for _, told in happened(again)].count("yes") == 1


def test_a_shelf_goes_on_to_its_end_over_an_edit() -> None:
    hut = scene()
    hut.feed("hut/alder/state", WIDE)
    ask(hut, "shelve", **{"for": "1 min"})
    again = edited(hut, when="cell_spread_mv > 41")
    again.run(seconds=59, alder=WIDE)
    assert state(again)[0] == "shelved"
    again.run(seconds=1, alder=WIDE)
    assert happened(again) == [("raised", "withheld"), ("unshelved", "yes")]


def test_a_rule_that_is_disabled_takes_its_alarm_along() -> None:
    hut = scene()
    hut.feed("hut/alder/state", WIDE)
    again = edited(hut, disabled=True)
    assert f"watchd/alarm/{KEY}" not in again.retained
    assert KEY not in {a.key for a in again.engine.alarms()}
    # Enabled again it begins anew.
    assert happened(edited(again)) == [("raised", "yes")]


def test_what_suppressed_it_and_is_no_more_is_told_and_recorded() -> None:
    hut = scene(suppress_when="soc_pct < 90")
    hut.feed("hut/alder/state", WIDE)
    assert state(hut) == ("suppressed_by_design", "unacknowledged")
    again = edited(hut)
    assert happened(again) == [("unsuppressed", "yes")]
    assert again.retained[f"watchd/alarm/{KEY}"]["state"] == "unacknowledged"


def test_a_restart_while_a_shelf_ends_tells_of_it_once() -> None:
    hut = scene()
    hut.feed("hut/alder/state", WIDE)
    ask(hut, "shelve", **{"for": "1 h"})
    hut.run(seconds=5)
    saved = json.loads(json.dumps(hut.engine.snapshot()))
    again = scene(saved)
    again.seconds = 2 * 3600.0
    again._heard(again.engine.tick(again.now))
    # Nothing has come yet: it is told once something has.
    assert happened(again) == [("unshelved", "stale")]
    third = edited(again)
    third.run(seconds=30, alder=WIDE)
    assert happened(third) == [("re_alarmed", "yes")]


def test_the_record_of_a_shelved_alarm_tells_of_the_edited_rule() -> None:
    hut = scene()
    hut.feed("hut/alder/state", WIDE)
    ask(hut, "shelve", **{"for": "1 h"})
    again = edited(hut, when="cell_spread_mv > 99")
    assert state(again) == ("shelved", "normal")
    assert again.retained[f"watchd/alarm/{KEY}"]["condition"] == "normal"


def test_a_rule_on_trial_that_is_trusted_tells_of_what_stands() -> None:
    hut = scene(annunciate=False)
    hut.feed("hut/alder/state", WIDE)
    assert happened(hut) == [("raised", "silent")]
    again = edited(hut)
    assert happened(again) == [("re_alarmed", "yes")]
    again.run(seconds=60, alder=WIDE)
    third = edited(again, annunciate=False)
    fourth = edited(third)
    assert happened(fourth) == [], "of what people know they are not told again"


def test_a_rule_that_chattered_and_was_silent_for_a_while_tells_of_itself_once() -> None:
    hut = scene()
    for document in (WIDE, EVEN, WIDE, EVEN, WIDE, EVEN):
        hut.feed("hut/alder/state", document)
        hut.seconds += 5.0
    assert happened(hut)[-2:] == [("chattering", "yes"), ("returned", "no")]
    silent = edited(hut, annunciate=False)
    silent.feed("hut/alder/state", WIDE)
    again = edited(silent)
    again.run(seconds=60, alder=WIDE)
    assert happened(again) == [("re_alarmed", "chattering")]


def test_a_state_that_knows_no_shelves_yet_is_used() -> None:
    hut = scene()
    hut.run(seconds=60, alder=WIDE)
    saved = json.loads(json.dumps(hut.engine.snapshot()))
    before = ("digest", "state", "since", "occurrences", "text", "values")
    saved["alarms"] = {
        key: {name: state[name] for name in before} for key, state in saved["alarms"].items()
    }
    saved["alarms"]["gone/pack/alder"] = {"digest": "", "state": "acknowledged"}
    del saved["annunciator"]
    again = scene(saved)
    again.seconds = hut.seconds
    again.feed("hut/alder/state", WIDE)
    assert not [n for n in again.engine.take_notes() if n.event == "saved state not used"]
    assert state(again) == ("unacknowledged", "unacknowledged")
    assert happened(again) == [], "nobody is told twice"
    assert "watchd/alarm/gone/pack/alder" in {p.topic for p in again.said if not p.payload}
