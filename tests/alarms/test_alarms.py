"""All alarms of a subject together, against each by itself: at rest or not, they tell the same."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from random import Random
from typing import Any

import pytest

from tests.alarms.story import ALDER, NAMES, START
from watchd.alarms.alarm import Alarm
from watchd.alarms.alarms import Alarms
from watchd.alarms.part_times import LOOK_EVERY_S
from watchd.alarms.shelf import Shelf
from watchd.alarms.state import State, Told, Transition
from watchd.figures import About, Figures
from watchd.rules.fields import FIELDS
from watchd.rules.loader import compile_rules
from watchd.rules.rule import Rule

# Each sort of what may move an alarm, or keep it from rest.
RULES = """
- {rule: plain, about: pack, when: cell_spread_mv > 40, priority: low, say: "{pack}"}
- rule: delayed
  about: pack
  when: cell_spread_mv > 40 and current_a > 0
  on_delay: 25 s
  off_delay: 15 s
  deadband: {cell_spread_mv: 10}
  priority: medium
  latching: yes
  say: "{cell_spread_mv:.0f}"
- rule: until
  about: pack
  when: soc_pct < 20
  until: soc_pct > 30
  suppress_when: charge_state == "CHARGING"
  priority: high
  re_alarm_time: 60 s
  say: x
- rule: capping
  about: pack
  when: not (temperature_min_degc > 5) or temperature_max_degc > 45
  off_delay: 10 s
  charge_limit: 0.1 * nameplate_ah if current_a > 0 else 7
  priority: low
  say: x
- rule: windowed
  about: pack
  when: mean(cell_spread_mv, "1 min") > 30
  priority: low
  say: x
- rule: rises
  about: pack
  when: cell_spread_mv > 0
  suppress_when: count(charge_allowed, "1 min") < 2
  charge_limit: highest(current_a, "1 min")
  priority: journal
  say: x
- rule: sums
  about: pack
  when: soc_pct - 2 * current_a > 1000 / cell_spread_mv
  on_delay: 10 s
  annunciate: no
  priority: low
  say: x
