"""Packs of 16 cells for the benchmarks of the daemon: its config, and what their bridge sends.

Invented data: a day of sun, on which current and voltages wander and each reading has its noise.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.service.brokers import HOST

CELLS = 16
PACKS_IN_BANK = 4
_SOURCES = """
sources:
  - topic: hut/{pack}/state
    json:
      voltage_v: $.volts
      current_a: $.amps
      soc_pct: $.soc
      temperature_degc: "$.temps[*]"
      cell_v: {path: "$.mv[*]", scale: 0.001}
      charge_allowed: $.chg
      discharge_allowed: $.dis
      protection: {path: $.prot, bits: {0: OVER_VOLT, 1: UNDER_VOLT}}
"""


def names(packs: int) -> list[str]:
    """The packs' names."""
    return [f"pack{number:04d}" for number in range(packs)]


def write_config(folder: Path, port: int, packs: int, *more: str) -> Path:
    """The config of so many packs in banks of four, with the rules that ship; its path."""
    banks = [f"bank{number:03d}" for number in range(-(-packs // PACKS_IN_BANK))]
    lines = [
        f"broker: {{host: {HOST}, port: {port}}}",
        f"store: {{path: {folder}/store/watchd.db}}",
        "banks:",
        *(f"  {bank}: {{charge_voltage_v: 56.0, max_charge_a: 200}}" for bank in banks),
        "packs:",
        *(
            f"  {name}: {{bank: {banks[number // PACKS_IN_BANK]}, nameplate_ah: 280, "
            "max_charge_a: 140}"
            for number, name in enumerate(names(packs))
        ),
    ]
    path = folder / "config.yaml"
    path.write_text("\n".join([*lines, *more]) + _SOURCES)
    return path


@dataclass(slots=True)
class Bridge:
    """Sends a document a pack, one pack after the other; each about 230 bytes."""

    packs: int
    dice: random.Random = field(default_factory=lambda: random.Random(7))
    current_a: float = 20.0
    soc_pct: float = 50.0

    def messages(self) -> Iterator[tuple[str, bytes]]:
        """Without end: topics and payloads."""
        topics = [f"hut/{name}/state" for name in names(self.packs)]
        own_mv = [[self.dice.gauss(3330, 3) for _ in range(CELLS)] for _ in topics]
        while True:
            self.current_a += self.dice.gauss(0, 0.3) + (20 - self.current_a) * 0.01
            self.soc_pct = min(90.0, self.soc_pct + 0.0005)
            for topic, cells in zip(topics, own_mv, strict=True):
                yield topic, self._document(cells)

    def _document(self, own_mv: list[float]) -> bytes:
        mv = [round(v + self.current_a * 0.2 + self.dice.gauss(0, 1)) for v in own_mv]
        document = {
            "volts": round(sum(mv) / 1000, 2),
            "amps": round(self.current_a + self.dice.gauss(0, 0.1), 1),
            "soc": round(self.soc_pct, 1),
            "temps": [round(self.dice.gauss(15, 0.1), 1), round(self.dice.gauss(16, 0.1), 1)],
            "mv": mv,
            "chg": True,
            "dis": True,
            "prot": 0,
        }
        return json.dumps(document).encode()
