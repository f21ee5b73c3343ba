"""A bank on the bench: packs as advice sees them, without telemetry, rules or an engine."""

from __future__ import annotations

from collections.abc import Mapping

from watchd.advice.advice import Advice, Cap, PackState
from watchd.advice.charge_limit import ChargeLimit
from watchd.config import Bank, Pack, Profile
from watchd.figures import Figures, Value

START = 1_790_000_000.0  # some Monday in September 2026
PROFILE = Profile()
# Round numbers: 3.5 V a cell at the charge voltage, nothing from 3.60 V on, tail current 10 A.
HUT = Bank(charge_voltage_v=56.0, max_charge_a=180.0)
ROOMY = Bank(charge_voltage_v=56.0, max_charge_a=1000.0)
ALDER = Pack(bank="hut", nameplate_ah=200.0, max_charge_a=100.0)


def seen(
    name: str = "alder",
    pack: Pack = ALDER,
    *,
    cell_max_v: float | None = 3.33,
    current_a: float | None = 20.0,
    temperature_degc: float | None = 15.0,
    charge_allowed: bool | None = True,
    setting_overvoltage_v: float | None = None,
    has_temperature: bool = True,
    also: Mapping[str, Value] | None = None,
) -> PackState:
    """A pack in service with fresh telemetry, unless told otherwise."""
    figures: Figures = {
        "cell_max_v": cell_max_v,
        "cell_max_no": None if cell_max_v is None else 7,
        "current_a": current_a,
        "temperature_min_degc": temperature_degc,
        "temperature_max_degc": temperature_degc,
        "charge_allowed": charge_allowed,
        "setting_overvoltage_v": setting_overvoltage_v,
        "discharge_allowed": True,
        "cell_min_v": None if cell_max_v is None else cell_max_v - 0.01,
        "cell_min_no": None if cell_max_v is None else 3,
        "cell_spread_mv": None if cell_max_v is None else 10.0,
        "voltage_v": None if cell_max_v is None else 16 * cell_max_v - 0.08,
        "charge_headroom_a": None,
        "charge_headroom_cell_no": None,
        "discharge_headroom_a": None,
        "discharge_headroom_cell_no": None,
        "horizon_mohm": None,
        "imbalance_ah": None,
        "imbalance_sigma_ah": None,
        "imbalance_cell_no": None,
        "soc_estimate_pct": None,
        "telemetry_quality": "good",
        "telemetry_overdue": "none",
        **(also or {}),
    }
    return PackState(name, pack, figures, has_temperature)


def advise(*packs: PackState, caps: tuple[Cap, ...] = (), bank: Bank = HUT) -> Advice:
    """The suggestion for a bank that is seen for the first time."""
    return ChargeLimit(bank, PROFILE).update(START, packs, caps)


def limit_a(advice: Advice) -> float:
    """The amps of a suggestion; there must be one."""
    assert advice.limit_a is not None, advice.because
    return advice.limit_a


def tells(advice: Advice, *what: str) -> None:
    """Hold the reason against what a keeper must find in it, in whatever words."""
    assert [words for words in what if words not in advice.because] == [], advice.because