"""
SPREADS = (20.0, 25.0, 35.0, 38.0, 41.0, 55.0, 0.0, None)


@cache
def rules() -> tuple[Rule, ...]:
    return compile_rules([("alarms.yaml", RULES)])


def alarms(saved: dict[str, Any] | None = None, *, explains: bool = False) -> list[Alarm]:
    known = saved or {}
    return [Alarm(r, ALDER, NAMES, known.get(r.name), explains=explains) for r in rules()]


def figures(rng: Random) -> Figures:
    shown: Figures = dict.fromkeys(FIELDS[About.PACK])
    shown["nameplate_ah"] = 230.0
    # What stirs is rare, as in life: otherwise nothing would ever be at rest.
    shown["cell_spread_mv"] = rng.choice(SPREADS) if rng.random() < 0.3 else 20.0
    shown["current_a"] = rng.choice((-5.0, 12.0, None))
    shown["soc_pct"] = rng.choice((10.0, 25.0, 35.0, None)) if rng.random() < 0.2 else 50.0
    shown["charge_state"] = rng.choice(("CHARGING", "HOLDING", None))
    shown["charge_allowed"] = rng.choice((True, False, None))
    cold = rng.random() < 0.1
    shown["temperature_min_degc"] = rng.choice((2.0, None)) if cold else 15.0
    shown["temperature_max_degc"] = rng.choice((50.0, None)) if rng.random() < 0.1 else 20.0
    return shown


ACTS: tuple[Callable[[Alarm, float], object], ...] = (
    lambda alarm, at: alarm.acknowledge(at),
    lambda alarm, at: alarm.reset(at),
    lambda alarm, at: alarm.shelve(at, Shelf(at + 45.0)),
    lambda alarm, at: alarm.shelve(at, Shelf(at + 3600.0, until_cleared=True)),
    lambda alarm, at: alarm.unshelve(at),
    lambda alarm, at: alarm.remove_from_service(at),
    lambda alarm, at: alarm.return_to_service(at),
    lambda alarm, _at: alarm.cover(Told.STALE),
    lambda alarm, _at: alarm.cover(None),
    lambda alarm, _at: alarm.holds_back(Told.FOLLOWS) if alarm.is_raised else None,
)


def told(moved: list[Transition]) -> list[tuple[object, ...]]:
    return [
        (t.key, t.event, t.before, t.state, t.condition, t.text, dict(t.values), t.told)
        for t in moved
    ]


def meaning(alarm: Alarm) -> dict[str, Any]:
    """A snapshot without what has no meaning while it is not raised or nothing runs."""
    kept: dict[str, Any] = json.loads(json.dumps(alarm.snapshot()))
    if not alarm.is_raised:
        del kept["conditions"]["cap_a"]
    for hold in ("on", "off"):
        held_s, runs, at = kept["conditions"][hold]
        kept["conditions"][hold] = [held_s, runs, at if runs else None]
    return kept


def live(seed: int, looks: int) -> int:
    """Two lives of the same alarms, together and each by itself; how many were found at rest."""
    rng = Random(seed)
    each, together = alarms(), Alarms(alarms())
    at, at_rest = START, 0
    for number in range(looks):
        at += rng.choice((1.0, 5.0, 10.0, 10.0, 70.0, 700.0))
        shown = figures(rng)
        expected = [t for alarm in each for t in alarm.evaluate(at, shown)]
        assert told(together.evaluate(at, shown)) == told(expected)
        if rng.random() < 0.1:
            place, act = rng.randrange(len(each)), rng.choice(ACTS)
            act(each[place], at)
            act(list(together)[place], at)
        pairs = list(zip(together, each, strict=True))
        dues = [due for a in each if (due := a.due_at()) is not None and due > at]
        assert together.due_at(at) == min(dues, default=float("inf"))
        capped = [(a.rule.name, a.charge_limit_a) for a in each if a.charge_limit_a is not None]
        assert together.caps() == capped
        assert [one.unknown for one, _ in pairs] == [other.unknown for _, other in pairs]
        assert [one.state for one, _ in pairs] == [other.state for _, other in pairs]
        unrest = {a.key for a in each if a.state is not State.NORMAL}
        assert unrest <= {a.key for a in together.awake()}
        at_rest += len(each) - len(together.awake())
        if number % 50 == 49:
            assert [meaning(one) for one, _ in pairs] == [meaning(other) for _, other in pairs]
            saved = {a.rule.name: json.loads(json.dumps(a.snapshot())) for a in together}
            each, together = alarms(saved), Alarms(alarms(saved))
    return at_rest


def test_together_they_tell_the_same_as_each_by_itself() -> None:
    assert sum(live(seed, 250) for seed in range(4)) > 1400


@pytest.mark.long
def test_together_for_long() -> None:
    for seed in range(100, 400):
        live(seed, 500)


def calm() -> Figures:
    shown: Figures = dict.fromkeys(FIELDS[About.PACK])
    known = {"cell_spread_mv": 20.0, "current_a": 12.0, "soc_pct": 50.0, "nameplate_ah": 230.0}
    return {**shown, **known, "temperature_min_degc": 15.0, "temperature_max_degc": 20.0}


def test_what_is_at_rest_is_awake_again_when_a_person_or_a_figure_moves_it() -> None:
    together = Alarms(alarms())
    together.evaluate(START, calm())
    asleep = [a.rule.name for a in together if not a.is_awake]
    assert {"plain", "delayed", "until", "capping"} <= set(asleep)
    plain = next(iter(together))
    plain.shelve(START + 1, Shelf(START + 50))
    assert plain in together.awake()
    assert together.due_at(START + 1) == START + 50
    together.evaluate(START + 10, {**calm(), "cell_spread_mv": 41.0})
    assert plain.is_raised
    assert [a.rule.name for a in together.awake()][:2] == ["plain", "delayed"]


def test_what_is_unknown_of_an_alarm_at_rest_is_asked_of_the_last_figures() -> None:
    together = Alarms(alarms())
    together.evaluate(START, calm())
    together.evaluate(START + 10, {**calm(), "cell_spread_mv": None, "soc_pct": None})
    unknown = {a.rule.name: a.unknown for a in together}
    assert unknown["plain"] == ("cell_spread_mv",)
    assert unknown["until"] == ("soc_pct",)
    assert unknown["capping"] == ()
    plain = next(iter(together))
    assert not plain.is_awake
    plain.shelve(START + 11, Shelf(START + 50))
    assert plain.unknown == ("cell_spread_mv",)
    assert plain.snapshot()["conditions"]["unknown"] == ["cell_spread_mv"]


def test_times_of_parts_are_noted_whether_at_rest_or_not() -> None:
    together = Alarms(alarms(explains=True))
    delayed = list(together)[1]
    assert delayed.parts is not None
    together.evaluate(START, calm())
    together.evaluate(START + 1, {**calm(), "current_a": -1.0})  # seen at the next look
    together.evaluate(START + LOOK_EVERY_S, {**calm(), "current_a": -1.0})
    assert delayed.parts.since("when") == [START, START + LOOK_EVERY_S]
    # Somebody asks while the part is otherwise, and at the next look it is as it was before.
    delayed.look_at_parts(START + 12, {**calm(), "current_a": 5.0})
    together.evaluate(START + 2 * LOOK_EVERY_S, {**calm(), "current_a": -1.0})
    assert delayed.parts.since("when") == [START, START + 2 * LOOK_EVERY_S]
