"""How fresh and how good the telemetry of a pack is."""

from __future__ import annotations

from typing import Any

import pytest

from tests.estimators.moment import START, sample, setting
from watchd.estimators.quality import freshness
from watchd.figures import Figures
from watchd.telemetry.sample import Quality


@pytest.mark.parametrize(
    ("what", "known", "expected"),
    [
        (
            "all well",
            {"quality": Quality.GOOD, "age_s": 2.0004, "voltage_v": 53.0},
            ("good", 2.0004, "none"),
        ),
        (
            "a message was refused",
            {"quality": Quality.BAD, "age_s": 7.0, "voltage_v": 53.0},
            ("bad", 7.0, "none"),
        ),
        ("listening, nothing has come", {"age_s": 3.0}, (None, 3.0, "none")),
        (
            "one measurement is overdue",
            {
                "quality": Quality.STALE,
                "age_s": 75.0,
                "overdue": ("cell_v",),
                "measured_at": {"voltage_v": START},
            },
            ("stale", 75.0, "cell voltages"),
        ),
        (
            "several are",
            {
                "quality": Quality.STALE,
                "age_s": 75.0,
                "overdue": ("current_a", "cell_v"),
                "measured_at": {"voltage_v": START},
            },
            ("stale", 75.0, "current, cell voltages"),
        ),
        (
            "all are: the pack is silent",
            {"quality": Quality.STALE, "age_s": 75.0, "overdue": ("voltage_v", "current_a")},
            ("stale", 75.0, "telemetry"),
        ),
    ],
)
def test_quality(what: str, known: dict[str, Any], expected: tuple[str | None, float, str]) -> None:
    figures: Figures = {"telemetry_silent": False}
    freshness.Freshness(setting()).update(sample(**known), figures)
    names = ("telemetry_quality", "telemetry_age_s", "telemetry_overdue")
    assert {n: figures[n] for n in names} == dict(zip(names, expected, strict=True)), what


def test_the_words_are_plain_text() -> None:
    # A text of an enumeration would compare equal, but show as something else in other encoders.
    figures: Figures = {"telemetry_silent": False}
    freshness.Freshness(setting()).update(sample(quality=Quality.GOOD), figures)
    assert type(figures["telemetry_quality"]) is str


def test_a_pack_that_is_silent_by_its_own_rhythm_is_said_to_be() -> None:
    figures: Figures = {"telemetry_silent": True}
    freshness.Freshness(setting()).update(sample(quality=Quality.GOOD, voltage_v=53.0), figures)
    assert figures["telemetry_overdue"] == "telemetry"
