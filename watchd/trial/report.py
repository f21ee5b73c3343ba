"""What a trial found, as plain data: for `--json`, and for the text that is made of it."""

from __future__ import annotations

from typing import Any

from watchd.config import Config
from watchd.telemetry.sample import Sample
from watchd.trial.heard import Hearing
from watchd.trial.hints import bank_hints, pack_hints


def pack_data(hearing: Hearing, pack: str, at: float) -> dict[str, Any]:
    """What was understood of a pack; `at` is now (Unix s)."""
    sample = hearing.samples.get(pack)
    said: dict[str, Any] = {"pack": pack, "heard": sample is not None}
    if sample is not None:
        said.update(_sample_data(hearing.config, pack, sample, at))
        said["did_not_come"] = hearing.did_not_come(pack)
        said["look"] = list(pack_hints(hearing.config, pack, sample))
    said["retained_only"] = sorted(hearing.retained[pack])
    return said


def hearing_data(hearing: Hearing, at: float) -> dict[str, Any]:
    """Of all packs in service, of their banks, and what could not be used."""
    return {
        "packs": [pack_data(hearing, pack, at) for pack in hearing.packs],
        "look": list(bank_hints(hearing.config, hearing.samples)),
        "not_used": [{"topic": topic, "why": why} for topic, why in hearing.refused],
    }


def _sample_data(config: Config, pack: str, sample: Sample, at: float) -> dict[str, Any]:
    cells = sample.cell_v
    said: dict[str, Any] = {
        "age_s": round(max(0.0, at - max(sample.measured_at.values())), 1),
        "voltage_v": sample.voltage_v,
        "current_a": sample.current_a,
        "soc_pct": sample.soc_pct,
        "cells_in_series": config.packs[pack].cells_in_series,
        "cells": None,
    }
    if cells is not None:
        low, high = min(cells), max(cells)
        said["cells"] = {
            "sum_v": round(sum(cells), 3),
            "lowest_v": low,
            "lowest_no": cells.index(low) + 1,
            "highest_v": high,
            "highest_no": cells.index(high) + 1,
        }
    return {
        **said,
        "temperature_degc": list(sample.temperature_degc or ()),
        "protection": None if sample.protection is None else list(sample.protection),
        "charge_allowed": sample.charge_allowed,
        "discharge_allowed": sample.discharge_allowed,
        "balancing": sample.balancing,
        "settings": dict(sorted(sample.settings.items())),
    }
