"""Never more than one annunciation for one cause: silence, a whole bank's silence, followers."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from tests.rules.shipped_rules import RULES as SHIPPED
from tests.scene import CONFIG, Scene, cells, config_of, pack, rules_of
from watchd.rules.rule import Rule

STALE, BANK = SHIPPED["telemetry-stale"], SHIPPED["bank-silent"]
HOT = """
- rule: hot
  when: temperature_max_degc > 50
  priority: PRIORITY
  re_alarm_time: 10 min
  say: "{pack}: {temperature_max_degc:unit}"
- {rule: uncounted, when: uncounted_h > 0.2, priority: low, say: "{pack}: {uncounted_h:unit}"}
- {rule: setting, when: nameplate_ah > 100, re_alarm_time: 10 min, priority: low, say: "{pack}"}
"""
WARM = pack(temperature_degc=60.0)


def told(hut: Scene) -> list[str]:
    """What phones have shown so far: event and alarm."""
    said = [json.loads(p.payload) for p in hut.said if p.topic == "watchd/annunciation"]
    return [f"{m['event']} {m['alarm']}" for m in said]


def heard_since(hut: Scene) -> list[str]:
    found = told(hut)
    hut.said.clear()
    return found


def happened(hut: Scene, rule: str) -> list[str]:
    """What became of a rule's alarm on the pack alder, and whether people heard."""
    moved = [t for t in hut.transitions if t.key == f"{rule}/pack/alder"]
    return [f"{t.event} {t.told}" for t in moved]


def restarted(hut: Scene, rules: tuple[Rule, ...]) -> Scene:
    again = Scene(rules, state=json.loads(json.dumps(hut.engine.snapshot())))
    again.seconds = hut.seconds
    return again


# --- a pack that sends nothing ---


@pytest.mark.parametrize("priority", ["critical", "high", "medium", "low"])
def test_what_rests_on_a_silent_pack_is_told_once_it_is_heard_again(priority: str) -> None:
    hut = Scene((*rules_of(HOT.replace("PRIORITY", priority)), STALE))
    hut.run(minutes=5, alder=WARM, birch=pack())
    assert heard_since(hut) == [
        "raised setting/pack/alder", "raised setting/pack/birch", "raised hot/pack/alder",
    ]  # fmt: skip
    hut.run(minutes=30, birch=pack())
    # That nothing comes, once; and what rests on no measurement, as before.
    assert sorted(set(heard_since(hut))) == [
        "raised telemetry-stale/pack/alder",
        "re_alarmed setting/pack/alder",
        "re_alarmed setting/pack/birch",
    ]
    assert happened(hut, "uncounted") == ["raised stale"]
    hut.run(seconds=5, alder=WARM, birch=pack())
    assert "re_alarmed hot/pack/alder" in heard_since(hut)
    assert happened(hut, "uncounted") == ["raised stale", "re_alarmed yes"]


def test_what_is_gone_when_the_pack_is_heard_again_is_never_told() -> None:
    rules = (*rules_of(HOT.replace("PRIORITY", "high")), STALE)
    hut = Scene(rules)
    hut.run(minutes=5, alder=WARM, birch=pack())
    hut.run(minutes=30, birch=pack())
    heard_since(hut)
    hut.run(minutes=5, alder=pack(), birch=pack())
    assert not [line for line in heard_since(hut) if "hot" in line]


def test_silence_goes_on_over_a_restart() -> None:
    rules = (*rules_of(HOT.replace("PRIORITY", "high")), STALE)
    hut = Scene(rules)
    hut.run(minutes=5, alder=WARM, birch=pack())
    hut.run(minutes=30, birch=pack())
    again = restarted(hut, rules)
    again.run(minutes=10, birch=pack())
    assert happened(again, "uncounted") == []
    assert not [line for line in told(again) if line.endswith("hot/pack/alder")]
    again.run(seconds=5, alder=WARM, birch=pack())
    assert happened(again, "uncounted") == ["re_alarmed yes"]


def test_what_still_comes_of_a_pack_is_told_though_a_part_of_it_is_stale() -> None:
    hut = Scene(rules_of(HOT.replace("PRIORITY", "high")))
    hut.run(minutes=2, alder=pack(), birch=pack())
    cold = {k: v for k, v in pack().items() if k != "soc"}
    hut.run(minutes=5, alder=cold, birch=pack())
    assert hut.figures("pack/alder")["telemetry_quality"] == "stale"
    heard_since(hut)
    hut.run(seconds=5, alder={**cold, "temps": [60.0, 61.0]}, birch=pack())
    assert heard_since(hut) == ["raised hot/pack/alder"]


# --- all packs of a bank ---


