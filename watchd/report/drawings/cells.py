"""Each cell at full: squares, stronger the further from the mean, with the sign in the worst."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path

from watchd.report.drawings.paper import (
    BOTTOM,
    INK,
    LEVELS,
    MARK,
    RULE,
    SOFT,
    TEXT,
    WEEK_D,
    above,
    day_axis,
    sheet,
)
from watchd.report.drawings.svg import mark
from watchd.report.series.cells import Cells, level
from watchd.report.writing import shown

ROW = 12.0
_RIGHT, _LEFT, _TOP = 34.0, 22.0, 20.0
_MARKED = 2  # from this step of the scale on
_GAP = 0.06  # of a square


def draw(cells: Cells) -> Figure:
    """A row a cell, the first on top."""
    number = cells.cells
    figure, axes = sheet(_TOP + BOTTOM + ROW * number, right=_RIGHT, left=_LEFT, top=_TOP)
    squares: dict[int, list[tuple[float, float]]] = {step: [] for step in LEVELS}
    for column in cells.columns:
        for cell, deviation in enumerate(column.deviation_mv, 1):
            squares[level(deviation)].append((column.place, float(cell)))
    for step, found in squares.items():
        if found:
            path = Path.make_compound_path(*(_square(x, y, cells.width) for x, y in found))
            patch = PathPatch(
                path, facecolor=LEVELS[step], linewidth=0, gid=mark(f"step step{step}")
            )
            axes.add_patch(patch)
    wide = 270.0 * cells.width / max(cells.span.days, float(WEEK_D))
    size = max(2.5, min(0.55 * ROW, 0.6 * wide))
    for sign, way, shape in ((1, "high", "+"), (-1, "low", "_")):
        worst = [p for s in (_MARKED, 3) for p in squares[sign * s]]
        if worst:
            axes.plot(
                [x for x, _ in worst], [y for _, y in worst], linestyle="none", marker=shape,
                markersize=size, markeredgewidth=1.1, color=MARK, gid=mark(f"sign {way}"),
            )  # fmt: skip
    day_axis(axes, cells.span)
    axes.set_ylim(number + 0.5, 0.5)
    every = 1 if number <= 20 else 2
    labels = list(range(1, number + 1, every))
    axes.set_yticks(labels, [str(n) for n in labels])
    _last(cells, axes)
    above(axes, "cell")
    above(axes, "mV", right=True)
    axes.spines["bottom"].set_color(RULE)
    return figure


def _last(cells: Cells, axes: Axes) -> None:
    last = cells.last()
    worst = {last.index(max(last)), last.index(min(last))}
    for cell, deviation in enumerate(last):
        axes.text(
            1.02, cell + 1.0, shown(deviation, "+.0f"), transform=axes.get_yaxis_transform(),
            va="center_baseline", ha="left", fontsize=TEXT, color=INK if cell in worst else SOFT,
            fontweight="bold" if cell in worst else "normal", gid=mark("last"),
        )  # fmt: skip


def _square(x: float, y: float, width: float) -> Path:
    half = width * (0.5 - _GAP)
    tall = 0.5 - _GAP
    corners = [
        (x - half, y - tall), (x + half, y - tall), (x + half, y + tall), (x - half, y + tall),
        (x - half, y - tall),
    ]  # fmt: skip
    return Path(corners, closed=True)
