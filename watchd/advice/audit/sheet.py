"""The sheet of a pack's settings: each with its value, and where that comes from.

Where the BMS reports a setting, that counts; else what the config says, or its default. Voltages
are those of a cell.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from pydantic import BaseModel

from watchd.config import Bank, Config, Pack, Profile
from watchd.telemetry.names import SETTINGS

# A usual spread of cells in order at the end of a charge: common practice, no source.
USUAL_SPREAD_MV = 30.0


class Origin(StrEnum):
    """Where a value comes from."""

    CONFIG = "config"
    DEFAULT = "default"  # nobody entered it: assumed
    TELEMETRY = "telemetry"


# The names that a BMS reports, as the config calls them.
PATHS: Mapping[str, str] = {
    name: "balancer.from_v" if name == "balancer_from_v" else f"bms.{name}" for name in SETTINGS
}


@dataclass(frozen=True, slots=True)
class Line:
    """One setting of the sheet. `config` is what the config says where telemetry counts."""

    setting: str
    value: float | None
    origin: Origin
    config: float | None = None

    def as_data(self) -> dict[str, Any]:
        """Plain data, for a payload."""
        found: dict[str, Any] = {
            "setting": self.setting,
            "value": self.value,
            "origin": str(self.origin),
        }
        return found if self.config is None else {**found, "config": self.config}


@dataclass(frozen=True, slots=True)
class Sheet:
    """The settings of one pack as they count, in V of a cell, A, mV and degC."""

    name: str
    bank: str
    cells_in_series: int
    nameplate_ah: float
    charge_voltage_v: float  # of the bank
    bank_max_charge_a: float | None
    max_charge_a: float
    max_discharge_a: float | None
    maker_max_v: float
    maker_min_v: float
    overvoltage_v: float
    overvoltage_recovery_v: float
    undervoltage_v: float
    undervoltage_recovery_v: float
    full_v: float | None
    balancer_from_v: float | None
    balancer_current_a: float | None
    charge_min_degc: float
    charge_max_degc: float
    spread_mv: float
    upper_knee_v: float
    flat_from_v: float
    spread_measured: bool
    assumed: frozenset[str]  # settings, by their path in the config, that nobody entered
    entered: Mapping[str, float | None]  # of what a BMS may report: what the config says
    reported: Mapping[str, float]

    @property
    def subject(self) -> str:
        """As alarms and topics name it."""
        return f"pack/{self.name}"

    @property
    def charge_cell_v(self) -> float:
        """The charge voltage of a cell."""
        return round(self.charge_voltage_v / self.cells_in_series, 6)

    @property
    def leading_cell_v(self) -> float:
        """What the leading cell is expected at when the charge voltage is reached."""
        return round(self.charge_cell_v + self.spread_mv / 1000.0, 6)

    def lines(self) -> list[Line]:
        """All of it, in the order in which people compare the values."""
        spread = Origin.TELEMETRY if self.spread_measured else Origin.DEFAULT
        return [
            self._of_config("cell.max_v", self.maker_max_v),
            self._of_bms("overvoltage_v", self.overvoltage_v),
            self._of_bms("overvoltage_recovery_v", self.overvoltage_recovery_v),
            Line("leading_cell_v", self.leading_cell_v, spread),
            Line("charge_cell_v", self.charge_cell_v, Origin.CONFIG),
            self._of_bms("full_v", self.full_v),
            self._of_bms("balancer_from_v", self.balancer_from_v),
            self._of_bms("undervoltage_recovery_v", self.undervoltage_recovery_v),
            self._of_bms("undervoltage_v", self.undervoltage_v),
            self._of_config("cell.min_v", self.maker_min_v),
            Line("spread_mv", self.spread_mv, spread),
            self._of_config("cells_in_series", self.cells_in_series),
            self._of_config("nameplate_ah", self.nameplate_ah),
            self._of_config("max_charge_a", self.max_charge_a),
            self._of_config("max_discharge_a", self.max_discharge_a),
            self._of_config("balancer.current_a", self.balancer_current_a),
            self._of_config("temperature.charge_min_degc", self.charge_min_degc),
            self._of_config("temperature.charge_max_degc", self.charge_max_degc),
            Line("bank.charge_voltage_v", self.charge_voltage_v, Origin.CONFIG),
            self._of_config("bank.max_charge_a", self.bank_max_charge_a),
        ]

    def _of_config(self, path: str, value: float | None) -> Line:
        return Line(path, value, Origin.DEFAULT if path in self.assumed else Origin.CONFIG)

    def _of_bms(self, name: str, value: float | None) -> Line:
        if name not in self.reported:
            return self._of_config(PATHS[name], value)
        said = None if PATHS[name] in self.assumed else self.entered[name]
        return Line(PATHS[name], value, Origin.TELEMETRY, said)

    def as_data(self) -> dict[str, Any]:
        """Plain data, for a payload."""
        return {
            "pack": self.name,
            "bank": self.bank,
            "settings": [line.as_data() for line in self.lines()],
        }


def make_sheet(
    name: str,
    pack: Pack,
    bank: Bank,
    profile: Profile,
    reported: Mapping[str, float] | None = None,
    spread_mv: float | None = None,
) -> Sheet:
    """The sheet of one pack. `reported` is what its BMS tells of `SETTINGS`, `spread_mv` what the
    spread of its cells was at the end of a charge; None for not known."""
    told = {n: v for n, v in (reported or {}).items() if n in PATHS}
    balancer = pack.balancer
    entered: dict[str, float | None] = {
        "overvoltage_v": pack.bms.overvoltage_v,
        "overvoltage_recovery_v": pack.bms.overvoltage_recovery_v,
        "full_v": pack.bms.full_v,
        "undervoltage_v": pack.bms.undervoltage_v,
        "undervoltage_recovery_v": pack.bms.undervoltage_recovery_v,
        "balancer_from_v": balancer.from_v if balancer else None,
    }
    return Sheet(
        name=name,
        bank=pack.bank,
        cells_in_series=pack.cells_in_series,
        nameplate_ah=pack.nameplate_ah,
        charge_voltage_v=bank.charge_voltage_v,
        bank_max_charge_a=bank.max_charge_a,
        max_charge_a=pack.max_charge_a,
        max_discharge_a=pack.max_discharge_a,
        maker_max_v=pack.cell.max_v,
        maker_min_v=pack.cell.min_v,
        overvoltage_v=told.get("overvoltage_v", pack.bms.overvoltage_v),
        overvoltage_recovery_v=told.get("overvoltage_recovery_v", pack.bms.overvoltage_recovery_v),
        undervoltage_v=told.get("undervoltage_v", pack.bms.undervoltage_v),
        undervoltage_recovery_v=told.get(
            "undervoltage_recovery_v", pack.bms.undervoltage_recovery_v
        ),
        full_v=told.get("full_v", pack.bms.full_v),
        balancer_from_v=told.get("balancer_from_v", entered["balancer_from_v"]),
        balancer_current_a=balancer.current_a if balancer else None,
        charge_min_degc=pack.temperature.charge_min_degc,
        charge_max_degc=pack.temperature.charge_max_degc,
        spread_mv=USUAL_SPREAD_MV if spread_mv is None else spread_mv,
        upper_knee_v=profile.upper_knee_v,
        flat_from_v=profile.flat_from_v,
        spread_measured=spread_mv is not None,
        assumed=_assumed(pack, bank),
        entered=entered,
        reported=told,
    )


def sheets_of(config: Config) -> list[Sheet]:
    """The sheets of the packs in service, from the config alone."""
    return [
        make_sheet(name, pack, config.banks[pack.bank], config.profile)
        for name, pack in config.packs.items()
        if pack.in_service
    ]


def _assumed(pack: Pack, bank: Bank) -> frozenset[str]:
    def left_out(section: BaseModel, path: str) -> set[str]:
        given = section.model_fields_set
        return {f"{path}{name}" for name in type(section).model_fields if name not in given}

    found = left_out(pack, "") | left_out(bank, "bank.")
    for name in ("bms", "cell", "temperature", "balancer"):
        section = getattr(pack, name)
        found |= left_out(section, f"{name}.") if section is not None else {f"{name}.current_a"}
    if pack.balancer is None:
        found.add("balancer.from_v")
    return frozenset(found)
