"""The totals of charge as a sensor would count them, for estimators that rest on the count."""

from __future__ import annotations

from tests.estimators.moment import START
from watchd.figures import Figures, Value


class Counting:
    """Charge flows by the hour, seen by a sensor that may err; no sample is between."""

    def __init__(self, *, offset_a: float = 0.0, gain: float = 1.0) -> None:
        self.offset_a, self.gain = offset_a, gain
        self.charged_ah = self.discharged_ah = self.counted_h = self.uncounted_h = 0.0

    def flow(self, true_a: float, hours: float) -> Counting:
        """A constant current for so long."""
        shown_ah = (self.gain * true_a + self.offset_a) * hours
        self.charged_ah += max(shown_ah, 0.0)
        self.discharged_ah -= min(shown_ah, 0.0)
        self.counted_h += hours
        return self

    def hole(self, hours: float) -> Counting:
        """The current is not known for so long."""
        self.uncounted_h += hours
        return self

    @property
    def seconds(self) -> float:
        """Since the start."""
        return 3600 * (self.counted_h + self.uncounted_h)

    @property
    def at(self) -> float:
        """The moment, in Unix seconds."""
        return START + self.seconds

    def figures(self, **known: Value) -> Figures:
        """The totals now, and what else is given."""
        return {
            "charged_ah": self.charged_ah,
            "discharged_ah": self.discharged_ah,
            "counted_h": self.counted_h,
            "uncounted_h": self.uncounted_h,
            **known,
        }


UNLEARNED: Figures = {
    "current_offset_a": None,
    "current_offset_sigma_a": None,
    "charge_efficiency_pct": None,
    "charge_efficiency_sigma_pct": None,
}
EXACT: Figures = {
    "current_offset_a": 0.0,
    "current_offset_sigma_a": 1e-6,
    "charge_efficiency_pct": 100.0,
    "charge_efficiency_sigma_pct": 1e-6,
}
