"""A sample as an estimator sees it, with only what a test gives."""

from __future__ import annotations

from typing import Any

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
