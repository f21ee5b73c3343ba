"""A record through the estimators and the audit, as a pack's watch drives them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

from tests.truth.record import Record
from watchd.advice.audit.live import PackAudit
from watchd.config import Bank, Pack, Profile
from watchd.estimators import ESTIMATORS
from watchd.estimators.estimator import Bus, Estimator, Setting
from watchd.figures import Figures
from watchd.language.expression import compile_expression
from watchd.rules.fields import FULL_WHEN
from watchd.settings import pack_settings
from watchd.telemetry.sample import Quality, Sample

RENEWED = frozenset({"voltage_v", "current_a", "soc_pct", "cell_v", "temperature_degc"})
CHUNK = 8640
NAMES = ("alder", "birch", "cedar", "dogwood", "elm")


def setting(record: Record, seed: int, pack: int, bus: Bus) -> Setting:
    """What the config says of a pack of the record."""
    bank = record.bank
    keys: dict[str, Any] = {
        "bank": "hut",
        "nameplate_ah": float(bank.nameplate_ah[seed, pack]),
        "max_charge_a": float(0.5 * bank.nameplate_ah[seed, pack]),
        "bms": {
            "overvoltage_v": float(bank.overvoltage_v[seed, pack]),
            "overvoltage_recovery_v": float(bank.recovery_v[seed, pack]),
        },
    }
    if bank.balancer_a[seed, pack, 0] > 0:
        amps = float(bank.balancer_a[seed, pack, 0])
        keys["balancer"] = {"current_a": amps, "from_v": bank.balancer_from_v}
    whole = Bank(charge_voltage_v=float(bank.charge_voltage_v[seed]))
    return Setting(
        name=NAMES[pack],
        pack=Pack(**keys),
        bank=whole,
        profile=Profile(),
        bus=bus,
        full_when=compile_expression(whole.full_when, FULL_WHEN),
        longest_gap_s=60.0,
        parts_within_s=5.0,
    )


class Watched:
    """The estimators of every pack of one seed of a record.

    `estimators`: classes in order; those that ship if not given.
    """

    def __init__(
        self,
        record: Record,
        seed: int,
        estimators: Sequence[type[Estimator]] = ESTIMATORS,
    ) -> None:
        self.record, self.seed = record, seed
        bus = Bus()
        packs = range(record.bank.shape[1])
        self._settings = [setting(record, seed, pack, bus) for pack in packs]
        self._estimators = [[e(s) for e in estimators] for s in self._settings]
        self._audits = [PackAudit(s.name, s.pack, s.bank, s.profile) for s in self._settings]
        # Stay between samples: estimators write what has changed.
        self._figures = [pack_settings(s.pack, s.bank) for s in self._settings]

    def run(self, begin: int = 0, end: int | None = None) -> Iterator[tuple[int, int, Figures]]:
        """Step, pack and figures, sample by sample. The figures are the pack's own, to be read
        at once: the next sample changes them."""
        last = len(self.record.at) if end is None else end
        for chunk in range(begin, last, CHUNK):
            yield from self._chunk(chunk, min(chunk + CHUNK, last))

    def restart(self) -> None:
        """Every estimator goes on from its snapshot, as after a restart: no figure is left."""
        self._figures = [pack_settings(s.pack, s.bank) for s in self._settings]
        for setting_, found in zip(self._settings, self._estimators, strict=True):
            for index, estimator in enumerate(found):
                saved = json.loads(json.dumps(estimator.snapshot()))
                found[index] = type(estimator)(setting_, saved)

    def _chunk(self, begin: int, end: int) -> Iterator[tuple[int, int, Figures]]:
        record, seed = self.record, self.seed
        part = slice(begin, end)
        times = record.at[part].tolist()
        cells = (record.cell_mv[part, seed] / 1000.0).tolist()
        amps = record.current_a[part, seed].astype(float).round(1).tolist()
        volts = record.voltage_v[part, seed].astype(float).round(2).tolist()
        socs = record.soc_pct[part, seed].tolist()
        degcs = record.temperature_degc[part, seed].astype(float).round(1).tolist()
        tripped = record.tripped[part, seed].tolist()
        for step, at in enumerate(times):
            measured_at = dict.fromkeys(RENEWED, at)
            for pack, figures in enumerate(self._figures):
                trip = tripped[step][pack]
                sample = Sample(
                    at=at,
                    voltage_v=volts[step][pack],
                    current_a=amps[step][pack],
                    soc_pct=float(socs[step][pack]),
                    cell_v=tuple(cells[step][pack]),
                    temperature_degc=(degcs[step],),
                    charge_allowed=not trip,
                    discharge_allowed=True,
                    balancing=None,
                    protection=("OVER_VOLT",) if trip else (),
                    settings={},
                    measured_at=measured_at,
                    renewed=RENEWED,
                    overdue=(),
                    age_s=0.0,
                    quality=Quality.GOOD,
                )
                self._measure(sample, figures)
                for estimator in self._estimators[pack]:
                    estimator.update(sample, figures)
                self._audits[pack].update({}, figures.get("spread_at_full_mv"))
                figures.update(self._audits[pack].figures)
                yield begin + step, pack, figures

    @staticmethod
    def _measure(sample: Sample, figures: Figures) -> None:
        temperatures = sample.temperature_degc or (0.0,)
        figures |= {
            "voltage_v": sample.voltage_v,
            "current_a": sample.current_a,
            "soc_pct": sample.soc_pct,
            "temperature_min_degc": min(temperatures),
            "temperature_max_degc": max(temperatures),
            "charge_allowed": sample.charge_allowed,
            "discharge_allowed": sample.discharge_allowed,
            "balancing": sample.balancing,
            "protection": sample.protection,
            "setting_overvoltage_v": None,
            "setting_overvoltage_recovery_v": None,
            "setting_full_v": None,
            "setting_undervoltage_v": None,
            "setting_undervoltage_recovery_v": None,
            "setting_balancer_from_v": None,
        }
