"""Sheets of packs that are in order, but for what a test says."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from watchd.advice.audit import audit_bank, audit_pack
from watchd.advice.audit.finding import Finding
from watchd.advice.audit.sheet import Sheet, make_sheet
from watchd.config import Balancer, Bank, Bms, Cell, Pack, Profile

# 16 cells at 3.50 V. Everything is entered, and nothing is found.
BANK = Bank(charge_voltage_v=56.0)
PACK = Pack(
    bank="hut",
    cells_in_series=16,
    nameplate_ah=200.0,
    max_charge_a=100.0,
    max_discharge_a=150.0,
    bms=Bms(
        overvoltage_v=3.65,
        overvoltage_recovery_v=3.46,
        undervoltage_v=2.60,
        undervoltage_recovery_v=2.90,
        full_v=3.47,
    ),
    cell=Cell(max_v=3.65, min_v=2.50),
    balancer=Balancer(current_a=1.0, from_v=3.40),
)


def sheet(name: str = "alder", reported: dict[str, float] | None = None, **but: Any) -> Sheet:
    """A pack in order; `but` takes the place of one value of its sheet or more."""
    seen = "spread_mv" in but
    whole = make_sheet(name, PACK, BANK, Profile(), reported)
    return replace(whole, spread_measured=seen, **but)


def kinds(findings: list[Finding]) -> set[str]:
    """The names of what was found."""
    return {finding.advised.finding for finding in findings}


def found(reported: dict[str, float] | None = None, **but: Any) -> set[str]:
    """What is found in a pack in order, but for what is given."""
    return kinds(audit_pack(sheet("alder", reported, **but)))


def found_in_bank(*packs: dict[str, Any], **bank: Any) -> set[str]:
    """What is found among packs in order, but for what is given of each."""
    names = ("alder", "birch", "rowan", "elm")
    sheets = [sheet(name, **but, **bank) for name, but in zip(names, packs, strict=False)]
    return kinds(audit_bank("hut", sheets))
