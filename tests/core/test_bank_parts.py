"""A state taken apart by bank and put together again is the same; a bank moves with its state."""

from __future__ import annotations

import json
from typing import Any

from tests.scene import SOURCES, START, Scene, config_of, leading, pack, rules_of
from watchd.bank_parts import bank_of, join, split
from watchd.config import Config
from watchd.engine import Engine

TWO = f"""
banks:
  hut: {{charge_voltage_v: 56.0}}
  barn: {{charge_voltage_v: 56.0}}
packs:
  alder: {{bank: hut, nameplate_ah: 200, max_charge_a: 100}}
  birch: {{bank: barn, nameplate_ah: 200, max_charge_a: 100}}
{SOURCES}
"""
RULES = rules_of("""
- rule: cell-high
  about: pack
  when: cell_max_v > 3.5
  on_delay: 5 min
  priority: medium
  title: "{pack}: cell high"
  say: "{pack}: a cell is high"
  cause: It leads.
  consequence: It may trip.
  response: Charge with less.
""")
BANKS = {"alder": "hut", "birch": "barn"}


def lived(config: Config, minutes: int = 3, state: Any = None) -> Scene:
    """Both packs with a cell that leads; the alarm is due in two minutes."""
    scene = Scene(RULES, config, state)
    high = pack(cell_v=leading(3.55, by_mv=60))
    scene.run(minutes=minutes, alder=high, birch=high)
    return scene


def saved(scene: Scene) -> dict[str, Any]:
    state: dict[str, Any] = json.loads(json.dumps(scene.engine.snapshot()))
    return state


def test_taken_apart_and_put_together_it_is_the_same() -> None:
    state = saved(lived(config_of(TWO)))
    parts = split(state, BANKS)
    assert set(parts) == {"hut", "barn"}
    assert join(state, parts) == state
    for name in ("packs", "banks", "alarms", "due", "reanchor"):
        together = {key for part in parts.values() for key in part.get(name, {})}
        assert together == {k for k in state[name] if "service/watchd" not in k}
    assert not {key for key in parts["hut"]["alarms"] if "birch" in key or "barn" in key}


def test_a_bank_that_moves_goes_on_where_it_was() -> None:
    """Its alarm was due in two minutes, and comes when it was due, at the other daemon."""
    whole = config_of(TWO)
    first = saved(lived(whole))
    part = {"barn": split(first, BANKS)["barn"]}
    only_hut = join({}, {"hut": split(first, BANKS)["hut"]})
    begun = lived(whole, 3)
    for state in (join(only_hut, part), first):
        engine = Engine(whole, RULES, state=state)
        at = START + begun.seconds
        payload = json.dumps(pack(cell_v=leading(3.55, by_mv=60))).encode()
        raised = []
        for second in range(0, 180, 10):
            for name in BANKS:
                engine.feed(f"hut/{name}/state", payload, at + second)
            raised += [t for t in engine.take_transitions() if t.rule.name == "cell-high"]
        assert {t.subject for t in raised} == {"pack/alder", "pack/birch"}
        assert all(t.at == raised[0].at < at + 125 for t in raised)


def test_a_subject_has_a_bank_or_is_watchd_itself() -> None:
    assert bank_of("pack/alder", BANKS) == "hut"
    assert bank_of("cell/birch/7", BANKS) == "barn"
    assert bank_of("bank/barn", BANKS) == "barn"
    assert bank_of("service/watchd", BANKS) is None
    assert bank_of("pack/gone", BANKS) is None
