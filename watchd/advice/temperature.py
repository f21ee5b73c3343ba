"""What temperature leaves of a pack's current: windows, and bands inside them with less.

The shape is that of the JEITA guideline for chargers (2007, as chargers' registers describe it): no
charge below a window and above it, less in bands at its ends. The numbers are the cell maker's,
from the config. A band that was entered is left `BACK_K` beyond its end, so that a sensor that
flickers at the end moves nothing.
"""

from __future__ import annotations

from typing import Any

from watchd.advice.advice import OwnLimit, PackState
from watchd.config import Band, Pack

BACK_K = 0.2


class Bands:
    """In which bands the packs of a bank are."""

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        self._inside: dict[str, list[int]] = {n: list(b) for n, b in (saved or {}).items()}
        # What was found last, and of what: with the same temperatures it is the same again.
        self._found: dict[str, tuple[Pack, float, float, list[OwnLimit]]] = {}

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {name: list(bands) for name, bands in self._inside.items()}

    def limits(self, state: PackState) -> list[OwnLimit]:
        """What the bands and the window of charging leave, in A; not to be changed."""
        name, figures = state.name, state.figures
        low, high = figures["temperature_min_degc"], figures["temperature_max_degc"]
        if not (isinstance(low, float) and isinstance(high, float)):
            self._inside.pop(name, None)
            self._found.pop(name, None)
            return []
        known = self._found.get(name)
        if known is None or known[0] is not state.pack or known[1] != low or known[2] != high:
            known = state.pack, low, high, self._look(state, low, high)
            self._found[name] = known
        return known[3]

    def _look(self, state: PackState, low: float, high: float) -> list[OwnLimit]:
        window, name = state.pack.temperature, state.name
        found = _outside(state, low, high, window.charge_min_degc, window.charge_max_degc, "charge")
        before = self._inside.get(name, ())
        inside = [
            index
            for index, band in enumerate(window.charge_bands)
            if _is_in(band, low, high, BACK_K if index in before else 0.0)
        ]
        self._inside[name] = inside
        found.extend(_in_band(state, window.charge_bands[index], low, high) for index in inside)
        return found


def _in_band(state: PackState, band: Band, low: float, high: float) -> OwnLimit:
    name, amps = state.name, band.c_rate * state.pack.nameplate_ah
    is_at = low if low >= band.from_degc else high
    return OwnLimit(
        "temperature",
        amps,
        lambda: (
            f"{name} is at {is_at:.1f} °C; from {band.from_degc:g} to {band.to_degc:g} °C "
            f"it may take {amps:.3g} A"
        ),
    )


def discharge_window(state: PackState) -> list[OwnLimit]:
    """Nothing outside the window of discharging."""
    window = state.pack.temperature
    figures = state.figures
    low, high = figures["temperature_min_degc"], figures["temperature_max_degc"]
    if not (isinstance(low, float) and isinstance(high, float)):
        return []
    return _outside(
        state, low, high, window.discharge_min_degc, window.discharge_max_degc, "discharge"
    )


def _is_in(band: Band, low: float, high: float, back_k: float) -> bool:
    """Whether any sensor is in the band."""
    return low < band.to_degc + back_k and high >= band.from_degc - back_k


def _outside(
    state: PackState, low: float, high: float, least: float, most: float, what: str
) -> list[OwnLimit]:
    found = []
    if low < least:
        found.append(_stop(state.name, low, f"no {what} below {least:g} °C"))
    if high > most:
        found.append(_stop(state.name, high, f"no {what} above {most:g} °C"))
    return found


def _stop(name: str, is_at: float, why: str) -> OwnLimit:
    return OwnLimit("temperature", 0.0, lambda: f"{name} is at {is_at:.1f} °C; {why}", stops=True)
