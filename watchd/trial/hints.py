"""Does what was understood look right? What is said here is a hint: one sample proves little.

The limits are common practice, no source: they are to find a wrong scale, sign or number of cells,
not a pack that is unwell.
"""

from __future__ import annotations

from collections.abc import Iterator

from watchd.config import Config
from watchd.telemetry.sample import Sample

SUM_WITHIN_V = 0.3
SUM_WITHIN = 0.01
LOWEST_CELL_V, HIGHEST_CELL_V = 2.0, 4.0
# Below this part of the nameplate capacity, a current says nothing of its sign.
TELLING_C = 0.05
MOST_C = 2.0
NOT_EMPTY_PCT = 30.0
SIGN = "charge is positive, and scale: -1 turns a current round"


def pack_hints(config: Config, name: str, sample: Sample) -> Iterator[str]:
    """What does not look right in a sample of a pack."""
    pack = config.packs[name]
    cells, voltage = sample.cell_v, sample.voltage_v
    if cells is not None and voltage is not None:
        total = sum(cells)
        if abs(total - voltage) > max(SUM_WITHIN_V, SUM_WITHIN * total):
            yield (
                f"the cells add up to {total:.2f} V, but the pack's voltage is {voltage:.2f} V: "
                "see the scale of both"
            )
    elif voltage is not None:
        each = voltage / pack.cells_in_series
        if not LOWEST_CELL_V <= each <= HIGHEST_CELL_V:
            yield (
                f"{voltage:.2f} V over {pack.cells_in_series} cells are {each:.2f} V a cell: see "
                "cells_in_series and the scale of voltage_v"
            )
    current = sample.current_a
    if current is None:
        return
    if abs(current) > MOST_C * pack.nameplate_ah:
        yield (
            f"{abs(current):.0f} A is more than {MOST_C:g} C for a pack of "
            f"{pack.nameplate_ah:g} Ah: see the scale of current_a"
        )
    if cells is None or abs(current) < TELLING_C * pack.nameplate_ah:
        return
    mean = sum(cells) / len(cells)
    full, flat = config.profile.upper_knee_v, config.profile.flat_from_v
    soc = sample.soc_pct
    if current < 0 and mean > full:
        yield (
            f"its cells stand at {mean:.2f} V, as they do while charging, and the current says "
            f"discharge: {SIGN}"
        )
    elif current > 0 and mean < flat and soc is not None and soc > NOT_EMPTY_PCT:
        yield (
            f"its cells stand at {mean:.2f} V, as they do while discharging, and the current says "
            f"charge: {SIGN}"
        )


def bank_hints(config: Config, samples: dict[str, Sample]) -> Iterator[str]:
    """What does not look right between packs of one bank."""
    for bank in config.banks:
        telling = {
            name: current
            for name in config.packs_of(bank)
            if name in samples
            and (current := samples[name].current_a) is not None
            and abs(current) >= TELLING_C * config.packs[name].nameplate_ah
        }
        charging = [n for n, current in telling.items() if current > 0]
        discharging = [n for n, current in telling.items() if current < 0]
        if charging and discharging:
            yield (
                f"{', '.join(charging)}: charge, while {', '.join(discharging)}: discharge. Packs "
                f"on one bus mostly agree: {SIGN}"
            )
