"""Alarms of a group on one pack or bank tell which of them was the first."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.scene import Scene, cells, pack, rules_of
from watchd.alarms.state import State

RULES = rules_of("""
- {rule: hot, about: pack, when: temperature_max_degc > 50, priority: low, group: heat, say: hot}
- {rule: high, about: cell, when: cell_v > 3.5, priority: low, group: heat, say: high}
- {rule: much, about: bank, when: current_a > 50, priority: low, group: heat, say: much}
- {rule: low, about: pack, when: soc_pct < 10, priority: low, say: low}
""")


def high(number: int) -> list[float]:
    """A pack in which the first cells are too high."""
    return [*cells(3.6, number), *cells(3.3, 16 - number)]


def restarted(hut: Scene, rules: Any = RULES) -> Scene:
    again = Scene(rules, state=json.loads(json.dumps(hut.engine.snapshot())))
    again.seconds = hut.seconds + 5.0
    return again


def firsts(hut: Scene) -> dict[str, str | None]:
    """Of each alarm that is not normal, the first of its group."""
    return {a.key: a.first_of_group for a in hut.engine.alarms() if a.state is not State.NORMAL}


def test_the_first_is_named_on_the_pack_with_its_cells() -> None:
    hut = Scene(RULES)
    hut.feed("hut/alder/state", pack(cell_v=high(1)))
    hut.feed("hut/alder/state", pack(cell_v=high(2), temperature_degc=60.0, soc_pct=5.0))
    hut.feed("hut/birch/state", pack(temperature_degc=60.0, current_a=60.0))
    assert firsts(hut) == {
        "high/cell/alder/1": "high/cell/alder/1",
        "high/cell/alder/2": "high/cell/alder/1",
        "hot/pack/alder": "high/cell/alder/1",
        "low/pack/alder": None,
        # Another pack, and the bank, have firsts of their own.
        "hot/pack/birch": "hot/pack/birch",
        "much/bank/hut": "much/bank/hut",
    }
    said = [json.loads(p.payload) for p in hut.said if p.topic == "watchd/annunciation"]
    # What follows is recorded, not told; the bank follows its packs.
    assert [(message["alarm"], message.get("first_of_group")) for message in said] == [
        ("high/cell/alder/1", None),
        ("low/pack/alder", None),
        ("hot/pack/birch", None),
    ]
    record = hut.retained["watchd/alarm/hot/pack/alder"]
    assert (record["group"], record["first_of_group"]) == ("heat", "high/cell/alder/1")
    assert "group" not in hut.retained["watchd/alarm/low/pack/alder"]


def test_the_first_stays_the_first_until_all_have_returned() -> None:
    hut = Scene(RULES)
    hut.feed("hut/alder/state", pack(cell_v=high(1)))
    hut.feed("hut/alder/state", pack(cell_v=high(1), temperature_degc=60.0))
    hut.feed("hut/alder/state", pack(temperature_degc=60.0))
    hut.feed("hut/alder/state", pack(cell_v=high(2), temperature_degc=60.0))
    assert firsts(hut)["high/cell/alder/2"] == "high/cell/alder/1"
    hut.feed("hut/alder/state", pack())
    # Nobody has acknowledged them, but none stands: the next is a first.
    hut.feed("hut/alder/state", pack(temperature_degc=60.0))
    hut.feed("hut/alder/state", pack(cell_v=high(2), temperature_degc=60.0))
    assert firsts(hut)["hot/pack/alder"] == "hot/pack/alder"
    assert firsts(hut)["high/cell/alder/1"] == "hot/pack/alder"


def test_groups_go_on_over_a_restart() -> None:
    hut = Scene(RULES)
    hut.feed("hut/alder/state", pack(temperature_degc=60.0))
    again = restarted(hut)
    again.feed("hut/alder/state", pack(cell_v=high(1), temperature_degc=60.0))
    assert firsts(again)["high/cell/alder/1"] == "hot/pack/alder"
    # And what was restored leaves its group when it returns.
    again.feed("hut/alder/state", pack(cell_v=high(1)))
    again.feed("hut/alder/state", pack())
    again.feed("hut/alder/state", pack(cell_v=high(2)))
    assert firsts(again)["high/cell/alder/2"] == "high/cell/alder/1"


NEW = {
    "another group": "group: other, when: temperature_max_degc > 50",
    "another condition": "group: heat, when: temperature_max_degc > 70",
    "gone": None,
}


@pytest.mark.parametrize("edit", NEW)
def test_an_edited_rule_leaves_its_group(edit: str) -> None:
    hut = Scene(RULES)
    hut.feed("hut/alder/state", pack(temperature_degc=60.0))
    new = rules_of(f"- {{rule: hot, priority: low, say: '', {NEW[edit]}}}") if NEW[edit] else ()
    again = restarted(hut, (*new, *RULES[1:]))
    again.feed("hut/alder/state", pack(cell_v=high(1), temperature_degc=60.0))
    assert firsts(again)["high/cell/alder/1"] == "high/cell/alder/1"


def test_what_people_do_not_see_is_no_first() -> None:
    rules = rules_of("""
- {rule: hot, when: temperature_max_degc > 50, priority: low, group: heat, annunciate: no, say: hot}
- {rule: warm, when: temperature_max_degc > 40, priority: low, group: heat, say: warm}
- {rule: high, about: cell, when: cell_v > 3.5, priority: low, group: heat, say: high}
""")
    hut = Scene(rules)
    hut.feed("watchd/request", {"do": "out_of_service", "alarm": "warm/pack/alder"})
    hut.feed("hut/alder/state", pack(temperature_degc=60.0))
    hut.feed("hut/alder/state", pack(cell_v=high(1), temperature_degc=60.0))
    assert firsts(hut) == {
        "hot/pack/alder": None,
        "warm/pack/alder": None,
        "high/cell/alder/1": "high/cell/alder/1",
    }
    # Back in service it is told, and belongs to the group.
    hut.feed("watchd/request", {"do": "in_service", "alarm": "warm/pack/alder"})
    assert firsts(hut)["warm/pack/alder"] == "high/cell/alder/1"
