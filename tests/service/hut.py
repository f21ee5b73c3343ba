"""The bank that these tests watch: two packs, and the config and rules for them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml

from tests.service.brokers import HOST

# alder's bridge sends documents (as `tests.scene.pack` makes them), birch's a value per topic.
CONFIG = """
banks:
  hut: {charge_voltage_v: 56.0, max_charge_a: 200}
packs:
  alder: {bank: hut, nameplate_ah: 200, max_charge_a: 100}
  birch: {bank: hut, nameplate_ah: 200, max_charge_a: 100}
sources:
  - topic: hut/{pack}/state
    json:
      voltage_v: $.volts
      current_a: {path: $.amps_out, scale: -1}
      soc_pct: $.soc
      cell_v: {path: "$.mv[*]", scale: 0.001}
      temperature_degc: "$.temps[*]"
      protection: {path: $.prot, bits: {0: OVER_VOLT, 1: UNDER_VOLT}}
      charge_allowed: $.chg
      time: $.t
  - {topic: hut/birch/volts, pack: birch, value: voltage_v}
  - {topic: hut/birch/deciamps, pack: birch, value: {name: current_a, scale: 0.1}}
  - {topic: "hut/birch/cell/{cell}", pack: birch, value: cell_v}
  - {topic: "hut/birch/temperature/{sensor}", pack: birch, value: temperature_degc}
telemetry: {stale_after: 10 min, figures_every: 1 s}
requests: {most_a_minute: 100000}
"""
# Without delays, so that what a test does shows at once.
RULES = """
- rule: cell-high
  about: pack
  when: cell_max_v > 3.45
  priority: high
  say: "{pack}: cell {cell_max_no:.0f} is at {cell_max_v:.3f} V"
  cause: A cell ahead of the others.
  consequence: The pack trips before it is full.
  response: Charge with less current.
  charge_limit: 0.1 * nameplate_ah
"""
ALARM = "watchd/alarm/cell-high/pack/alder"
LIMIT = "watchd/charge-limit/hut"
AMPS = "watchd/charge-limit/hut/amps"
FIGURES = "watchd/figures/pack/alder"
SERVICE = "watchd/service"
ANNUNCIATION = "watchd/annunciation"
REQUEST = "watchd/request"


class _Plain(yaml.SafeDumper):
    """Writes out what is there twice: a config knows no aliases."""

    def ignore_aliases(self, data: Any) -> bool:
        del data
        return True


def write_config(
    folder: Path,
    port: int,
    *,
    rules: str | None = RULES,
    broker: dict[str, Any] | None = None,
    **sections: Any,
) -> Path:
    """A config file in `folder`, with its rules beside it (None: those that ship).

    `sections` take the place of those of `CONFIG`.
    """
    config = yaml.safe_load(CONFIG)
    config["broker"] = {"host": HOST, "port": port, **(broker or {})}
    config["store"] = {"path": str(folder / "store" / "watchd.db")}
    config.update(sections)
    if rules is not None:
        (folder / "rules").mkdir(exist_ok=True)
        write_rules(folder, rules)
        config["rules"] = "rules/"
    path = folder / "config.yaml"
    path.write_text(yaml.dump(config, Dumper=_Plain, allow_unicode=True))
    return path


def write_rules(folder: Path, rules: str) -> None:
    """Put the rules in place as editors do: a new file under the old name."""
    new = folder / "rules" / ".new"
    new.write_text(rules)
    new.rename(folder / "rules" / "rules.yaml")


def value_per_topic(cell_v: list[float], *, current_a: float) -> dict[str, Any]:
    """What birch's bridge sends: payloads by topic."""
    return {
        "hut/birch/volts": round(sum(cell_v), 2),
        "hut/birch/deciamps": round(current_a * 10),
        "hut/birch/temperature/top": 17.5,
        **{f"hut/birch/cell/{n}": volts for n, volts in enumerate(cell_v, 1)},
    }
