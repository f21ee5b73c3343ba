"""Which kind of spread a pack has: a difference in charge, a small cell, or a bad joint.

Each wants another answer: a balancer and time, another cell, a wrench in licensed hands. High at
the top and high at the bottom is a difference in charge; high at the top, or level, and low at the
bottom is a small cell; a deviation in proportion to the current is a joint. So three figures are
held against what sound cells show: `imbalance_ah`, `cell_shortfall_ah`, `joint_excess_mohm`.

A cause is present beyond its limit and three standard errors, absent when two standard errors more
would not reach its limit, and open in between. The certainty has the words of CAP 1.2:

- observed: present beyond twice the limit and six standard errors, and the others absent;
- likely: present, also with two standard errors less, and nothing speaks against it; with no cause
  present, all three absent;
- possible: the bottom was not seen, so that charge and a small cell look alike, or for a joint the
  top; or the largest of several causes by far; or none beyond its limit, but not for certain;
- unknown: neither a top was seen nor a joint.

`unclear` are several causes of like size, or one beyond its limit that may be an error. A small
cell that is balanced at the top shows there as nothing, and one that is not shows as charge too: of
the same cell, what the shortfall explains is not counted again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, Value, number, text
from watchd.telemetry.names import CELL_NO
from watchd.telemetry.sample import Sample

KINDS = ("none", "charge", "small cell", "joint", "unclear")
CERTAINTIES = ("observed", "likely", "possible", "unknown")
# What sound cells stay within; common practice, no source. Of nameplate capacity, and of the
# resistance of a cell's path, where 0.1 mOhm is a plate bar with its joints.
CHARGE_LIMIT, SHORTFALL_LIMIT = 0.005, 0.02
JOINT_LIMIT, JOINT_LEAST_MOHM = 0.25, 0.12
BY_FAR = 3.0

FIGURES: tuple[Figure, ...] = (
    text("spread_kind", "what makes the cells differ most", KINDS),
    text("spread_kind_certainty", "how certain spread_kind is, in CAP 1.2's words", CERTAINTIES),
    number(
        "spread_kind_cell_no",
        "",
        "number of the cell that it is about, the first is 1",
        within=CELL_NO,
    ),
)
_UNKNOWN: Figures = {
    "spread_kind": None,
    "spread_kind_certainty": "unknown",
    "spread_kind_cell_no": None,
}


@dataclass(frozen=True, slots=True)
class Cause:
    """One possible cause: its size and standard error in parts of its limit."""

    kind: str
    size: float
    sigma: float
    cell_no: int

    @property
    def present(self) -> bool:
        """Beyond the limit, and no error."""
        return self.size > 1.0 and self.size > 3.0 * self.sigma

    @property
    def absent(self) -> bool:
        """Within the limit for certain."""
        return self.size + 2.0 * self.sigma < 1.0

    @property
    def certain(self) -> bool:
        """Beyond the limit even if two standard errors less."""
        return self.size - 2.0 * self.sigma > 1.0

    @property
    def plain(self) -> bool:
        """Far beyond the limit."""
        return self.size > 2.0 and self.size > 6.0 * self.sigma


class SpreadKind:
    """Judges anew when a figure that it reads has changed. Keeps nothing of its own."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        del saved
        self._nameplate_ah, self._cells = setting.nameplate_ah, setting.cells
        self._imbalance_ah: Value = None
        self._shortfall_ah: Value = None
        self._excess_mohm: Value = None
        self._figures = _UNKNOWN  # of these
        self._told: Figures | None = None  # where it stands

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {}

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        del sample
        # The other figures change with these.
        imbalance_ah, shortfall_ah = figures["imbalance_ah"], figures["cell_shortfall_ah"]
        excess_mohm = figures["joint_excess_mohm"]
        if (
            excess_mohm != self._excess_mohm
            or imbalance_ah != self._imbalance_ah
            or shortfall_ah != self._shortfall_ah
        ):
            self._imbalance_ah, self._shortfall_ah = imbalance_ah, shortfall_ah
            self._excess_mohm, self._told = excess_mohm, None
            self._figures = self._judged(figures)
        if figures is not self._told:
            figures.update(self._figures)
            self._told = figures

    def _judged(self, figures: Figures) -> Figures:
        whole_mohm = figures["resistance_mohm"]
        if not isinstance(whole_mohm, float):
            return _UNKNOWN
        joint_limit = max(JOINT_LEAST_MOHM, JOINT_LIMIT * whole_mohm / self._cells)
        joint = _cause(figures, "joint", "joint_excess{}_mohm", "joint", joint_limit)
        charge = _cause(
            figures, "charge", "imbalance{}_ah", "imbalance", CHARGE_LIMIT * self._nameplate_ah
        )
        small = _cause(
            figures,
            "small cell",
            "cell_shortfall{}_ah",
            "cell_shortfall",
            SHORTFALL_LIMIT * self._nameplate_ah,
        )
        if joint is None or (charge is None and not joint.present):
            return _UNKNOWN
        kind, certainty, cell_no = verdict(joint, _beside(charge, small), small)
        return {
            "spread_kind": kind,
            "spread_kind_certainty": certainty,
            "spread_kind_cell_no": cell_no,
        }


def verdict(joint: Cause, charge: Cause | None, small: Cause | None) -> tuple[str, str, int | None]:
    """Kind, certainty and cell. `charge` is None when no top was seen, `small` without a bottom."""
    causes = [c for c in (joint, charge, small) if c is not None]
    present = sorted((c for c in causes if c.present), key=lambda c: -c.size)
    if not present:
        if any(c.size > 1.0 for c in causes):
            return "unclear", "possible", None
        certain = small is not None and all(c.absent for c in causes)
        return "none", "likely" if certain else "possible", None
    first = present[0]
    if len(present) > 1:
        if first.size < BY_FAR * present[1].size:
            return "unclear", "possible", None
        return first.kind, "possible", first.cell_no
    # A joint shows without the bottom; charge and a small cell want both ends.
    seen_enough = charge is not None and (small is not None or first is joint)
    if not seen_enough or not first.certain:
        return first.kind, "possible", first.cell_no
    if first.plain and all(c.absent for c in causes if c is not first):
        return first.kind, "observed", first.cell_no
    return first.kind, "likely", first.cell_no


def _beside(charge: Cause | None, small: Cause | None) -> Cause | None:
    """What of the charge the shortfall of the same cell does not explain."""
    if charge is None or small is None or not small.present or small.cell_no != charge.cell_no:
        return charge
    return Cause("charge", 0.0, 0.0, charge.cell_no)


def _cause(figures: Figures, kind: str, name: str, cell: str, limit: float) -> Cause | None:
    value, sigma = figures[name.format("")], figures[name.format("_sigma")]
    cell_no = figures[f"{cell}_cell_no"]
    if isinstance(value, float) and isinstance(sigma, float) and isinstance(cell_no, int):
        size = value if kind == "small cell" else abs(value)
        return Cause(kind, size / limit, sigma / limit, cell_no)
    return None
