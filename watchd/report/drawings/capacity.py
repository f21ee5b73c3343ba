"""Capacity: dots with their intervals, and nameplate."""

from __future__ import annotations

from matplotlib.figure import Figure

from watchd.report.drawings.paper import FIRST, INK, SOFT, sheet, time_axis, value_axis
from watchd.report.drawings.svg import mark
from watchd.report.series.capacity import SIGMAS, Capacity

HEIGHT = 150.0


def draw(capacity: Capacity) -> Figure:
    """The axis of values does not begin at zero: nine tenths of nameplate are always on it."""
    figure, axes = sheet(HEIGHT)
    days = [d for d, _, _ in capacity.points]
    values = [ah for _, ah, _ in capacity.points]
    errors = [SIGMAS * sigma for _, _, sigma in capacity.points]
    bars = axes.vlines(
        days,
        [v - e for v, e in zip(values, errors, strict=True)],
        [v + e for v, e in zip(values, errors, strict=True)],
        color=FIRST, linewidth=1.6, alpha=0.55,
    )  # fmt: skip
    bars.set_gid(mark("interval"))
    axes.plot(
        days, values, linestyle="none", marker="o", markersize=3.6, markeredgewidth=0,
        color=INK, gid=mark("measured"), zorder=3,
    )  # fmt: skip
    whole = capacity.nameplate_ah
    axes.axhline(whole, color=SOFT, linewidth=1.1, linestyle=(0, (4, 2)), gid=mark("nameplate"))
    low = min([v - e for v, e in zip(values, errors, strict=True)] + [0.9 * whole])
    high = max([v + e for v, e in zip(values, errors, strict=True)] + [whole])
    room = 0.14 * (high - low)
    value_axis(axes, low - 0.5 * room, high + room, "Ah")
    time_axis(axes, capacity.span)
    axes.text(
        1.0, whole, f"nameplate {whole:g} Ah", color=SOFT, ha="right", va="bottom",
        transform=axes.get_yaxis_transform(),
    )  # fmt: skip
    return figure
