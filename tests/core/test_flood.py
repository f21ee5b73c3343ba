"""More alarms than a person can follow: one annunciation with a count, and what still passes.

The numbers are those that ISA-18.2 and EEMUA 191 give for a flood, as quoted in open text: it
begins with more than ten alarms in ten minutes, and ends below five.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.scene import START, Scene, cells, pack, rules_of
from watchd.alarms.annunciator import Annunciator
from watchd.alarms.state import Event, State, Told, Transition
from watchd.config import Elsewhere, parse_config
from watchd.config.many import entries_of
from watchd.documents import parse_document
from watchd.rules.rule import Priority, Rule

RULES = rules_of("""
- {rule: cell-high, about: cell, when: cell_v > 3.5, priority: low, say: "{pack} cell {cell}"}
- {rule: hot, about: pack, when: temperature_max_degc > 50, priority: critical, say: "{pack} hot"}
- {rule: quiet, about: pack, when: soc_pct < 10, priority: journal, say: "{pack} low"}
- {rule: silent, about: pack, when: soc_pct < 10, priority: high, annunciate: no, say: "{pack}"}
""")
FLOOD = "alarm-flood/service/watchd"


def high(number: int) -> list[float]:
    """A pack in which the first cells are too high."""
    return [*cells(3.6, number), *cells(3.3, 16 - number)]


def told(hut: Scene) -> list[tuple[str, str]]:
    """What happened since the last call: the alarm, without its pack, and who was told."""
    moved, hut.transitions = hut.transitions, []
    return [(t.key, str(t.told)) for t in moved if t.told is not Told.NO]


def heard(hut: Scene) -> list[dict[str, Any]]:
    """What phones were told since the last call."""
    said, hut.said = hut.said, []
    return [json.loads(p.payload) for p in said if p.topic == "watchd/annunciation"]


def test_ten_alarms_in_ten_minutes_are_told_one_by_one() -> None:
    hut = Scene(RULES)
    hut.feed("hut/alder/state", pack(cell_v=high(10)))
    assert [who for _, who in told(hut)] == ["yes"] * 10
    assert len(heard(hut)) == 10
    assert not hut.raised("alarm-flood", "service/watchd")


def test_the_eleventh_begins_a_flood_that_is_told_before_what_it_holds_back() -> None:
    hut = Scene(RULES)
    hut.feed("hut/alder/state", pack(cell_v=high(13)))
    expected = [(f"cell-high/cell/alder/{n}", "yes") for n in range(1, 11)]
    held_back = [(f"cell-high/cell/alder/{n}", "flood") for n in (11, 12, 13)]
    assert told(hut) == [*expected, (FLOOD, "yes"), *held_back]
    messages = heard(hut)
    assert [m["alarm"] for m in messages] == [key for key, _ in expected] + [FLOOD]
    assert messages[-1]["text"].startswith("11 alarms in 10 min, more than a person can follow;")
    # Held back from phones only: the record stands with the others.
    assert hut.retained["watchd/alarm/cell-high/cell/alder/13"]["state"] == "unacknowledged"


def test_what_is_critical_passes_and_what_is_silent_does_not_count() -> None:
    hut = Scene(RULES)
    hut.feed("hut/birch/state", pack(soc_pct=5.0))
    hut.feed("hut/alder/state", pack(cell_v=high(10), soc_pct=5.0))
    assert not hut.raised("alarm-flood", "service/watchd")
    hut.feed("hut/alder/state", pack(cell_v=high(11)))
    assert hut.raised("alarm-flood", "service/watchd")
    told(hut)
    hut.feed("hut/birch/state", pack(cell_v=high(1), temperature_degc=60.0))
    assert told(hut) == [("hot/pack/birch", "yes"), ("cell-high/cell/birch/1", "flood")]
    assert [m["alarm"] for m in heard(hut)][-1] == "hot/pack/birch"


def test_it_ends_below_five_and_what_comes_then_is_told_again() -> None:
    hut = Scene(RULES)
    hut.feed("hut/alder/state", pack(cell_v=high(7)))
    hut.run(minutes=5, alder=pack(cell_v=high(7)))
    hut.feed("hut/alder/state", pack(cell_v=high(11)))
    assert hut.raised("alarm-flood", "service/watchd")
    # Ten minutes after the first seven, four are left.
    hut.run(minutes=4, seconds=59, alder=pack(cell_v=high(11)))
    assert hut.raised("alarm-flood", "service/watchd")
    hut.run(seconds=1, alder=pack(cell_v=high(11)))
    assert not hut.raised("alarm-flood", "service/watchd")
    assert hut.transitions[-1].at == START + 600
    told(hut)
    hut.feed("hut/alder/state", pack(cell_v=high(12)))
    assert told(hut) == [("cell-high/cell/alder/12", "yes")]


def test_what_is_held_back_keeps_the_flood_going() -> None:
    hut = Scene(RULES)
    hut.feed("hut/alder/state", pack(cell_v=high(11)))
    hut.run(minutes=9, alder=pack(cell_v=high(11)))
    hut.feed("hut/birch/state", pack(cell_v=high(5)))
    hut.run(minutes=5, alder=pack(cell_v=high(11)), birch=pack(cell_v=high(5)))
    assert hut.raised("alarm-flood", "service/watchd")
    hut.run(minutes=6, alder=pack(cell_v=high(11)), birch=pack(cell_v=high(5)))
    assert not hut.raised("alarm-flood", "service/watchd")


@pytest.mark.parametrize("number", [10, 11])
def test_the_account_goes_on_over_a_restart(number: int) -> None:
    hut = Scene(RULES)
    hut.feed("hut/alder/state", pack(cell_v=high(number)))
    again = Scene(RULES, state=json.loads(json.dumps(hut.engine.snapshot())))
    again.seconds = 20.0
    again._heard(again.engine.tick(again.now))
    assert told(again) == []  # nobody is told a second time, of the flood neither
    again.feed("hut/birch/state", pack(cell_v=high(1)))
    assert told(again) == [
        *([(FLOOD, "yes")] if number == 10 else []),
        ("cell-high/cell/birch/1", "flood"),
    ]
    again.run(minutes=12, alder=pack(cell_v=high(number)), birch=pack(cell_v=high(1)))
    assert not again.raised("alarm-flood", "service/watchd")


def test_a_flood_with_a_clock_that_begins_in_1970() -> None:
    """Small times are not exact to add and take away: the end of ten minutes must still come."""
    annunciator = Annunciator()
    rule = RULES[0]
    for at in (0.1, 0.7, 100.3, 1e9 / 3):
        assert annunciator.follow(raised(rule, at))
        annunciator.figures(at)
        due = annunciator.next_at()
        assert annunciator.figures(due)["alarms_10min"] == 0
        assert annunciator.next_at() > due
        annunciator.figures(annunciator.next_at())


def raised(rule: Rule, at: float, told: Told = Told.YES) -> Transition:
    """An alarm of the rule is raised."""
    return Transition(
        at, rule, "pack/alder", Event.RAISED, State.NORMAL, State.UNACKNOWLEDGED,
        State.UNACKNOWLEDGED, "", {}, "", told,
    )  # fmt: skip


def test_the_account_of_ten_minutes_and_of_a_day() -> None:
    annunciator = Annunciator()
    for minute in (0, 1, 9, 30):
        annunciator.follow(raised(RULES[0], START + 60 * minute))
    found = {}
    for minute in (30, 39, 40, 1439, 1440, 1441, 1449, 1470):
        account = annunciator.figures(START + 60 * minute)
        next_minute = (annunciator.next_at() - START) / 60
        found[minute] = (account["alarms_10min"], account["alarms_24h"], next_minute)
    # In ten minutes, in a day, and the minute in which one of them changes by time alone.
    assert found == {
        30: (1, 4, 40),
        39: (1, 4, 40),
        40: (0, 4, 1440),
        1439: (0, 4, 1440),
        1440: (0, 3, 1441),
        1441: (0, 2, 1449),
        1449: (0, 1, 1470),
        1470: (0, 0, float("inf")),
    }


@pytest.mark.parametrize("why", [w for w in Told if w is not Told.YES])
def test_what_nobody_is_told_of_does_not_count(why: Told) -> None:
    annunciator = Annunciator()
    assert not annunciator.follow(raised(RULES[0], START, why))
    assert annunciator.figures(START)["alarms_24h"] == 0
    transition = raised(RULES[0], START, why)
    assert annunciator.judge(transition, flood=True) == transition


def test_only_what_is_critical_passes_a_flood() -> None:
    annunciator = Annunciator()
    for priority in Priority:
        (rule,) = rules_of(
            f"- {{rule: hot, about: pack, when: current_a > 1, priority: {priority}, say: hot}}"
        )
        judged = annunciator.judge(raised(rule, START), flood=True)
        assert judged.told is (Told.YES if priority is Priority.CRITICAL else Told.FLOOD)
        assert annunciator.judge(raised(rule, START), flood=False).told is Told.YES


def test_rules_about_watchd_itself_see_chattering_and_stale_alarms() -> None:
    own = rules_of("""
