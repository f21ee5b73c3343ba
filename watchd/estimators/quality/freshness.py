"""How fresh and how good the telemetry of a pack is."""

from __future__ import annotations

from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number, text
from watchd.telemetry.names import WORDS
from watchd.telemetry.sample import Quality, Sample

NOTHING_COMES = "telemetry"  # what is overdue where all is
FIGURES: tuple[Figure, ...] = (
    text(
        "telemetry_quality",
        "good, bad (a message was refused), stale; unknown until all has come",
        tuple(Quality),
    ),
    number("telemetry_age_s", "s", "age of the oldest measurement that should be fresh"),
    text("telemetry_overdue", "the measurements that are overdue"),
)


class Freshness:
    """What the gate found, and `rhythm`. Keeps nothing but what it wrote."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        del setting, saved
        self._begins = True
        self._quality: Quality | None = None

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {}

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        quality, overdue = sample.quality, sample.overdue
        if quality is not self._quality or self._begins:
            self._begins, self._quality = False, quality
            figures["telemetry_quality"] = quality.value if quality is not None else None
        figures["telemetry_age_s"] = sample.age_s
        if overdue and sample.measured_at:
            figures["telemetry_overdue"] = ", ".join([WORDS[name] for name in overdue])
        elif overdue or figures["telemetry_silent"]:
            # By its own rhythm too, before anything is overdue by the config.
            figures["telemetry_overdue"] = NOTHING_COMES
        else:
            figures["telemetry_overdue"] = "none"
