"""The sheet that all drawings are on: its size, its type, its colours, its axis of time.

A unit is a CSS pixel on a phone of 360 px, so that text of `TEXT` stays readable there; on a wider
screen two drawings stand side by side. A colour here stands for a part that it plays. The page
says what that is, in light and in dark (`svg` puts the names of its variables in).
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from math import ceil

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from watchd.report.span import DAY_S, Span, utc_day
from watchd.report.writing import shown

WIDTH = 340.0
LEFT, RIGHT, TOP, BOTTOM = 30.0, 8.0, 20.0, 20.0
TEXT = 10.5
SHORT_D, WEEK_D = 2.0, 7
_POINTS = 72.0  # to matplotlib's inch; one of them is a unit
_STEPS = (1, 2, 2.5, 5, 10)

# Parts that colours play. Any colours would do that differ.
INK, SOFT, RULE, PAPER = "#010101", "#010102", "#010103", "#010104"
FIRST, SECOND, THIRD, MARK = "#020201", "#020202", "#020203", "#020204"
LEVELS = {
    -3: "#030301", -2: "#030302", -1: "#030303", 0: "#030304",
    1: "#030305", 2: "#030306", 3: "#030307",
}  # fmt: skip
VARIABLES = {
    INK: "ink", SOFT: "soft", RULE: "rule", PAPER: "paper",
    FIRST: "first", SECOND: "second", THIRD: "third", MARK: "mark",
    LEVELS[-3]: "low-3", LEVELS[-2]: "low-2", LEVELS[-1]: "low-1", LEVELS[0]: "near",
    LEVELS[1]: "high-1", LEVELS[2]: "high-2", LEVELS[3]: "high-3",
}  # fmt: skip


def style() -> AbstractContextManager[None]:
    """What drawing and writing it out are done within: the same whatever the user's settings."""
    found: AbstractContextManager[None] = mpl.rc_context(
        {
            **{name: value for name, value in mpl.rcParamsDefault.items() if name != "backend"},
            "svg.fonttype": "none",  # text stays text: the page's own type, found and read aloud
            "svg.hashsalt": "watchd",  # the same numbers give the same bytes
            "font.size": TEXT,
            "text.color": INK,
            "axes.edgecolor": RULE,
            "axes.linewidth": 0.8,
            "hatch.linewidth": 0.8,
            "path.simplify_threshold": 0.2,
            "interactive": False,
        }
    )
    return found


def sheet(
    height: float, *, right: float = RIGHT, left: float = LEFT, top: float = TOP
) -> tuple[Figure, Axes]:
    """A figure of `height` units with one bare axes."""
    figure = Figure(figsize=(WIDTH / _POINTS, height / _POINTS), dpi=_POINTS)
    figure.patch.set_visible(False)
    axes = figure.add_axes(
        (
            left / WIDTH,
            BOTTOM / height,
            (WIDTH - left - right) / WIDTH,
            (height - top - BOTTOM) / height,
        )
    )
    axes.patch.set_visible(False)
    for side in ("top", "left", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(length=0, labelsize=TEXT, labelcolor=SOFT, pad=4)
    return figure, axes


def time_axis(axes: Axes, span: Span) -> None:
    """The span from edge to edge, a long one to the end of its last day, with its labels."""
    # Bars and squares are whole days; an axis that is the same in all drawings has room for them.
    axes.set_xlim(0.0, ceil(span.days) if span.days > SHORT_D else max(span.days, 1e-6))
    ticks = span.ticks()
    axes.set_xticks([place for place, _ in ticks], [label for _, label in ticks])
    axes.tick_params(axis="x", length=3, color=RULE)
    # A label at an edge of the sheet stays on it.
    for (place, _), text in zip(ticks, axes.get_xticklabels(), strict=True):
        if place > 0.96 * span.days:
            text.set_horizontalalignment("right")
        elif place < 0.02 * span.days:
            text.set_horizontalalignment("left")


def day_axis(axes: Axes, span: Span) -> None:
    """The same for what is one a UTC day: of a short span whole days, a week of room for them."""
    if span.days > SHORT_D:
        time_axis(axes, span)
        return
    first = span.begin // DAY_S
    axes.set_xlim(span.place(first * DAY_S), span.place((first + WEEK_D) * DAY_S))
    days = [first + n for n in range(int(span.end // DAY_S - first) + 1)]
    axes.set_xticks(
        [span.place((day + 0.5) * DAY_S) for day in days], [utc_day(day * DAY_S) for day in days]
    )
    axes.tick_params(axis="x", length=3, color=RULE)


def value_axis(axes: Axes, low: float, high: float, unit: str, *, absolute: bool = False) -> None:
    """Round values with a hair line each, the unit above them. `absolute`: no minus."""
    axes.set_ylim(low, high)
    every = MaxNLocator(nbins=4, steps=list(_STEPS)).tick_values(low, high)
    ticks = [float(t) for t in every if low - 1e-9 <= t <= high + 1e-9]
    labels = [shown(abs(t) if absolute else t, "g") for t in ticks]
    axes.set_yticks(ticks, labels)
    axes.grid(axis="y", color=RULE, linewidth=0.6)
    axes.set_axisbelow(True)
    above(axes, unit)


def above(axes: Axes, text: str, *, right: bool = False) -> None:
    """A word above the axes, at the left end (as far as the sheet goes) or at the right."""
    figure = axes.figure
    if not isinstance(figure, Figure):  # every sheet is one; the type does not say so
        return
    height = figure.get_size_inches()[1] * _POINTS
    figure.text(
        1.0 - RIGHT / WIDTH if right else 2.0 / WIDTH, 1.0 - 9.0 / height, text, color=SOFT,
        va="center_baseline", ha="right" if right else "left",
    )  # fmt: skip


def breaks(values: Sequence[float | None]) -> list[float]:
    """Values for a line that is broken where one is not known."""
    return [float("nan") if v is None else v for v in values]
