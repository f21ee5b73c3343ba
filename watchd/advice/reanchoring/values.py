"""Figures as numbers."""

from __future__ import annotations

from watchd.figures import Figures


def known(figures: Figures, name: str) -> float | None:
    """A figure that is a number; None where it is not known."""
    value = figures.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)
