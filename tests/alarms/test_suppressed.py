"""Suppressed by design: what people know, and what they are told when it ends."""

from __future__ import annotations

from tests.alarms.story import ALDER, AT_ONCE, NAMES, START, act, alarm_of, restarted, rule_of
from watchd.alarms.alarm import Alarm
from watchd.alarms.state import State, Told
from watchd.figures import Figures

LOW = AT_ONCE.replace("priority: low", "priority: low, suppress_when: soc_pct < 10")
OLD = AT_ONCE.replace(
    "priority: low", """priority: low, suppress_when: 'mean(soc_pct, "1 min") < 10'"""
)


def see(alarm: Alarm, at: float, spread_mv: float, soc_pct: float | None) -> list[str]:
    moved = alarm.evaluate(START + at, {"cell_spread_mv": spread_mv, "soc_pct": soc_pct})
    return [f"{t.event} {t.told}" for t in moved]


def test_all_at_one_moment() -> None:
    """The condition and what suppresses it change in the same sample."""
    alarm = alarm_of(LOW)
    # Suppressed before it is raised: nobody is called for what has no meaning.
    assert see(alarm, 0, 55.0, 5.0) == ["suppressed no", "raised withheld"]
    # It returns before the suppression ends: nobody hears of it.
    assert see(alarm, 10, 20.0, 50.0) == ["returned no", "unsuppressed no"]
    assert alarm.state is State.NORMAL
    see(alarm, 20, 20.0, 5.0)
    # Raised as the suppression ends: told once.
    assert see(alarm, 30, 55.0, 50.0) == ["raised withheld", "unsuppressed yes"]


def test_unknown_neither_suppresses_nor_ends_it() -> None:
    alarm = alarm_of(LOW)
    assert see(alarm, 0, 55.0, None) == ["raised yes"]
    assert see(alarm, 10, 55.0, 5.0) == ["suppressed no"]
    assert see(alarm, 20, 55.0, None) == []
    assert alarm.state is State.SUPPRESSED_BY_DESIGN
    assert see(alarm, 30, 55.0, 50.0) == ["unsuppressed no"]


def test_what_is_unknown_for_long_suppresses_no_more() -> None:
    alarm = alarm_of(LOW)
    assert see(alarm, 0, 20.0, 5.0) == ["suppressed no"]
    assert see(alarm, 100, 55.0, None) == ["raised withheld"]
    assert see(alarm, 599, 55.0, None) == []
    alarm = restarted(alarm)
    assert see(alarm, 600, 55.0, None) == ["unsuppressed yes"]
    assert see(alarm, 610, 55.0, None) == []


def test_what_was_acknowledged_while_it_was_suppressed_calls_for_nobody() -> None:
    alarm = alarm_of(LOW)
    see(alarm, 0, 55.0, 5.0)
    alarm.acknowledge(START + 5)
    assert see(alarm, 10, 55.0, 50.0) == ["unsuppressed no"]
    assert alarm.state is State.ACKNOWLEDGED


def test_a_window_that_suppresses_goes_on_over_a_restart_but_not_over_an_edit() -> None:
    alarm = alarm_of(OLD)
    for at in range(0, 60, 5):
        see(alarm, at, 20.0, 5.0)
    assert alarm.state is State.SUPPRESSED_BY_DESIGN
    same = Alarm(rule_of(OLD), ALDER, NAMES, alarm.snapshot())
    assert see(same, 65, 20.0, 500.0) == []
    assert see(same, 70, 20.0, 500.0) == ["unsuppressed no"]
    edited = Alarm(rule_of(OLD.replace("1 min", "2 min")), ALDER, NAMES, alarm.snapshot())
    # Its window is empty: not known, and so it stays as it is.
    assert see(edited, 65, 20.0, 500.0) == []
    assert edited.state is State.SUPPRESSED_BY_DESIGN


def test_a_rule_edited_to_suppress_no_more_tells_of_what_stands() -> None:
    alarm = alarm_of(LOW)
    see(alarm, 0, 55.0, 5.0)
    edited = Alarm(rule_of(AT_ONCE), ALDER, NAMES, alarm.snapshot())
    assert edited.rule.digest == alarm.rule.digest
    (transition,) = edited.evaluate(START + 10, {"cell_spread_mv": 55.0})
    assert (transition.before, transition.state) == (
        State.SUPPRESSED_BY_DESIGN,
        State.UNACKNOWLEDGED,
    )
    assert transition.told is Told.YES


def test_what_has_no_meaning_caps_nothing_and_what_is_put_aside_does() -> None:
    rule = LOW.replace("say:", "charge_limit: 0.1 * current_a, say:")
    for hide, cap in {"shelve": 4.0, "out": None, "suppress": None, "": 4.0}.items():
        alarm = alarm_of(rule)
        figures: Figures = {"cell_spread_mv": 55.0, "current_a": 40.0, "soc_pct": 50.0}
        alarm.evaluate(START, figures)
        if hide in ("shelve", "out"):
            act(alarm, 1, hide)
        elif hide:
            figures["soc_pct"] = 5.0
        alarm.evaluate(START + 2, figures)
        assert alarm.charge_limit_a == cap, hide


def test_a_rule_that_does_not_annunciate_caps_nothing_and_one_of_the_journal_does() -> None:
    rule = AT_ONCE.replace("say:", "charge_limit: 0.1 * current_a, say:")
    for edit, cap in {("say:", "annunciate: no, say:"): None, ("low", "journal"): 4.0}.items():
        alarm = alarm_of(rule.replace(*edit))
        alarm.evaluate(START, {"cell_spread_mv": 55.0, "current_a": 40.0})
        assert alarm.charge_limit_a == cap
