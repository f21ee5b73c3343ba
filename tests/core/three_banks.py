"""Three banks, rules about all that there is, and what comes of them: made up."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from typing import Any

from tests.scene import START, cells, config_of, leading, pack, rules_of

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
