"""Figures of a bank, from those of its packs. A sum is unknown where a part of it is."""

from __future__ import annotations

from collections.abc import Mapping
from operator import itemgetter, mul

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


# What a bank's figures are made of.
_OF_PACK = itemgetter(
    "voltage_v",
    "current_a",
    "power_w",
    "soc_pct",
    "nameplate_ah",
    "cell_max_v",
    "cell_min_v",
    "charge_state",
    "charge_allowed",
    "telemetry_quality",
    "telemetry_overdue",
)
# Of no pack `all_full` would be true, and tell nothing.
_OF_NO_PACK: Figures = {
    "voltage_v": None,
    "current_a": 0,
    "power_w": 0,
    "soc_pct": None,
    "nameplate_ah": 0,
    "cell_max_v": None,
    "cell_min_v": None,
    "packs": 0.0,
    "packs_silent": 0.0,
    "packs_fresh": 0,
    "packs_charging_allowed": 0,
    "all_full": None,
}


def bank_figures(packs: Mapping[str, Figures]) -> Figures:
    """`FIGURES` but for what is suggested, from the figures of the packs in service."""
    if not packs:
        return dict(_OF_NO_PACK)
    columns = zip(*map(_OF_PACK, packs.values()), strict=True)
    volts, amps, watts, socs, sizes_ah, highest, lowest, states, allowed, qualities, late = columns
    whole_ah = sum(sizes_ah, 0.0)
    return {
        "voltage_v": None if None in volts else max(volts),
        "current_a": None if None in amps else round(sum(amps, 0.0), 6),
        "power_w": None if None in watts else round(sum(watts, 0.0), 6),
        "soc_pct": None
        if None in socs
        else round(sum(map(mul, sizes_ah, socs), 0.0) / whole_ah, 3),
        "nameplate_ah": round(whole_ah, 6),
        "cell_max_v": None if None in highest else max(highest),
        "cell_min_v": None if None in lowest else min(lowest),
        "packs": float(len(states)),
        "packs_silent": float(late.count(NOTHING_COMES)),
        "packs_fresh": qualities.count("good") + qualities.count("bad"),
        "packs_charging_allowed": None if None in allowed else allowed.count(True),
        "all_full": None if None in states else states.count("FULL") == len(states),
    }