- {rule: hot, about: pack, when: temperature_max_degc > 50, priority: low, say: "{pack} hot"}
- {rule: restless, about: service, when: alarms_chattering > 0, priority: journal, say: restless}
- {rule: forgotten, about: service, when: alarms_stale > 0, priority: journal, say: forgotten}
""")
    hut = Scene(own)
    for _ in range(3):
        hut.run(seconds=10, alder=pack(temperature_degc=60.0))
        hut.run(seconds=10, alder=pack())
    assert hut.raised("restless", "service/watchd")
    hut.run(minutes=11, alder=pack(temperature_degc=60.0))
    assert not hut.raised("restless", "service/watchd")
    hut.run(minutes=24 * 60, every=600, alder=pack(temperature_degc=60.0))
    assert hut.raised("forgotten", "service/watchd")
    again = Scene(own, state=json.loads(json.dumps(hut.engine.snapshot())))
    again.seconds = hut.seconds
    again.run(seconds=1)
    assert again.raised("forgotten", "service/watchd")
    assert again.transitions == []
    again.run(seconds=10, alder=pack())
    assert not again.raised("forgotten", "service/watchd")
    # And where its rule is no more, there is nothing to forget.
    without = Scene(own[1:], state=json.loads(json.dumps(hut.engine.snapshot())))
    without.seconds = hut.seconds
    without.run(seconds=1)
    assert not without.raised("forgotten", "service/watchd")


@pytest.mark.parametrize("do", [{"do": "shelve", "for": "1 h"}, {"do": "out_of_service"}])
def test_a_flood_that_was_put_aside_holds_nothing_back(do: dict[str, str]) -> None:
    hut = Scene(RULES)
    hut.feed("watchd/request", {**do, "alarm": "alarm-flood/service/watchd"})
    hut.feed("hut/alder/state", pack(cell_v=high(12)))
    assert {t.told for t in hut.transitions if t.event is Event.RAISED} == {
        Told.YES,
        Told.WITHHELD,  # the flood's own
    }


MANY = """
kinds:
  cabin:
    bank: {charge_voltage_v: 56.0}
    packs: {alder: {nameplate_ah: 200, max_charge_a: 100}}
