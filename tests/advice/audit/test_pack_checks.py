"""Each check of a pack, just outside and just inside of its limit; the limits are written out."""

from __future__ import annotations

from typing import Any

import pytest

from tests.advice.audit.sheets import found, sheet
from watchd.advice.audit import PACK_CHECKS, audit_pack
from watchd.advice.audit.finding import Severity

REPORTED = "reported"
# What trips a check, and all that is found then; what is just inside, and all that is found there.
# The charge voltage of a cell is 3.50 V, and 3.53 V with the usual spread.
Case = tuple[str, dict[str, Any], set[str], dict[str, Any], set[str]]
CASES: list[Case] = [
    (
        "overvoltage-above-maker",
        {"overvoltage_v": 3.651},
        {"overvoltage-above-maker"},
        {"overvoltage_v": 3.65},
        set(),
    ),
    # Either over-voltage is above the maker's limit as well, or it is below the charge voltage.
    (
        "charge-above-maker",
        {"maker_max_v": 3.499},
        {"charge-above-maker", "overvoltage-above-maker"},
        {"maker_max_v": 3.50},
        {"overvoltage-above-maker"},
    ),
    (
        "charge-reaches-overvoltage",
        {"overvoltage_v": 3.53},
        {"charge-reaches-overvoltage"},
        {"overvoltage_v": 3.531},
        {"charge-near-overvoltage"},
    ),
    (
        "charge-near-overvoltage",
        {"overvoltage_v": 3.579},
        {"charge-near-overvoltage"},
        {"overvoltage_v": 3.58},
        set(),
    ),
    # Cells 150 mV apart are no fault of the settings.
    (
        "spread-reaches-overvoltage",
        {"spread_mv": 150.0},
        {"spread-reaches-overvoltage"},
        {"spread_mv": 149.0},
        {"charge-near-overvoltage"},
    ),
    (
        "recovery-not-below-overvoltage",
        {"full_v": None, "overvoltage_recovery_v": 3.65},
        {"recovery-not-below-overvoltage"},
        {"full_v": None, "overvoltage_recovery_v": 3.649},
        {"recovery-near-overvoltage"},
    ),
    (
        "recovery-near-overvoltage",
        {"full_v": None, "overvoltage_recovery_v": 3.621},
        {"recovery-near-overvoltage"},
        {"full_v": None, "overvoltage_recovery_v": 3.62},
        set(),
    ),
    (
        "recovery-below-balancer",
        {"balancer_from_v": 3.45, "overvoltage_recovery_v": 3.45},
        {"recovery-below-balancer"},
        {"balancer_from_v": 3.45, "overvoltage_recovery_v": 3.451},
        set(),
    ),
    (
        "recovery-far-below-charge",
        {"overvoltage_recovery_v": 3.449},
        {"recovery-far-below-charge"},
        {"overvoltage_recovery_v": 3.45},
        set(),
    ),
    (
        "recovery-above-full",
        {"overvoltage_recovery_v": 3.471},
        {"recovery-above-full"},
        {"overvoltage_recovery_v": 3.47},
        set(),
    ),
    (
        "full-not-below-overvoltage",
        {"full_v": 3.65},
        {"full-not-below-overvoltage"},
        {"full_v": 3.649},
        {"full-never-reached"},
    ),
    (
        "full-never-reached",
        {"full_v": 3.501},
        {"full-never-reached"},
        {"full_v": 3.50},
        {"full-at-charge"},
    ),
    ("full-at-charge", {"full_v": 3.481}, {"full-at-charge"}, {"full_v": 3.48}, set()),
    # Recovery cannot be below full_v there without being below the balancer's start.
    (
        "full-too-early",
        {"full_v": 3.399},
        {"full-too-early", "recovery-above-full"},
        {"full_v": 3.40},
        {"recovery-above-full"},
    ),
    (
        "balancer-out-of-reach",
        {"full_v": None, "overvoltage_recovery_v": 3.60, "balancer_from_v": 3.53},
        {"balancer-out-of-reach"},
        {"full_v": None, "overvoltage_recovery_v": 3.60, "balancer_from_v": 3.529},
        {"balancer-window-narrow"},
    ),
    (
        "balancer-window-narrow",
        {"balancer_from_v": 3.451},
        {"balancer-window-narrow"},
        {"balancer_from_v": 3.45},
        set(),
    ),
    (
        "balancer-on-flat",
        {"balancer_from_v": 3.399},
        {"balancer-on-flat"},
        {"balancer_from_v": 3.40},
        set(),
    ),
    (
        "charge-voltage-low",
        {"charge_voltage_v": 54.3, "full_v": None, "balancer_from_v": None},
        {"charge-voltage-low"},
        {"charge_voltage_v": 54.4, "full_v": None, "balancer_from_v": None},
        set(),
    ),
    (
        "undervoltage-below-maker",
        {"undervoltage_v": 2.499},
        {"undervoltage-below-maker"},
        {"undervoltage_v": 2.50},
        {"undervoltage-near-maker"},
    ),
    (
        "undervoltage-near-maker",
        {"undervoltage_v": 2.549},
        {"undervoltage-near-maker"},
        {"undervoltage_v": 2.55},
        set(),
    ),
    (
        "undervoltage-recovery-not-above",
        {"undervoltage_recovery_v": 2.60},
        {"undervoltage-recovery-not-above"},
        {"undervoltage_recovery_v": 2.601},
        {"undervoltage-recovery-near"},
    ),
    (
        "undervoltage-recovery-near",
        {"undervoltage_recovery_v": 2.699},
        {"undervoltage-recovery-near"},
        {"undervoltage_recovery_v": 2.70},
        set(),
    ),
    # Recovery is above it, and so on the flat part as well.
    (
        "undervoltage-on-flat",
        {"undervoltage_v": 3.20, "undervoltage_recovery_v": 3.35},
        {"undervoltage-on-flat", "undervoltage-recovery-high"},
        {"undervoltage_v": 3.199, "undervoltage_recovery_v": 3.35},
        {"undervoltage-high", "undervoltage-recovery-high"},
    ),
    (
        "undervoltage-high",
        {"undervoltage_v": 3.051, "undervoltage_recovery_v": 3.2},
        {"undervoltage-high"},
        {"undervoltage_v": 3.05, "undervoltage_recovery_v": 3.2},
        set(),
    ),
    (
        "undervoltage-recovery-out-of-reach",
        {"undervoltage_recovery_v": 3.40},
        {"undervoltage-recovery-out-of-reach"},
        {"undervoltage_recovery_v": 3.399},
        {"undervoltage-recovery-high"},
    ),
    (
        "undervoltage-recovery-high",
        {"undervoltage_recovery_v": 3.201},
        {"undervoltage-recovery-high"},
        {"undervoltage_recovery_v": 3.20},
        set(),
    ),
    (
        "setting-differs",
        {REPORTED: {"overvoltage_v": 3.644}},
        {"setting-differs"},
        {REPORTED: {"overvoltage_v": 3.645}},
        set(),
    ),
    (
        "charge-below-freezing",
        {"charge_min_degc": -0.5},
        {"charge-below-freezing"},
        {"charge_min_degc": 0.0},
        set(),
    ),
    (
        "charge-when-hot",
        {"charge_max_degc": 60.5},
        {"charge-when-hot"},
        {"charge_max_degc": 60.0},
        set(),
    ),
    (
        "charge-current-high",
        {"max_charge_a": 201.0},
        {"charge-current-high"},
        {"max_charge_a": 200.0},
        set(),
    ),
]


