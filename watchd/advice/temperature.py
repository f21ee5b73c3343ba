"""What temperature leaves of a pack's current: windows, and bands inside them with less.

The shape is that of the JEITA guideline for chargers (2007, as chargers' registers describe it): no
charge below a window and above it, less in bands at its ends. The numbers are the cell maker's,
from the config. A band that was entered is left `BACK_K` beyond its end, so that a sensor that
flickers at the end moves nothing.
"""

from __future__ import annotations

from typing import Any

from watchd.advice.advice import OwnLimit, PackState
from watchd.config import Band

BACK_K = 0.2


class Bands:
    """In which bands the packs of a bank are."""

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        self._inside: dict[str, list[int]] = {n: list(b) for n, b in (saved or {}).items()}

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {name: list(bands) for name, bands in self._inside.items()}

    def limits(self, state: PackState) -> list[OwnLimit]:
        """What the bands and the window of charging leave, in A."""
        window, name = state.pack.temperature, state.name
        low, high = _range(state)
        if low is None or high is None:
            self._inside.pop(name, None)
            return []
        found = _outside(state, low, high, window.charge_min_degc, window.charge_max_degc, "charge")
        before = self._inside.get(name, ())
        inside = [
            index
            for index, band in enumerate(window.charge_bands)
            if _is_in(band, low, high, BACK_K if index in before else 0.0)
        ]
        self._inside[name] = inside
        for index in inside:
            band = window.charge_bands[index]
            amps = band.c_rate * state.pack.nameplate_ah
            is_at = low if low >= band.from_degc else high
            found.append(
                OwnLimit(
                    "temperature",
                    amps,
                    f"{name} is at {is_at:.1f} °C; from {band.from_degc:g} to {band.to_degc:g} °C "
                    f"it may take {amps:.3g} A",
                )
            )
        return found


def discharge_window(state: PackState) -> list[OwnLimit]:
    """Nothing outside the window of discharging."""
    window = state.pack.temperature
    low, high = _range(state)
    if low is None or high is None:
        return []
    return _outside(
        state, low, high, window.discharge_min_degc, window.discharge_max_degc, "discharge"
    )


def _range(state: PackState) -> tuple[float | None, float | None]:
    low, high = (state.figures[f"temperature_{end}_degc"] for end in ("min", "max"))
    return (low, high) if isinstance(low, float) and isinstance(high, float) else (None, None)


def _is_in(band: Band, low: float, high: float, back_k: float) -> bool:
    """Whether any sensor is in the band."""
    return low < band.to_degc + back_k and high >= band.from_degc - back_k


def _outside(
    state: PackState, low: float, high: float, least: float, most: float, what: str
) -> list[OwnLimit]:
    found = []
    if low < least:
        found.append((low, "below", least))
    if high > most:
        found.append((high, "above", most))
    return [
        OwnLimit(
            "temperature",
            0.0,
            f"{state.name} is at {is_at:.1f} °C; no {what} {side} {limit:g} °C",
            stops=True,
        )
        for is_at, side, limit in found
    ]
