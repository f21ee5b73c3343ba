"""What the config says of a bank or pack, and what its audit found, as figures for rules."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from watchd.figures import About, Figure, Figures, number, text

if TYPE_CHECKING:
    from watchd.config import Bank, Pack

# The ranges are those that `config` holds the config to.
_CELL_V = (1.5, 4.5)
PACK_SETTINGS: tuple[Figure, ...] = (
    number("charge_voltage_v", "v", "charge voltage of the bank, from the config", within=(0, 160)),
    number("cells_in_series", "", "cells in series, from the config", within=(4, 32)),
    number("nameplate_ah", "ah", "nameplate capacity, from the config", within=(0, 5000)),
    number(
        "max_charge_a", "a", "highest charge current of the pack, from the config", within=(0, 5000)
    ),
    number(
        "max_discharge_a",
        "a",
        "highest discharge current of the pack, from the config",
        within=(0, 5000),
    ),
    number(
        "overvoltage_v",
        "v",
        "the BMS's over-voltage threshold per cell, from the config",
        within=_CELL_V,
    ),
    number(
        "overvoltage_recovery_v",
        "v",
        "the BMS's recovery threshold, from the config",
        within=_CELL_V,
    ),
    number(
        "undervoltage_v",
        "v",
        "the BMS's under-voltage threshold per cell, from the config",
        within=_CELL_V,
    ),
    number(
        "undervoltage_recovery_v", "v", "its recovery threshold, from the config", within=_CELL_V
    ),
    number(
        "full_v", "v", "the BMS's full-charge setting per cell, from the config", within=_CELL_V
    ),
    number("balancer_current_a", "a", "current of the balancer, from the config", within=(0, 50)),
    number(
        "balancer_from_v",
        "v",
        "cell voltage where the balancer starts, from the config",
        within=_CELL_V,
    ),
    number(
        "charge_min_degc",
        "degc",
        "lowest temperature for charging, from the config",
        within=(-40, 60),
    ),
    number(
        "charge_max_degc",
        "degc",
        "highest temperature for charging, from the config",
        within=(0, 90),
    ),
)
BANK_SETTINGS: tuple[Figure, ...] = (
    number("charge_voltage_v", "v", "charge voltage, from the config", About.BANK, within=(0, 160)),
    number(
        "max_charge_a",
        "a",
        "highest charge current of the bank, from the config",
        About.BANK,
        within=(0, 5000),
    ),
)
# What the audit of the settings tells, for packs and banks.
NO_SETTINGS_FAULT = "none"
PACK_AUDIT: tuple[Figure, ...] = (
    number("settings_faults", "", "faults that the audit finds in the settings", within=(0, None)),
    text("settings_fault", "the worst fault of the settings in words; 'none' without one"),
)
BANK_AUDIT: tuple[Figure, ...] = tuple(replace(f, about=About.BANK) for f in PACK_AUDIT)


def pack_settings(pack: Pack, bank: Bank) -> Figures:
    """The figures of `PACK_SETTINGS` for one pack; what the config leaves out is unknown."""
    balancer = pack.balancer
    return {
        "charge_voltage_v": bank.charge_voltage_v,
        "cells_in_series": pack.cells_in_series,
        "nameplate_ah": pack.nameplate_ah,
        "max_charge_a": pack.max_charge_a,
        "max_discharge_a": pack.max_discharge_a,
        "overvoltage_v": pack.bms.overvoltage_v,
        "overvoltage_recovery_v": pack.bms.overvoltage_recovery_v,
        "undervoltage_v": pack.bms.undervoltage_v,
        "undervoltage_recovery_v": pack.bms.undervoltage_recovery_v,
        "full_v": pack.bms.full_v,
        "balancer_current_a": balancer.current_a if balancer else None,
        "balancer_from_v": balancer.from_v if balancer else None,
        "charge_min_degc": pack.temperature.charge_min_degc,
        "charge_max_degc": pack.temperature.charge_max_degc,
    }


def bank_settings(bank: Bank) -> Figures:
    """The figures of `BANK_SETTINGS`."""
    return {"charge_voltage_v": bank.charge_voltage_v, "max_charge_a": bank.max_charge_a}
