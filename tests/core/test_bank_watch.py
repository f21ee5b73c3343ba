"""The watch of a bank: what its advice is made of, and what rules see of it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from typing import Any, cast

import pytest

from tests.advice.bench import START, seen
from tests.scene import config_of, rules_of
from watchd.advice.advice import Advice, Cap, Kind, PackState, Part
from watchd.advice.audit.live import PackAudit
from watchd.config import Config
from watchd.figures import Figures, Value
from watchd.rules.rule import Rule
from watchd.watch.bank import BankWatch
from watchd.watch.pack import PackWatch

CONFIG = config_of("""
banks: {hut: {charge_voltage_v: 56.0, max_charge_a: 150}}
packs:
  alder: {bank: hut, nameplate_ah: 200, max_charge_a: 100, max_discharge_a: 150,
          balancer: {current_a: 1.0, from_v: 3.40}}
  birch: {bank: hut, nameplate_ah: 200, max_charge_a: 100, max_discharge_a: 150}
sources: [{topic: "hut/{pack}/volts", value: voltage_v}]
""")
LEADING: dict[str, Value] = {
    "cell_max_v": 3.58,
    "voltage_v": 54.88,
    "cell_spread_mv": 150.0,
    "current_a": 5.0,
    "charge_headroom_a": 5.0,
    "charge_headroom_cell_no": 7,
    "horizon_mohm": 8.0,
    "imbalance_ah": 3.0,
    "imbalance_sigma_ah": 0.3,
    "imbalance_cell_no": 7,
}
GENTLE: dict[str, Value] = {
    "charge_headroom_a": 300.0,
    "charge_headroom_cell_no": 2,
    "horizon_mohm": 8.0,
    "current_a": 5.0,
}


# A compiled watch takes no stand-in for a pack.
pytestmark = pytest.mark.interpreted


@dataclass
class Stub:
    """A pack's watch with figures that are made up."""

    seen: PackState
    capped: list[Cap] = field(default_factory=list)

    @property
    def name(self) -> str:
        return self.seen.name

    @property
    def pack(self) -> Any:
        return self.seen.pack

    @property
    def audit(self) -> PackAudit:
        return PackAudit(self.name, self.pack, CONFIG.banks["hut"], CONFIG.profile)

    @property
    def figures(self) -> Figures:
        others = dict.fromkeys(("power_w", "soc_pct", "charge_state"))
        return {**others, "nameplate_ah": self.pack.nameplate_ah, **self.seen.figures}

    @property
    def told_state(self) -> PackState:
        return self.seen

    def state(self) -> PackState:
        return self.seen

    def caps(self) -> list[Cap]:
        return list(self.capped)

    def look_again_s(self) -> float:
        return 10.0

    @property
    def subject(self) -> str:
        return f"pack/{self.name}"

    @property
    def is_blind(self) -> bool:
        return False

    def told_of_bank(self, is_told: bool) -> bool:
        return is_told


def stub(name: str, also: dict[str, Value], config: Config = CONFIG) -> Stub:
    return Stub(seen(name, config.packs[name], also=also))


def watch(
    *packs: Stub, rules: tuple[Rule, ...] = (), saved: dict[str, Any] | None = None
) -> BankWatch:
    watches = cast("list[PackWatch]", list(packs))
    return BankWatch("hut", CONFIG, rules, watches, START, saved, {})


def test_a_hold_lowers_both_current_and_voltage() -> None:
    hut = watch(stub("alder", LEADING), stub("birch", GENTLE))
    hut.evaluate(START)
    charge, voltage = hut.advice[Kind.CHARGE_LIMIT], hut.advice[Kind.CHARGE_VOLTAGE]
    # alder stands at 5 A of 10 A and is to have 1 A: half of each A less is its.
    assert (charge.amount, charge.limited_by) == (2, "pack/alder balancing hold")
    assert (voltage.amount, voltage.limited_by) == (54.8, "pack/alder balancing hold")
    assert hut.advice[Kind.DISCHARGE_LIMIT].amount == 300
    found = [hut.figures[n] for n in ("charge_limit_a", "limited_by", "suggested_voltage_v")]
    assert found == [2, "pack/alder balancing hold", 54.8]
    assert hut.figures["discharge_limit_a"] == 300


