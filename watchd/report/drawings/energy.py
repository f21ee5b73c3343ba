"""Energy: what went in upward, what came out downward."""

from __future__ import annotations

from matplotlib.figure import Figure

from watchd.report.drawings.paper import (
    FIRST,
    PAPER,
    SECOND,
    SOFT,
    day_axis,
    sheet,
    value_axis,
)
from watchd.report.drawings.svg import mark
from watchd.report.series.energy import Energy

HEIGHT = 160.0


def draw(energy: Energy) -> Figure:
    """A bar up and a bar down for each day."""
    figure, axes = sheet(HEIGHT)
    places = [energy.place(at) for at, *_ in energy.days]
    into = [d[1] for d in energy.days]
    out = [-d[2] for d in energy.days]
    for name, values, colour, hatch in (("in", into, FIRST, ""), ("out", out, SECOND, "/////")):
        bars = axes.bar(
            places, values, width=0.72, facecolor=colour, edgecolor=PAPER if hatch else colour,
            linewidth=0, hatch=hatch,
        )  # fmt: skip
        for bar in bars:
            bar.set_gid(mark(name))
    high, low = max([*into, 0.1]), min([*out, -0.1])
    value_axis(axes, 1.1 * low, 1.1 * high, "kWh in (up) and out (down)", absolute=True)
    axes.axhline(0.0, color=SOFT, linewidth=0.9)
    day_axis(axes, energy.span)
    axes.spines["bottom"].set_visible(False)
    return figure
