"""Figures of a bank, from those of its packs. A sum is unknown where a part of it is."""

from __future__ import annotations

from collections.abc import Mapping

from watchd.estimators.quality.freshness import NOTHING_COMES
from watchd.figures import About, Figure, Figures, number, text, yes_no
from watchd.telemetry.names import CELL_V, within

FIGURES: tuple[Figure, ...] = (
    number(
        "voltage_v",
        "v",
        "highest voltage of the packs",
        About.BANK,
        within=within("voltage_v"),
        noisy=True,
    ),
    number("current_a", "a", "sum of the packs' currents, charge positive", About.BANK, noisy=True),
    number("power_w", "w", "sum of the packs' power, charge positive", About.BANK, noisy=True),
    number(
        "soc_pct",
        "pct",
        "packs' SoC weighted by nameplate capacity",
        About.BANK,
        within=within("soc_pct"),
    ),
    number(
        "nameplate_ah", "ah", "sum of the packs' nameplate capacity", About.BANK, within=(0, None)
    ),
    number(
        "cell_max_v",
        "v",
        "voltage of the highest cell of all packs",
        About.BANK,
        within=CELL_V,
        noisy=True,
    ),
    number(
        "cell_min_v",
        "v",
        "voltage of the lowest cell of all packs",
        About.BANK,
        within=CELL_V,
        noisy=True,
    ),
    number("packs", "", "packs in service", About.BANK, within=(0, None)),
    number(
        "packs_silent",
        "",
        "packs from which nothing comes any more",
        About.BANK,
        within=(0, None),
    ),
    number("packs_fresh", "", "packs whose telemetry is not stale", About.BANK, within=(0, None)),
    number(
        "packs_charging_allowed",
        "",
        "packs whose BMS lets them charge",
        About.BANK,
        within=(0, None),
    ),
    number(
        "charge_limit_a", "a", "the suggested charge current limit", About.BANK, within=(0, None)
    ),
    text("limited_by", "what the suggested limit comes from", about=About.BANK),
    number(
        "discharge_limit_a",
        "a",
        "the suggested discharge current limit, a magnitude",
        About.BANK,
        within=(0, None),
    ),
    text("discharge_limited_by", "what the suggested discharge limit comes from", about=About.BANK),
    number("suggested_voltage_v", "v", "the suggested charge voltage", About.BANK, within=(0, 160)),
    yes_no("all_full", "whether every pack is full", About.BANK),
)


def bank_figures(packs: Mapping[str, Figures]) -> Figures:
    """`FIGURES` but for what is suggested, from the figures of the packs in service."""
    every = list(packs.values())

    def known(name: str) -> list[float] | None:
        values = [f[name] for f in every]
        numbers = [v for v in values if isinstance(v, float)]
        return numbers if len(numbers) == len(values) else None

    def total(name: str) -> float | None:
        values = known(name)
        return round(sum(values), 6) if values is not None else None

    weights, volts = known("nameplate_ah") or [], known("voltage_v")
    socs, highest, lowest = known("soc_pct"), known("cell_max_v"), known("cell_min_v")
    weighted = sum(w * s for w, s in zip(weights, socs, strict=True)) if socs else None
    states = [f["charge_state"] for f in every]
    allowed = [f["charge_allowed"] for f in every]
    return {
        "voltage_v": max(volts) if volts else None,
        "current_a": total("current_a"),
        "power_w": total("power_w"),
        "soc_pct": round(weighted / sum(weights), 3) if weighted is not None else None,
        "nameplate_ah": round(sum(weights), 6),
        "cell_max_v": max(highest) if highest else None,
        "cell_min_v": min(lowest) if lowest else None,
        "packs": float(len(every)),
        "packs_silent": float(sum(f.get("telemetry_overdue") == NOTHING_COMES for f in every)),
        "packs_fresh": sum(f["telemetry_quality"] in ("good", "bad") for f in every),
        "packs_charging_allowed": (None if None in allowed else sum(a is True for a in allowed)),
        # Of no pack it would be true, and tell nothing.
        "all_full": all(s == "FULL" for s in states) if states and None not in states else None,
    }
