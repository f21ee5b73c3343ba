"""A sample as an estimator sees it, with only what a test gives."""

from __future__ import annotations

from typing import Any

from watchd.config import Bank, Pack, Profile
from watchd.estimators.estimator import Bus, Setting
from watchd.language.expression import compile_expression
from watchd.rules.fields import FULL_WHEN
from watchd.telemetry.sample import Sample

START = 1_790_000_000.0  # some Monday in September 2026


def sample(at: float = 0.0, **known: Any) -> Sample:
    """Telemetry `at` seconds from `START`; what is not given is not known."""
    moment = START + at
    measured = ("voltage_v", "current_a", "soc_pct", "cell_v", "temperature_degc")
    given: dict[str, Any] = {
        "voltage_v": None,
        "current_a": None,
        "soc_pct": None,
        "cell_v": None,
        "temperature_degc": None,
        "charge_allowed": None,
        "discharge_allowed": None,
        "balancing": None,
        "protection": None,
        "settings": {},
        "measured_at": {n: moment for n in measured if known.get(n) is not None},
        "renewed": frozenset(),
        "overdue": (),
        "age_s": 0.0,
        "quality": None,
        **known,
    }
    return Sample(at=moment, **given)


def setting(
    *,
    full_when: str | None = None,
    full_hold_s: float = 300.0,
    longest_gap_s: float = 60.0,
    name: str = "alder",
    bus: Bus | None = None,
    profile: Profile | None = None,
    charge_voltage_v: float = 56.0,
    **pack: Any,
) -> Setting:
    """What the config says of a pack of 200 Ah; `pack` has keys of the config's pack."""
    bank = Bank.model_validate(
        {"charge_voltage_v": charge_voltage_v, "full_hold": f"{full_hold_s} s"}
    )
    keys: dict[str, Any] = {"nameplate_ah": 200.0, "max_charge_a": 100.0, **pack}
    return Setting(
        name=name,
        pack=Pack(bank="hut", **keys),
        bank=bank,
        profile=profile or Profile(),
        bus=bus or Bus(),
        full_when=compile_expression(full_when or bank.full_when, FULL_WHEN),
        longest_gap_s=longest_gap_s,
        parts_within_s=5.0,
    )
