"""Whether a pack is far from both of its ends, where some estimators have nothing to do.

`IDLE_BETWEEN` work at full, at the charge voltage, above the upper knee or at the low knee. Between
them a first update closes what was open, and of all that follow each would find nothing: so they
are left out. A pack spends most of its time there.
"""

from __future__ import annotations

from watchd.estimators.balancing.balancer import Balancer
from watchd.estimators.cells.at_full import AtFull
from watchd.estimators.charging.absorption import TOLERANCE, Absorption
from watchd.estimators.estimator import Estimator, Setting
from watchd.estimators.soc.anchors import Anchors, looked_at_from_v
from watchd.estimators.soc.capacity import Capacity
from watchd.estimators.soc.offset import Offset
from watchd.estimators.soc.settled import RESTS_BELOW_V
from watchd.figures import Figures
from watchd.telemetry.sample import Sample

IDLE_BETWEEN: tuple[type[Estimator], ...] = (
    Absorption,
    AtFull,
    Offset,
    Anchors,
    Capacity,
    Balancer,
)
SURE_V = 0.001  # beside the limits of those, which a rounded mean might touch


class Ends:
    """The ends of one pack, from the limits of `IDLE_BETWEEN`."""

    def __init__(self, setting: Setting) -> None:
        profile, balancer = setting.profile, setting.pack.balancer
        top_v = profile.upper_knee_v - RESTS_BELOW_V
        self._top_v = (min(top_v, balancer.from_v) if balancer is not None else top_v) - SURE_V
        self._low_v = looked_at_from_v(setting) + SURE_V
        self._absorbs_v = setting.bank.charge_voltage_v * (1 - TOLERANCE)

    def are_far(self, sample: Sample, figures: Figures) -> bool:
        """By the figures of `extremes` and `full`; of what is not known, nothing is far."""
        high_v, low_v, state = figures["cell_max_v"], figures["cell_min_v"], figures["charge_state"]
        volts = sample.voltage_v
        return (
            isinstance(high_v, float)
            and isinstance(low_v, float)
            and high_v < self._top_v
            and low_v > self._low_v
            and state is not None
            and state != "FULL"
            and figures["since_full_h"] != 0.0
            and (volts is None or volts < self._absorbs_v)
        )