def test_the_hold_lasts_while_the_sun_usually_does() -> None:
    """Three days with a sun of seven hours; the hold ends before the charge usually does."""
    alder = stub("alder", {**LEADING, "soc_estimate_pct": 100.0, "imbalance_ah": 0.0})
    birch = stub("birch", {**GENTLE, "soc_estimate_pct": 100.0})
    hut, held = watch(alder, birch), []
    day = [alder.seen, birch.seen]
    leads = replace(alder.seen, figures={**alder.seen.figures, "imbalance_ah": 3.0})
    night = [replace(s, figures={**s.figures, "current_a": -10.0, "voltage_v": 52.0}) for s in day]
    midnight = START - START % 86400
    for step in range(3 * 288 + 216):
        hour = step / 12 % 24
        if step == 3 * 288:
            hut = watch(alder, birch, saved=json.loads(json.dumps(hut.snapshot())))
        shines = 8 <= hour < 15
        alder.seen, birch.seen = day if shines else night
        if shines and step >= 3 * 288 and hour >= 13.5:
            alder.seen = leads
        hut.evaluate(midnight + step * 300)
        if hut.advice[Kind.CHARGE_LIMIT].limited_by == "pack/alder balancing hold":
            held.append(hour)
    # Half an hour is left for a sun that ends sooner.
    assert [held[0], held[-1]] == pytest.approx([13.5, 14 + 5 / 12])


def test_caps_of_packs_and_of_its_own_rules_count_at_once() -> None:
    rules = rules_of("""
- {rule: warm, about: bank, when: current_a > 5, priority: low, charge_limit: "7", say: "{bank}"}
""")
    alder, birch = stub("alder", GENTLE), stub("birch", GENTLE)
    alder.capped = [Cap("alder", "cell-spread-wide", 30.0)]
    hut = watch(alder, birch)
    hut.evaluate(START)
    assert hut.advice[Kind.CHARGE_LIMIT].limited_by == "pack/alder rule cell-spread-wide"
    hut = watch(alder, birch, rules=rules)
    hut.evaluate(START)
    assert hut.advice[Kind.CHARGE_LIMIT].amount == 7
    assert hut.figures["charge_limit_a"] == 7


def test_a_pack_that_cannot_be_trusted_withdraws_all_three() -> None:
    doubt: dict[str, Value] = {"telemetry_frozen": True, "telemetry_frozen_what": "cell_v"}
    hut = watch(stub("alder", LEADING), stub("birch", {**GENTLE, **doubt}))
    hut.evaluate(START)
    assert {a.limited_by for a in hut.advice.values()} == {"withdrawn"}
    assert all("birch" in a.because for a in hut.advice.values())


def test_a_restart_while_a_pack_is_held_changes_nothing() -> None:
    alder, birch = stub("alder", LEADING), stub("birch", GENTLE)
    whole = watch(alder, birch)
    whole.evaluate(START)
    resumed = watch(alder, birch, saved=json.loads(json.dumps(whole.snapshot())))
    # It would not begin now: its cell has sunk and has room.
    sunk = {"cell_max_v": 3.47, "charge_headroom_a": 60.0}
    alder.seen = replace(alder.seen, figures={**alder.seen.figures, **sunk})
    held = []
    for after_s in (30.0, 60.0, 120.0, 3600.0, 10_000.0, 11_000.0):
        for hut in (whole, resumed):
            hut.evaluate(START + after_s)
        assert whole.advice == resumed.advice
        held.append(any("balancing hold" in p.what for p in parts(whole)))
    assert held == [True] * 5 + [False]  # three hours of it a day


def parts(hut: BankWatch) -> tuple[Part, ...]:
    charge = hut.advice[Kind.CHARGE_LIMIT]
    assert isinstance(charge, Advice)
    return charge.parts
