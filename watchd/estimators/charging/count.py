"""A point of the count of charge, and what was counted between two of them.

The totals of `charge` only grow, so that what flowed between two moments is a difference. Between
points of equal charge it closes on the sensor's errors (`offset`), between points of known charge
it tells the capacity (`capacity`).
"""

from __future__ import annotations

from collections.abc import Callable
from operator import itemgetter
from typing import NamedTuple

from watchd.figures import Figures

# A hole in the count shorter than this (h) is the rounding of sums, not a hole.
HOLE_H = 1e-6
# The totals now as a bare tuple, in the order of `Count`; what runs with every sample takes that.
totals: Callable[[Figures], tuple[float, float, float, float]] = itemgetter(
    "charged_ah", "discharged_ah", "counted_h", "uncounted_h"
)


class Count(NamedTuple):
    """Totals at one moment, or between two. Charge in Ah, time in h.

    A tuple, for it is made for every sample of a full pack: a frozen dataclass costs three times.
    """

    charged_ah: float
    discharged_ah: float
    counted_h: float
    uncounted_h: float

    @classmethod
    def of(cls, figures: Figures) -> Count:
        """The totals now, as `charge` wrote them: they are always known."""
        return tuple.__new__(cls, totals(figures))

    def since(self, earlier: Count) -> Count:
        """What was counted from `earlier` to this point."""
        return Count(
            self.charged_ah - earlier.charged_ah,
            self.discharged_ah - earlier.discharged_ah,
            self.counted_h - earlier.counted_h,
            self.uncounted_h - earlier.uncounted_h,
        )

    def net_since(self, earlier: Count) -> float | None:
        """Charge in minus charge out from `earlier` to this point; None where it has a hole."""
        if self.uncounted_h - earlier.uncounted_h > HOLE_H:
            return None
        charged_ah = self.charged_ah - earlier.charged_ah
        return charged_ah - (self.discharged_ah - earlier.discharged_ah)

    @property
    def net_ah(self) -> float:
        """Charge in minus charge out."""
        return self.charged_ah - self.discharged_ah

    @property
    def has_hole(self) -> bool:
        """Whether the current was unknown for a while."""
        return self.uncounted_h > HOLE_H


def saved_count(saved: list[float] | None) -> Count | None:
    """A count from its snapshot."""
    return Count(*saved) if saved is not None else None
