"""What kind of spread a pack has: a table of findings and what they mean."""

from __future__ import annotations

import json

import pytest

from tests.estimators.moment import sample, setting
from watchd.estimators.cells.spread_kind import CERTAINTIES, FIGURES, KINDS, SpreadKind
from watchd.figures import Figures

SETTING = setting()  # 200 Ah, 16 cells: limits 1 Ah, 4 Ah
Found = tuple[float, float, int]  # value, sigma, cell
LEVEL: Found = (0.3, 0.1, 2)
SAME_SIZE: Found = (0.8, 0.5, 5)
SOUND: Found = (0.02, 0.01, 9)


def figures(imbalance: Found | None, shortfall: Found | None, joint: Found | None) -> Figures:
    known: Figures = {"resistance_mohm": 8.0 if joint else None}  # 0.5 mOhm a cell
    for name, unit, cell, found in (
        ("imbalance", "ah", "imbalance", imbalance),
        ("cell_shortfall", "ah", "cell_shortfall", shortfall),
        ("joint_excess", "mohm", "joint", joint),
    ):
        value, sigma, no = found or (None, None, None)
        known[f"{name}_{unit}"], known[f"{name}_sigma_{unit}"] = value, sigma
        known[f"{cell}_cell_no"] = no
    return known


def judged(imbalance: Found | None, shortfall: Found | None, joint: Found | None) -> list[object]:
    known = figures(imbalance, shortfall, joint)
    SpreadKind(SETTING).update(sample(), known)
    return [known[f.name] for f in FIGURES]


@pytest.mark.parametrize(
    ("case", "imbalance", "shortfall", "joint", "kind", "certainty", "cell_no"),
    [
        ("nothing is known", None, None, None, None, "unknown", None),
        ("no top yet, joints sound", None, None, SOUND, None, "unknown", None),
        ("no joints yet", LEVEL, None, None, None, "unknown", None),
        ("all sound", LEVEL, SAME_SIZE, SOUND, "none", "likely", None),
        ("sound, no bottom", LEVEL, None, SOUND, "none", "possible", None),
        ("probably sound", (0.7, 0.3, 2), SAME_SIZE, SOUND, "none", "possible", None),
        ("ahead, no bottom", (4.0, 0.1, 2), None, SOUND, "charge", "possible", 2),
        ("ahead", (4.0, 0.1, 2), SAME_SIZE, SOUND, "charge", "observed", 2),
        ("behind", (-4.0, 0.1, 2), SAME_SIZE, SOUND, "charge", "observed", 2),
        ("a little ahead", (1.5, 0.1, 2), SAME_SIZE, SOUND, "charge", "likely", 2),
        ("ahead, size open", (4.0, 0.1, 2), (3.0, 1.0, 5), SOUND, "charge", "likely", 2),
        ("may be an error", (1.5, 0.6, 2), SAME_SIZE, SOUND, "unclear", "possible", None),
        ("small", LEVEL, (20.0, 1.0, 7), SOUND, "small cell", "observed", 7),
        ("small by not much", LEVEL, (6.5, 1.2, 7), SOUND, "small cell", "likely", 7),
        ("small, high", (6.0, 0.2, 7), (20.0, 1.0, 7), SOUND, "small cell", "observed", 7),
        ("large", LEVEL, (-9.0, 0.5, 7), SOUND, "none", "likely", None),
        ("a joint", LEVEL, SAME_SIZE, (0.9, 0.01, 9), "joint", "observed", 9),
        ("a joint, no bottom", LEVEL, None, (0.9, 0.01, 9), "joint", "observed", 9),
        ("a joint, no top", None, None, (0.9, 0.01, 9), "joint", "possible", 9),
        ("a joint by not much", LEVEL, None, (0.2, 0.01, 9), "joint", "likely", 9),
        ("a joint, early", LEVEL, None, (0.16, 0.04, 9), "joint", "possible", 9),
        ("small, early", LEVEL, (5.0, 1.0, 7), SOUND, "small cell", "possible", 7),
        ("below a joint", LEVEL, None, (0.11, 0.01, 9), "none", "possible", None),
        ("both", (8.0, 0.1, 2), SAME_SIZE, (0.9, 0.01, 9), "unclear", "possible", None),
        ("a joint by far", (1.2, 0.1, 2), SAME_SIZE, (0.9, 0.01, 9), "joint", "possible", 9),
        ("two cells", (6.0, 0.2, 2), (20.0, 1.0, 7), SOUND, "unclear", "possible", None),
    ],
)  # fmt: skip
def test_findings_and_what_they_mean(
    case: str,
    imbalance: Found | None,
    shortfall: Found | None,
    joint: Found | None,
    kind: str | None,
    certainty: str,
    cell_no: int | None,
) -> None:
    assert judged(imbalance, shortfall, joint) == [kind, certainty, cell_no], case
    assert kind is None or kind in KINDS
    assert certainty in CERTAINTIES


def test_without_the_bottom_charge_is_never_more_than_possible() -> None:
    for ah in range(2, 60):
        _, certainty, _ = judged((float(ah), 0.05, 2), None, SOUND)
        assert certainty == "possible"


def test_a_finding_that_changes_is_judged_anew_also_after_a_restart() -> None:
    kind = SpreadKind(SETTING)
    kind.update(sample(), figures(LEVEL, SAME_SIZE, SOUND))
    kind = SpreadKind(SETTING, json.loads(json.dumps(kind.snapshot())))
    known = figures((4.0, 0.1, 2), SAME_SIZE, SOUND)
    kind.update(sample(), known)
    assert known["spread_kind"] == "charge"
    for imbalance, shortfall, joint, expected in (
        (LEVEL, SAME_SIZE, SOUND, "none"),
        (LEVEL, (20.0, 1.0, 7), SOUND, "small cell"),
        (LEVEL, SAME_SIZE, (0.9, 0.01, 9), "joint"),
    ):
        known = figures(imbalance, shortfall, joint)
        kind.update(sample(), known)
        assert known["spread_kind"] == expected


def test_a_joint_counts_against_the_resistance_of_a_cell() -> None:
    """0.2 mOhm is much on a cell of 0.5 mOhm, and little on one of 1.5 mOhm; 0.1 is never much."""
    for excess, whole, kind in ((0.2, 8.0, "joint"), (0.2, 24.0, "none"), (0.1, 3.0, "none")):
        known = {**figures(LEVEL, SAME_SIZE, (excess, 0.001, 9)), "resistance_mohm": whole}
        SpreadKind(SETTING).update(sample(), known)
        assert known["spread_kind"] == kind
