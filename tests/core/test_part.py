"""Some banks in each of several engines tell what one engine for all of them tells."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Sequence
from typing import Any

import pytest

from tests.scene import START, cells, config_of, leading, pack, rules_of
from watchd.advice.advice import Advised
from watchd.alarms.state import Event, Told, Transition
from watchd.commands.recording import engine_for_replay, for_replay
from watchd.commands.replaying import in_order
from watchd.moved import Moved
from watchd.part import InseparableError, Part, Together
from watchd.rules.rule import Rule

Message = tuple[float, str, bytes, bool]
BANKS = {"hut": ("alder", "birch"), "mill": ("cedar", "elm"), "shed": ("fir",)}
TEXT = (
    "banks:\n"
    + "".join(f"  {bank}: {{charge_voltage_v: 56.0, max_charge_a: 200}}\n" for bank in BANKS)
    + "packs:\n"
    # Not bank by bank: their order is one of those in which all are looked at.
    + "".join(
        f"  {pack}: {{bank: {bank}, nameplate_ah: 200, max_charge_a: 100}}\n"
        for index in (1, 0)
        for bank, packs in BANKS.items()
        for pack in packs[index : index + 1]
    )
    + """
sources:
  - topic: site/{pack}/state
    json:
      voltage_v: $.volts
      current_a: {path: $.amps_out, scale: -1}
      soc_pct: $.soc
      cell_v: {path: "$.mv[*]", scale: 0.001}
      temperature_degc: "$.temps[*]"
      protection: {path: $.prot, bits: {0: OVER_VOLT}}
      charge_allowed: $.chg
      time: $.t
  - {topic: site/alder/amps, pack: alder, value: current_a}
  - {topic: site/both, pack: alder, value: soc_pct}
  - {topic: site/both, pack: cedar, value: soc_pct}
"""
)
RULES_TEXT = """
- {rule: cell-high, about: cell, when: cell_v > 3.5, priority: low, say: "{pack} cell {cell}"}
- {rule: hot, about: pack, when: temperature_max_degc > 50, priority: critical, say: "{pack} hot"}
- rule: spread
  when: cell_spread_mv > 40
  on_delay: 30 s
  off_delay: 1 min
  priority: medium
  group: cells
  say: "{pack} {cell_spread_mv:.0f} mV"
  charge_limit: 0.1 * nameplate_ah
- {rule: low, when: soc_pct < 20, priority: high, group: cells, say: "{pack} low"}
- {rule: silent, when: telemetry_quality == "stale", priority: high, say: "{pack} silent"}
- rule: bank-silent
  about: bank
  when: packs_silent >= 1
  on_delay: 20 s
  priority: high
  say: "{bank} silent"
- rule: bank-low
  about: bank
  when: soc_pct < 25
  priority: medium
  group: cells
  say: "{bank} low"
- rule: many
  about: service
  when: alarms_24h > 3
  on_delay: 2 min
  priority: low
  say: "{alarms_24h:.0f} in a day"
