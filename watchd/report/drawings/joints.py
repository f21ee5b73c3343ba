"""Joints: a bar a cell, and the alarm's limit."""

from __future__ import annotations

from matplotlib.figure import Figure

from watchd.report.drawings.paper import (
    FIRST,
    INK,
    PAPER,
    RULE,
    SECOND,
    SOFT,
    sheet,
    value_axis,
)
from watchd.report.drawings.svg import mark
from watchd.report.series.joints import Joints
from watchd.report.writing import shown

HEIGHT = 150.0


def draw(joints: Joints) -> Figure:
    """Bars beyond the limit are hatched, and carry their number."""
    figure, axes = sheet(HEIGHT)
    limit = joints.limit_mohm
    known = [(n, v) for n, v in enumerate(joints.excess_mohm, 1) if v is not None]
    below = [(n, v) for n, v in known if limit is None or v <= limit]
    beyond = [(n, v) for n, v in known if limit is not None and v > limit]
    for bars, colour, hatch, name in (
        (below, FIRST, "", "bar"),
        (beyond, SECOND, "/////", "bar beyond"),
    ):
        if bars:
            drawn = axes.bar(
                [n for n, _ in bars], [v for _, v in bars], width=0.68, facecolor=colour,
                edgecolor=PAPER if hatch else colour, linewidth=0, hatch=hatch,
            )  # fmt: skip
            for patch in drawn:
                patch.set_gid(mark(name))
    for n, v in beyond:
        axes.text(n, v, shown(v, ".2f"), ha="center", va="bottom", color=INK, fontweight="bold")
    values = [v for _, v in known]
    high = max([*values, limit * 1.1 if limit is not None else 0.05])
    low = min([*values, 0.0])
    value_axis(axes, 1.1 * low, 1.18 * high, "mΩ")
    axes.axhline(0.0, color=RULE, linewidth=0.9)
    if limit is not None:
        axes.axhline(limit, color=INK, linewidth=1.1, linestyle=(0, (4, 2)), gid=mark("limit"))
        right = max((n for n, _ in beyond), default=0) < 0.6 * len(joints.excess_mohm)
        axes.text(
            1.0 if right else 0.12, limit, f"alarm from {limit:g} mΩ", color=SOFT, va="bottom",
            ha="right" if right else "left", transform=axes.get_yaxis_transform(),
        )  # fmt: skip
    number = len(joints.excess_mohm)
    axes.set_xlim(0.4, number + 0.6)
    labels = list(range(1, number + 1, 1 if number <= 16 else 2))
    axes.set_xticks(labels, [str(n) for n in labels])
    axes.spines["bottom"].set_visible(False)
    return figure
