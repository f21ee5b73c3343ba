"""What the packs' bridges send, and the keeper's config for it."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np

from tests.truth.bank import Bank
from tests.truth.loop.plant import Plant
from tests.truth.loop.scenarios import PACK_C_RATE, Scenario
from tests.truth.watched import NAMES
from watchd.config import Config, parse_config
from watchd.documents import parse_document

# Nobody reads the figures that are published; saying them costs time.
_SOURCES = """
telemetry: {figures_every: 1 h}
sources:
  - topic: hut/{pack}/state
    json:
      voltage_v: $.volts
      current_a: $.amps
      soc_pct: $.soc
      temperature_degc: $.temp
      cell_v: {path: "$.mv[*]", scale: 0.001}
      charge_allowed: $.chg
      protection: {path: $.prot, bits: {0: OVER_VOLT, 1: OVER_TEMP}}
"""


def _window(scenario: Scenario) -> str:
    """The window of charging with its bands; from the last band on the pack's own maximum holds."""
    bands = ", ".join(
        f"{{from_degc: {begin:g}, to_degc: {end:g}, c_rate: {rate:g}}}"
        for (begin, rate), (end, _) in pairwise(scenario.bands)
    )
    return f"{{charge_min_degc: {scenario.bands[0][0]:g}, charge_bands: [{bands}]}}"


def config_of(scenario: Scenario, bank: Bank) -> Config:
    """The keeper's config of the bank, whose charger and temperature limits are the scenario's."""
    volts, charger_a = bank.charge_voltage_v[0], scenario.charger_a
    lines = [
        "banks:",
        f"  hut: {{charge_voltage_v: {volts:g}, max_charge_a: {charger_a:g}}}",
        "packs:",
    ]
    for pack, nameplate_ah in enumerate(scenario.nameplate_ah):
        balancer = f"{{current_a: {bank.balancer_a[0, pack, 0]:g}, from_v: 3.40}}"
        lines.append(
            f"  {NAMES[pack]}: {{bank: hut, nameplate_ah: {nameplate_ah:g}, "
            f"max_charge_a: {PACK_C_RATE * nameplate_ah:g}, balancer: {balancer}, "
            f"temperature: {_window(scenario)}, "
            "bms: {overvoltage_v: 3.65, overvoltage_recovery_v: 3.45}}"
        )
    return parse_config(parse_document("\n".join(lines) + _SOURCES, "config.yaml"))


def document(plant: Plant, pack: int, rng: np.random.Generator) -> tuple[str, bytes]:
    """Topic and payload of one pack, as its sensors see it now."""
    bank = plant.bank
    amps = plant.current_a[0, pack] * bank.gain[0, pack] + bank.offset_a[0, pack]
    cell_v = plant.cell_v[0, pack]
    noise_mv = rng.standard_normal(cell_v.shape) * bank.cell_noise_mv
    millivolts = np.rint(cell_v * 1000.0 + bank.cell_offset_mv[0, pack] + noise_mv)
    tripped, opened = bool(plant.tripped[0, pack]), bool(plant.opened[0, pack])
    data = {
        "volts": round(float(cell_v.sum()), 2),
        "amps": round(float(amps + rng.standard_normal() * bank.current_noise_a), 1),
        "soc": round(float(plant.bms_soc_pct[0, pack])),
        "temp": round(plant.degc, 1),
        "mv": millivolts.astype(int).tolist(),
        "chg": not (tripped or opened),
        "prot": int(tripped) + 2 * int(opened),
    }
    return f"hut/{NAMES[pack]}/state", json.dumps(data).encode()