- {rule: few, about: service, when: alarms_10min < 2, priority: journal, say: "few"}
"""
CONFIG, RULES = config_of(TEXT), rules_of(RULES_TEXT)


def messages(seed: int, number: int = 250) -> Iterator[Message]:
    """Packs that send, fall silent, run high, hot, low and apart, and what is no telemetry."""
    chance, silent = random.Random(seed), dict.fromkeys(sum(BANKS.values(), ()), 0.0)
    at = newest = START
    for _ in range(number):
        # Often at the same moment, sometimes a trace backwards, rarely after a long time.
        at = max(at + chance.choice([0.0, 0.0, 1.0, 5.0, 10.0, -0.5, 0.25, 7.5]), newest - 0.9)
        newest = max(newest, at)
        if chance.random() < 0.01:
            at += chance.choice([100.0, 700.0, 4000.0, 86400.0, 2.999 * 86400, 3.5 * 86400])
        name = chance.choice(list(silent))
        kind = chance.random()
        if kind < 0.03:
            silent[name] = at + chance.choice([80.0, 200.0])
        if kind < 0.01:
            silent |= dict.fromkeys(BANKS[chance.choice(list(BANKS))], at + 150.0)
        if silent[name] > at:
            continue
        document: dict[str, Any] = pack(
            cell_v=[*cells(3.6, n := chance.choice([0, 0, 0, 0, 6])), *cells(3.3, 16 - n)]
            if chance.random() < 0.7
            else leading(3.4, by_mv=chance.choice([10, 60])),
            soc_pct=chance.choice([15, 22, 60, 60, 60]),
        )
        if chance.random() < 0.05:
            document["temps"] = [60.0]
        topic, payload = f"site/{name}/state", json.dumps(document).encode()
        if kind > 0.97:
            topic = chance.choice(
                ["site/nobody/state", "else/where", "watchd/alarm/old/pack/alder"]
            )
        elif kind > 0.95:
            payload = chance.choice([b"nonsense", b"{}", payload[:50]])
        elif kind > 0.90:
            topic, payload = "site/alder/amps", b"12.5"
        yield at, topic, payload, kind > 0.985


def shown(told: Sequence[Transition | Advised]) -> list[str]:
    found = []
    for one in sorted(told, key=lambda one: one.at):
        if isinstance(one, Transition):
            values = {name: str(value) for name, value in one.values.items()}
            found.append(f"{one.at} {one.key} {one.event} {one.told} {one.text} {values}")
        else:
            found.append(f"{one.at} {one.bank} {one.kind} {one.advice}")
    return found


def of_one(given: Sequence[Message], rules: Sequence[Rule] = RULES) -> tuple[list[str], list[Any]]:
    """All that one engine tells, and its figures and notes at the end."""
    engine = engine_for_replay(CONFIG, rules)
    told = []
    for at, topic, payload, retained in given:
        engine.feed(topic, payload, at, retained)
        told += shown([*engine.take_transitions(), *engine.take_advice()])
    return told, [engine.figures(), in_order(engine.take_notes())]


def of_parts(
    given: Sequence[Message], banks: Sequence[Sequence[str]], rules: Sequence[Rule] = RULES
) -> tuple[list[str], list[Any]]:
    """The same of parts with these banks, put together."""
    parts = [Part(for_replay(CONFIG), rules, b, is_first=i == 0) for i, b in enumerate(banks)]
    together = Together(CONFIG, rules)
    told, at = [], 0.0
    for at, topic, payload, retained in given:
        moved = [m for p in parts if (m := p.feed(topic, payload, at, retained)) is not None]
        assert all(isinstance(m, Moved) for m in moved)
        if moved:
            transitions, advised = together.take(moved)
            told += shown([*transitions, *advised])
    told += shown(together.end(parts[0].at))
    figures = {k: v for part in parts for k, v in part.engine.figures().items()}
    notes = in_order(note for part in parts for note in part.engine.take_notes())
    return told, [figures, notes]


SEPARATE = [["hut"], ["mill"], ["shed"]]


@pytest.mark.parametrize(
    ("seed", "banks"),
    [
        (2, SEPARATE),
        (4, [["shed", "hut"], ["mill"]]),
        *(pytest.param(seed, SEPARATE, marks=pytest.mark.long) for seed in (1, 3, *range(80, 100))),
        pytest.param(5, [["mill"], ["hut", "shed"]], marks=pytest.mark.long),
        pytest.param(6, [["hut", "mill", "shed"]], marks=pytest.mark.long),
    ],
)
def test_parts_tell_what_one_engine_tells(seed: int, banks: list[list[str]]) -> None:
    given = list(messages(seed))
    told, rest = of_parts(given, banks)
    expected, expected_rest = of_one(given)
    for number, (one, other) in enumerate(zip(told, expected, strict=False)):
        assert (number, one) == (number, other)
    assert len(told) == len(expected)
    assert rest == expected_rest


def test_the_story_has_all_that_could_come_apart() -> None:
    """Else the test before would say little."""
    engine = engine_for_replay(CONFIG, RULES)
    found: list[Transition] = []
    for at, topic, payload, retained in messages(2):
        engine.feed(topic, payload, at, retained)
        found += engine.take_transitions()
    told = {(t.rule.name, t.told) for t in found}
    assert {t.subject.split("/")[1] for t in found} >= {"alder", "cedar", "fir", "hut", "watchd"}
    assert ("alarm-flood", Told.YES) in told
    assert {("cell-high", Told.FLOOD), ("hot", Told.YES), ("silent", Told.FOLLOWS)} <= told
    assert {t.event for t in found if t.rule.name == "alarm-flood"} >= {
        Event.RAISED,
        Event.RETURNED,
    }
    assert {"many", "few", "bank-silent", "bank-low"} <= {t.rule.name for t in found}


@pytest.mark.parametrize("topic", ["watchd/request", "watchd/request/keeper", "site/both"])
def test_what_concerns_more_than_one_part_is_not_taken(topic: str) -> None:
    part = Part(for_replay(CONFIG), RULES, ["hut"], is_first=False)
    part.feed("site/alder/state", b"{}", START, False)
    with pytest.raises(InseparableError):
        part.feed(topic, b"{}", START + 1, False)
