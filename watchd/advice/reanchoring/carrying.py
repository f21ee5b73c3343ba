"""Whether the other packs of a bank can carry its current while one pack is disconnected.

Each of the others takes its part of the current by nameplate capacity (packs in parallel share by
their resistance, which goes with 1/capacity; what sharing differs by, watchd tells elsewhere). The
bank without the pack carries what brings the first of the others to its own limit:

    limit = min over the others of (limit of the pack / its part)

Currents in A, charge positive. Ours, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from watchd.figures import Figures, Value


@dataclass(frozen=True, slots=True)
class Other:
    """Another pack of the bank that is in service."""

    name: str
    nameplate_ah: float
    max_charge_a: float
    max_discharge_a: float | None
    figures: Figures


@dataclass(frozen=True, slots=True)
class Carrying:
    """What the others carry: `refusal` says why they cannot, `text` that they can.

    `holding` says what to keep charge and loads at while the pack is disconnected.
    """

    refusal: str | None
    text: str = ""
    holding: str = ""
    charge_limit_a: float | None = None
    discharge_limit_a: float | None = None


def without(pack: str, own: Figures, others: Sequence[Other]) -> Carrying:
    """Whether `others` carry the bank's present current when `pack` drops out."""
    if not others:
        return Carrying(f"{pack} is alone on its bank: its trip would leave the bus without a pack")
    fault = next((f for other in others if (f := _fault(other)) is not None), None)
    if fault is not None:
        return Carrying(fault)
    amps = _total([own, *(other.figures for other in others)])
    if amps is None:
        return Carrying("the current of the bank is not known")
    total_ah = sum(other.nameplate_ah for other in others)
    charge_a = min(o.max_charge_a * total_ah / o.nameplate_ah for o in others)
    discharge = [
        o.max_discharge_a * total_ah / o.nameplate_ah
        for o in others
        if o.max_discharge_a is not None
    ]
    discharge_a = min(discharge) if len(discharge) == len(others) else None
    names = ", ".join(other.name for other in others)
    if amps > charge_a:
        return Carrying(
            f"the bank charges with {amps:.0f} A now, and without {pack} the others ({names}) "
            f"may take {charge_a:.0f} A"
        )
    if discharge_a is not None and -amps > discharge_a:
        return Carrying(
            f"the loads take {-amps:.0f} A now, and without {pack} the others ({names}) may give "
            f"{discharge_a:.0f} A"
        )
    now = f"{abs(amps):.0f} A {'charge' if amps >= 0 else 'discharge'}"
    text = (
        f"When it disconnects, its current goes to {names}: they can carry what flows now ({now})."
    )
    holding = f"While it is off, keep the charge of the bank at or below {charge_a:.0f} A, and "
    if discharge_a is not None:
        holding += f"the loads at or below {discharge_a:.0f} A."
    else:
        holding += "the loads low (max_discharge_a of the others is not in the config)."
    return Carrying(None, text, holding, charge_a, discharge_a)


def _fault(other: Other) -> str | None:
    """Why this one carries nothing more."""
    figures = other.figures
    if figures.get("telemetry_quality") != "good":
        return f"what {other.name} carries is not known: its telemetry is not good"
    if figures.get("protection_trip") is True:
        return f"{other.name} has tripped itself and carries nothing"
    if figures.get("charge_allowed") is False:
        return f"the BMS of {other.name} does not let it charge"
    if figures.get("discharge_allowed") is False:
        return f"the BMS of {other.name} does not let it discharge"
    return None


def _total(packs: Sequence[Figures]) -> float | None:
    currents: list[Value] = [figures.get("current_a") for figures in packs]
    known = [amps for amps in currents if isinstance(amps, int | float)]
    return float(sum(known)) if len(known) == len(currents) else None