def test_a_pack_in_order() -> None:
    assert found() == set()


@pytest.mark.parametrize("case", CASES, ids=lambda case: case[0])
def test_just_outside(case: Case) -> None:
    name, outside, expected, _, _ = case
    assert name in expected
    assert found(**outside) == expected


@pytest.mark.parametrize("case", CASES, ids=lambda case: case[0])
def test_just_inside(case: Case) -> None:
    name, _, _, inside, expected = case
    assert name not in expected
    assert found(**inside) == expected


def test_every_check_has_its_case() -> None:
    names = [check.advised.finding for check in PACK_CHECKS]
    assert sorted(names) == sorted({case[0] for case in CASES})
    assert len(names) == len(set(names)) == len(CASES)


def test_a_recovery_well_above_the_knee_is_soon_reached_whatever_the_charge_voltage() -> None:
    high: dict[str, Any] = {"charge_voltage_v": 57.6, "overvoltage_v": 3.70, "maker_max_v": 3.70}
    assert found(**high, overvoltage_recovery_v=3.45) == set()
    assert found(**high, overvoltage_recovery_v=3.449) == {"recovery-far-below-charge"}


def test_what_counts_is_what_the_bms_reports() -> None:
    assert found({"overvoltage_v": 3.52}) == {"charge-reaches-overvoltage", "setting-differs"}
    assert found({"balancer_from_v": 3.60}) == {
        "balancer-out-of-reach",
        "recovery-below-balancer",
        "setting-differs",
    }
    # A threshold lowered below the charge voltage, which no config may have.
    lowered = audit_pack(sheet(reported={"overvoltage_v": 3.45}))
    assert (lowered[0].advised.finding, lowered[0].severity) == (
        "charge-reaches-overvoltage",
        Severity.FAULT,
    )


def test_a_spread_that_was_seen_counts_in_place_of_the_usual_one() -> None:
    # Cells in good balance may come closer to over-voltage, but not as close as a usual spread.
    assert found(overvoltage_v=3.57, spread_mv=10.0) == set()
    assert found(overvoltage_v=3.57) == {"charge-near-overvoltage"}
    assert found(overvoltage_v=3.52, spread_mv=10.0) == {"charge-near-overvoltage"}
    assert found(overvoltage_v=3.51, spread_mv=10.0) == {"charge-reaches-overvoltage"}


def test_faults_come_first_and_the_worst_of_them_before_the_others() -> None:
    told = audit_pack(sheet(overvoltage_v=3.70, full_v=3.55, charge_max_degc=70.0))
    assert [(f.severity, f.advised.finding) for f in told] == [
        ("fault", "overvoltage-above-maker"),
        ("fault", "full-never-reached"),
        ("remark", "charge-when-hot"),
    ]
