"""Each check of a bank, just outside and just inside of its limit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.advice.audit.sheets import found_in_bank, sheet
from watchd.advice.audit import audit_bank
from watchd.advice.audit.bank_checks import BANK_CHECKS
from watchd.advice.audit.sheet import make_sheet
from watchd.config import Bank, Pack, Profile

# Two packs of 200 Ah that may take 100 A each.
Case = tuple[str, list[dict[str, Any]], float | None, set[str]]
CASES: list[Case] = [
    (
        "cells-in-series-differ",
        [{}, {"cells_in_series": 17}],
        None,
        {"cells-in-series-differ"},
    ),
    ("charger-above-packs", [{}, {}], 200.1, {"charger-above-packs"}),
    (
        "share-above-pack",
        [{}, {"nameplate_ah": 300.0}],
        167.0,  # 3 parts of 5: 100.2 A
        {"share-above-pack", "largest-pack-off"},
    ),
    ("largest-pack-off", [{}, {}], 100.1, {"largest-pack-off"}),
    ("overvoltage-differs", [{"overvoltage_v": 3.629}, {}], None, {"overvoltage-differs"}),
    ("undervoltage-differs", [{"undervoltage_v": 2.651}, {}], None, {"undervoltage-differs"}),
    (
        "no-full-setting",
        [{"full_v": None, "overvoltage_recovery_v": 3.46}, {}],
        None,
        {"no-full-setting"},
    ),
]
INSIDE: list[Case] = [
    ("cells-in-series-differ", [{}, {}], None, set()),
    ("charger-above-packs", [{}, {}], 200.0, {"largest-pack-off"}),
    ("share-above-pack", [{}, {"nameplate_ah": 300.0}], 166.0, {"largest-pack-off"}),
    ("largest-pack-off", [{}, {}], 100.0, set()),
    ("largest-pack-off", [{}], 100.0, set()),
    ("overvoltage-differs", [{"overvoltage_v": 3.63}, {}], None, set()),
    ("undervoltage-differs", [{"undervoltage_v": 2.65}, {}], None, set()),
    ("no-full-setting", [{"full_v": 3.47}], None, set()),
]


@pytest.mark.parametrize("case", [*CASES, *INSIDE], ids=lambda case: case[0])
def test_outside_and_inside(case: Case) -> None:
    _, packs, most_a, expected = case
    assert found_in_bank(*packs, bank_max_charge_a=most_a) == expected


def test_every_check_has_its_case() -> None:
    names = {check.advised.finding for check in BANK_CHECKS}
    assert names == {case[0] for case in CASES} | {"settings-assumed"}


def test_no_pack_in_service() -> None:
    assert audit_bank("hut", []) == []


def test_what_nobody_entered_is_said_once_for_all_packs() -> None:
    bank = Bank(charge_voltage_v=56.0)
    bare = Pack(bank="hut", nameplate_ah=200.0, max_charge_a=100.0)
    sheets = [make_sheet(name, bare, bank, Profile()) for name in ("rowan", "birch")]
    told = {f.advised.finding: f.what for f in audit_bank("hut", [*sheets, sheet("alder")])}
    assert told["settings-assumed"] == (
        "not entered, so assumed: cell.max_v 3.650 V, cell.min_v 2.500 V, "
        "bms.overvoltage_v 3.650 V, bms.overvoltage_recovery_v 3.550 V, "
        "bms.undervoltage_v 2.600 V, bms.undervoltage_recovery_v 2.900 V (birch, rowan)"
    )
    # What the BMS reports need not be entered.
    reported = {"overvoltage_v": 3.65, "overvoltage_recovery_v": 3.5, "undervoltage_v": 2.7}
    telling = make_sheet("rowan", bare, bank, Profile(), {**reported, "undervoltage_recovery_v": 3})
    (what,) = [f.what for f in audit_bank("hut", [telling]) if "assumed" in f.advised.finding]
    assert what == "not entered, so assumed: cell.max_v 3.650 V, cell.min_v 2.500 V (rowan)"


def test_the_pack_that_leaves_first_is_named() -> None:
    sheets = [sheet("alder"), sheet("birch", overvoltage_v=3.6)]
    (finding,) = audit_bank("hut", sheets)
    assert finding.what == (
        "over-voltage is at 3.600 V in birch and at 3.650 V in alder: birch leaves first"
    )
    assert finding.subject == "bank/hut"
    assert audit_bank("hut", [replace(s, overvoltage_v=3.6) for s in sheets]) == []
