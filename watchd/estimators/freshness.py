"""How fresh and how good the telemetry of a pack is."""

from __future__ import annotations

from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number, text
from watchd.telemetry.sample import Quality, Sample

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
    """What the gate found. Keeps nothing."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        del setting, saved

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {}

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        figures["telemetry_quality"] = str(sample.quality) if sample.quality else None
        figures["telemetry_age_s"] = round(sample.age_s, 3)
        silent = sample.overdue and not sample.measured_at
        figures["telemetry_overdue"] = (
            "telemetry" if silent else ", ".join(sample.overdue) or "none"
        )