banks_from: banks.yaml
sources:
  - topic: site/{bank}/{pack}/state
    json: {cell_v: {path: "$.mv[*]", scale: 0.001}}
"""


def many_banks(*names: str) -> Scene:
    """Banks in a file of their own, each with the pack alder."""
    file = parse_document("".join(f"{n}: {{like: cabin}}\n" for n in names), "banks.yaml")
    entries, _ = entries_of(file, None)
    return Scene(RULES, parse_config(parse_document(MANY, "config.yaml"), Elsewhere(entries)))


def test_a_bank_in_a_flood_holds_back_its_own_alarms_alone() -> None:
    fleet = many_banks("north", "south")
    fleet.feed("site/north/alder/state", pack(cell_v=high(12)))
    assert [t for _, t in told(fleet)].count("flood") == 2  # the eleventh and the twelfth
    fleet.feed("site/south/alder/state", pack(cell_v=high(3)))
    assert {t for _, t in told(fleet)} == {"yes"}
    fleet.feed("site/north/alder/state", pack(cell_v=high(13)))
    assert {t for _, t in told(fleet)} == {"flood"}


def test_few_alarms_of_each_of_many_banks_are_no_flood() -> None:
    names = [f"site-{number}" for number in range(12)]
    fleet = many_banks(*names)
    for name in names:
        fleet.feed(f"site/{name}/alder/state", pack(cell_v=high(2)))
    assert {t for _, t in told(fleet)} == {"yes"}
    assert not fleet.raised("alarm-flood", "service/watchd")
