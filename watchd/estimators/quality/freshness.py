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
    """What the gate found, and `rhythm`. Keeps nothing."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        del setting, saved

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {}

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        figures["telemetry_quality"] = sample.quality.value if sample.quality else None
        figures["telemetry_age_s"] = sample.age_s
        told = "none"
        if figures["telemetry_silent"]:
            told = NOTHING_COMES  # by its own rhythm, before anything is overdue by the config
        if sample.overdue:
            words = ", ".join(WORDS[name] for name in sample.overdue)
            told = words if sample.measured_at else NOTHING_COMES
        figures["telemetry_overdue"] = told
