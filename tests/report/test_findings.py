"""What is found of a pack, from the figures at the end of its last day."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.report.seasons import Made, report_on, season_of, sound
from watchd.advice.reanchoring import CAUTION
from watchd.figures import Value
from watchd.loading import load_rules, shipped
from watchd.report.findings import findings_of_pack
from watchd.report.findings.finding import ORDER, SHEET, Finding, Known, Standing, urgency
from watchd.report.findings.limits import limit_of
from watchd.report.words import said_once, to_do
from watchd.rules.loader import compile_rules
from watchd.rules.rule import Priority, Rule

RULES = {r.name: r for r in load_rules(shipped("rules"))}
ACT, WATCH, WELL, UNKNOWN = Standing.ACT, Standing.WATCH, Standing.WELL, Standing.UNKNOWN


def findings(
    figures: dict[str, Value] | None = None,
    made: Made | None = None,
    rules: dict[str, Rule] | None = None,
    since_d: float = 30.0,
    **more: Any,
) -> dict[str, Finding]:
    """Those of one pack."""
    history = (made or Made()).pack("alder", figures=figures, **more)
    season = season_of(history, "alder", since_d=since_d)
    known = Known(season.span, RULES if rules is None else rules)
    return {f.kind: f for f in findings_of_pack(season.packs[0], known)}


TABLE: list[tuple[dict[str, Value], str, Standing, str]] = [
    ({}, "joints", WELL, "the worst has 0.06 mΩ more"),
    ({"joint_excess_mohm": 0.31}, "joints", ACT, "cell 3 has 0.31 mΩ too much"),
    ({"joint_excess_mohm": 0.30}, "joints", WELL, "0.30 mΩ"),
    # Beyond the limit, but not beyond its own error.
    ({"joint_excess_mohm": 0.4, "joint_excess_sigma_mohm": 0.14}, "joints", WELL, "0.40 mΩ"),
    ({"joint_excess_mohm": None}, "joints", UNKNOWN, "Nothing is known"),
    ({}, "balance", WELL, "held together: 11 mV at full"),
    ({"balancer_verdict": "closing", "days_to_balanced_d": 12.0}, "balance", WELL, "12 days"),
    (
        {"balancer_verdict": "not coping", "spread_slope_mv": 1.2, "spread_slope_low_mv": 0.9},
        "balance", ACT, "grows by 1.2 mV a day (95 %: 0.9 to 0.1)",
    ),
    # The spread shows nothing any more; what its cells lose does.
    (
        {"balancer_verdict": "not coping", "balancer_needed_ah": 1.44, "balancer_can_move_ah": 0.5},
        "balance", ACT, "11 mV at full, and it would have to move 1.4 Ah a day and can move 0.5.",
    ),
    ({"balancer_verdict": "not coping"}, "balance", ACT, "does not cope: cells 11 mV at full."),
    ({"balancer_verdict": "too early to say"}, "balance", UNKNOWN, "6 days"),
    ({"spread_at_full_mv": 41.0}, "balance", WATCH, "far apart, 41 mV"),
    ({"spread_at_full_mv": None}, "balance", UNKNOWN, "not known yet"),
    ({"since_full_h": 337.0}, "full", ACT, "not full for 14 days"),
    ({"since_full_h": 335.0}, "full", WELL, "It was full on 30 of 30 days"),
    ({}, "soc", WELL, "right within 1 %"),
    ({"soc_error_pct": 8.1}, "soc", ACT, "Its BMS says 62 %"),
    ({"soc_error_pct": 8.0}, "soc", WELL, "within 8 %"),
    ({"soc_error_pct": -12.0, "soc_estimate_sigma_pct": 4.1}, "soc", WELL, "within 12 %"),
    ({"soc_error_pct": -12.0, "soc_estimate_sigma_pct": 3.9}, "soc", ACT, "Its BMS says"),
    ({"full_charges_missed": 3.0}, "soc", ACT, "below 99 % at the last 3 full charges"),
    ({"full_charges_missed": 2.0}, "soc", WELL, "right within"),
    ({"soc_error_pct": None}, "soc", UNKNOWN, "not known"),
    ({}, "capacity", WELL, "(within 4) of 230 Ah, 96 %"),
    ({"soh_pct": 78.1}, "capacity", ACT, "78 %"),
    ({"soh_pct": 78.3}, "capacity", WELL, "78 %"),
    ({"capacity_ah": None}, "capacity", UNKNOWN, "not measured"),
    ({"setting_temporary": True, "overvoltage_restore_v": 3.65}, "temporary", ACT, "for a time"),
    ({"settings_faults": 2.0, "settings_fault": "so it is"}, "settings", ACT, "2 faults): so it"),
    ({"trips_24h": None}, "trips", UNKNOWN, "does not say"),
    ({}, "trips", WELL, "did not trip"),
    ({"trips_24h": 1.0, "trip_events": "OVER_VOLT"}, "trips", ACT, "30 times (OVER_VOLT)"),
    (
        {"spread_kind": "small cell", "spread_kind_cell_no": 5.0, "cell_shortfall_ah": 12.4},
        "small-cell", ACT, "Cell 5 holds 12 Ah less",
    ),
    (
        {"spread_kind": "charge", "spread_kind_cell_no": 5.0, "imbalance_ah": -2.3},
        "charge", WATCH, "Cell 5 is 2.3 Ah behind the others",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("change", "kind", "standing", "words"), TABLE)
def test_finding(change: dict[str, Value], kind: str, standing: Standing, words: str) -> None:
    found = findings(sound(**change))[kind]
    assert found.standing is standing
    assert words in found.what
    assert found.what.endswith(".")
    assert bool(found.do) is (standing is ACT) or standing is WATCH

    # Who is asked to touch something reads the caution.
    if standing is ACT:
        assert found.caution.startswith(SHEET)
        assert CAUTION.startswith(SHEET)
    if kind in ("soc", "settings", "temporary", "small-cell") and standing is ACT:
        assert CAUTION in found.caution
    if "onnected" in found.do or "tightened" in found.do:
        assert "isolated" in found.caution


@pytest.mark.parametrize(
    ("change", "kind"),
    [({"spread_kind": "none"}, "small-cell"), ({"settings_faults": 0.0}, "settings")],
)
def test_nothing_is_said_of_what_is_not(change: dict[str, Value], kind: str) -> None:
    assert kind not in findings(sound(**change))
    unsure = sound(
        spread_kind="small cell", spread_kind_cell_no=5.0, spread_kind_certainty="possible"
    )
    assert "small-cell" not in findings(unsure)


def test_a_joint_is_what_it_was_when_it_was_last_known() -> None:
    season = season_of(Made().pack("alder", figures=sound(joint_excess_mohm=0.5)))
    pack = season.packs[0]
    last = replace(pack.kept[-1], figures=sound(joint_excess_mohm=None))
    later = replace(pack, kept=(*pack.kept[:-1], last))
    found = findings_of_pack(later, Known(season.span, RULES))
    (joints,) = (f for f in found if f.kind == "joints")
    assert joints.standing is ACT
    assert joints.what.endswith("highest current (as of 29 Sep).")


def test_no_full_charge_in_a_short_and_in_a_long_span() -> None:
    young = sound(since_full_h=None)
    none = tuple(range(30))
    assert findings(young, days=10, not_full=none)["full"].standing is WATCH
    long = findings(young, not_full=none)["full"]
    assert long.standing is ACT
    assert "not full in this span" in long.what


def test_trips_are_counted_by_the_figure_and_each_once() -> None:
    made = Made().pack("alder", days=3, figures=sound(trips_24h=2.0, trip_events="OVER_VOLT"))
    made.alarm("protection-trip", "pack/alder", 1.5, 0.01)
    season = season_of(made)
    pack, span = season.packs[0], season.span
    assert list(pack.trips(span).values()) == [2, 2, 2]
    # The last day still runs: its 24 h have some of the day before.
    noon = replace(span, end=span.end - 43200.0)
    assert list(pack.trips(noon).values()) == [2, 2]
    made.alarm("protection-trip", "pack/alder", 2.1, 0.01)
    assert list(season_of(made).packs[0].trips(noon).values()) == [2, 2, 1]


def test_a_trip_long_ago_is_history() -> None:
    made = Made().alarm("protection-trip", "pack/alder", 3, 0.01)
    found = findings(made=made)["trips"]
    assert found.standing is WATCH
    assert "1 time, last on 4 Sep 00:00" in found.what
    lately = Made().alarm("protection-trip", "pack/alder", 25, 0.01)
    assert findings(made=lately)["trips"].standing is ACT
    for day in (1, 2, 3):  # many are for a month
        lately = lately.alarm("protection-trip", "pack/alder", day, 0.01)
        made = made.alarm("protection-trip", "pack/alder", day, 0.01)
    assert findings(made=made)["trips"].standing is ACT
    assert findings(made=made, days=60, since_d=60)["trips"].standing is WATCH


@pytest.mark.parametrize(
    ("events", "do"),
    [
        ("OVER_VOLT", "Lower the charge current near full"),
        ("UNDER_VOLT", "Take load off and charge"),
        ("OVER_TEMP", "Lower the current until the cause is found"),
        (None, "Lower the current until the cause is found"),
    ],
)
def test_what_helps_against_a_trip(events: str | None, do: str) -> None:
    found = findings(sound(trips_24h=1.0, trip_events=events))["trips"]
    assert found.do.startswith(do)


def test_the_limit_of_the_joints_is_that_of_the_rule_in_force() -> None:
    assert limit_of(RULES["joint-resistance-high"], "joint_excess_mohm") == 0.3
    assert limit_of(RULES["joint-resistance-high"], "soc_pct") is None
    text = (
        "- {rule: joint-resistance-high, about: pack, when: 0.5 < joint_excess_mohm, "
        "priority: low, say: x, cause: x, consequence: x, response: x}"
    )
    (own,) = compile_rules([("rules.yaml", text)])
    tight = sound(joint_excess_mohm=0.4)
    assert findings(tight)["joints"].standing is ACT
    assert findings(tight, rules={own.name: own})["joints"].standing is WELL
    assert findings(tight, rules={})["joints"].standing is WELL


def test_an_alarm_that_stands_is_said_where_nothing_else_says_it() -> None:
    made = Made().alarm("pack-hot", "pack/alder", 28, text="alder: 52 °C", priority=Priority.HIGH)
    made.alarm("capacity-low", "pack/alder", 27, priority=Priority.LOW)
    made.alarm("own-note", "pack/alder", 26, priority=Priority.JOURNAL)
    made.alarm("pack-hot", "pack/birch", 28)
    found = findings(made=made)
    hot = found["alarm-high"]
    assert hot.what == "52 °C (alarm since 29 Sep 00:00)."
    rule = RULES["pack-hot"]
    assert hot.do == f"{rule.response} {rule.caution}"
    # Capacity is sound by the figures, and yet its alarm stands: both are said.
    assert found["alarm-low"].standing is ACT
    assert not any(f.kind == "alarm-journal" for f in found.values())
    low = findings(sound(soh_pct=70.0), made=Made().alarm("capacity-low", "pack/alder", 27))
    assert not any(kind.startswith("alarm") for kind in low)


def test_what_is_silent_is_said() -> None:
    made = Made().pack("alder")
    made._days["alder"] = made._days["alder"][:10] + made._days["alder"][14:]
    (section,) = (s for s in report_on(made).sections if s.kind == "pack")
    (found,) = (f for f in section.findings if f.kind == "telemetry")
    assert found.what == "Of this span 4 days are without its current or voltage."


def test_what_comes_first() -> None:
    figures = sound(
        joint_excess_mohm=0.5, balancer_verdict="not coping", soh_pct=70.0, soc_error_pct=20.0,
        settings_faults=1.0, settings_fault="x",
    )  # fmt: skip
    made = Made().alarm("charging-cold", "pack/alder", 29, priority=Priority.CRITICAL)
    asked = [f.kind for f in to_do(list(findings(figures, made=made).values()))]
    assert asked == ["alarm-critical", "joints", "settings", "balance", "soc", "capacity"]
    assert all(urgency(f) < len(ORDER) for f in findings(figures, made=made).values())


def test_a_sentence_of_several_cautions_is_said_once() -> None:
    said = said_once([CAUTION, SHEET, f"{SHEET} Mind the step."])
    assert said == f"{CAUTION} Mind the step."


@pytest.mark.parametrize(
    ("over", "standing", "words"),
    [
        ((), WELL, "within the suggested current."),
        ((4,), WELL, "but for 2 h in all"),  # three weeks ago
        ((26,), ACT, "with more current"),
    ],
)
def test_whether_the_charger_follows(over: tuple[int, ...], standing: Standing, words: str) -> None:
    report = report_on(Made().pack("alder").bank(over=over))
    (found,) = (f for f in report.sections[0].findings if f.kind == "limit")
    assert found.standing is standing
    assert words in found.what
    bare = report_on(Made().pack("alder")).sections[0]
    assert next(f for f in bare.findings if f.kind == "limit").standing is UNKNOWN