def test_a_bank_that_falls_silent_is_told_once() -> None:
    hut = Scene((STALE, BANK))
    hut.run(minutes=5, alder=pack(), birch=pack())
    hut.run(minutes=30)
    assert told(hut) == ["raised bank-silent/bank/hut"]
    assert happened(hut, "telemetry-stale") == ["raised follows"]
    hut.run(minutes=5, alder=pack(), birch=pack())
    assert told(hut) == ["raised bank-silent/bank/hut"]


@pytest.mark.parametrize("restart", [False, True])
def test_the_pack_that_stays_silent_alone_is_told_then(restart: bool) -> None:
    hut = Scene((STALE, BANK))
    hut.run(minutes=5, alder=pack(), birch=pack())
    hut.run(minutes=30)
    heard_since(hut)
    hut.run(seconds=30, birch=pack())
    if restart:
        hut = restarted(hut, (STALE, BANK))
    assert heard_since(hut) == []
    hut.run(seconds=90, birch=pack())
    assert heard_since(hut) == ["re_alarmed telemetry-stale/pack/alder"]


def test_it_is_told_at_the_moment_at_which_the_banks_silence_is_over() -> None:
    hut = Scene((STALE, BANK))
    hut.run(minutes=5, alder=pack(), birch=pack())
    hut.run(minutes=31, seconds=7)
    hut.transitions.clear()
    hut.run(minutes=3, birch=pack())
    moved = {f"{t.event} {t.key}": t.at for t in hut.transitions}
    over_at = moved["returned bank-silent/bank/hut"]
    assert moved["re_alarmed telemetry-stale/pack/alder"] == over_at


def test_packs_that_fall_silent_one_after_the_other_within_a_minute_are_one() -> None:
    hut = Scene((STALE, BANK))
    hut.run(minutes=5, alder=pack(), birch=pack())
    hut.run(seconds=40, birch=pack())
    hut.run(minutes=10)
    assert told(hut) == ["raised bank-silent/bank/hut"]


def test_a_pack_that_is_silent_for_long_was_told_before_its_bank() -> None:
    hut = Scene((STALE, BANK))
    hut.run(minutes=5, alder=pack(), birch=pack())
    hut.run(minutes=10, birch=pack())
    hut.run(minutes=10)
    assert told(hut) == ["raised telemetry-stale/pack/alder", "raised bank-silent/bank/hut"]


def without_bank(rules: tuple[Rule, ...], hut: Scene | None = None) -> list[str]:
    hut = hut or Scene(rules)
    hut.run(minutes=5, alder=pack(), birch=pack())
    hut.run(minutes=10)
    return sorted(told(hut))


EACH = ["raised telemetry-stale/pack/alder", "raised telemetry-stale/pack/birch"]


def test_without_a_rule_that_says_it_each_pack_does() -> None:
    assert without_bank((STALE,)) == EACH


def test_a_rule_that_nobody_hears_says_it_for_nobody() -> None:
    assert without_bank((STALE, replace(BANK, annunciate=False))) == EACH
    hut = Scene((STALE, BANK))
    hut.feed("watchd/request", {"do": "out_of_service", "alarm": "bank-silent/bank/hut"})
    assert without_bank((), hut) == EACH


def test_the_order_of_packs_in_the_config_changes_nothing() -> None:
    turned = CONFIG.replace("  alder:", "  x:").replace("  birch:", "  alder:")
    turned = turned.replace("  x:", "  birch:")
    found = []
    for config in (CONFIG, turned):
        hut = Scene((STALE, BANK), config_of(config))
        hut.run(minutes=5, alder=pack(), birch=pack())
        hut.run(minutes=30)
        hut.run(minutes=5, birch=pack())
        found.append(told(hut))
    assert found[0] == found[1]


# --- an overcharge morning, with the rules that ship ---


def high(volts: float, *, amps: float = 20.0, **more: Any) -> dict[str, Any]:
    return pack(cell_v=[*cells(volts, 1), *cells(3.44, 15)], current_a=amps, **more)


def test_an_overcharge_morning_is_told_once_a_step() -> None:
    hut = Scene(tuple(SHIPPED.values()))
    hut.run(minutes=5, alder=high(3.45, ov_mv=3650), birch=pack())
    hut.run(minutes=10, alder=high(3.55, ov_mv=3650), birch=pack())
    heard = [heard_since(hut)]
    for _ in range(3):
        hut.run(minutes=1, alder=high(3.64, ov_mv=3650), birch=pack())
        hut.run(minutes=9, alder=high(3.5, amps=0.0, protection=1, ov_mv=3650), birch=pack())
        heard.append(heard_since(hut))
    assert heard == [
        ["raised cell-spread-wide/pack/alder"],
        ["raised cell-near-overvoltage/pack/alder"],
        [],
        ["raised protection-trips-repeated/pack/alder"],
    ]
