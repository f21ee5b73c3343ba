"""Groups at random: what is told of alarms that come and go together, against a plain account.

The account keeps every annunciation and asks of each new one whether people know it already.
"""

from __future__ import annotations

import itertools
import json
from dataclasses import dataclass

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule

from tests.alarms.story import NAMES, START
from watchd.alarms.alarm import Alarm
from watchd.alarms.annunciator import Annunciator
from watchd.alarms.shelf import Shelf
from watchd.alarms.state import Event, Told, Transition
from watchd.figures import Figures
from watchd.rules.loader import compile_rules
from watchd.rules.rule import Priority, Rule

HOUR_S = 3600.0
TEXT = """
- {rule: low, when: soc_pct < 10, group: trip, priority: low, say: low}
- {rule: wide, when: cell_spread_mv > 40, group: trip, priority: medium, say: wide}
- {rule: hot, when: temperature_max_degc > 50, group: trip, priority: medium, say: hot,
   re_alarm_time: 30 min, latching: yes}
- {rule: near, when: cell_max_v > 3.6, group: trip, priority: high, say: near,
   re_alarm_time: 30 min}
- {rule: much, about: bank, when: current_a > 50, group: trip, priority: medium, say: much}
- {rule: other, when: voltage_v > 58, priority: low, say: other}
"""
RULES = {found.name: found for found in compile_rules([("groups.yaml", TEXT)])}
QUIET: Figures = {
    "soc_pct": 50.0, "cell_spread_mv": 5.0, "temperature_max_degc": 20.0, "cell_max_v": 3.3,
    "current_a": 0.0, "voltage_v": 53.0,
}  # fmt: skip
LOUD: Figures = {
    "soc_pct": 5.0, "cell_spread_mv": 90.0, "temperature_max_degc": 60.0, "cell_max_v": 3.7,
    "current_a": 90.0, "voltage_v": 59.0,
}  # fmt: skip
CAUSE = dict(zip(RULES, QUIET, strict=False)) | {
    "low": "soc_pct", "wide": "cell_spread_mv", "hot": "temperature_max_degc",
    "near": "cell_max_v", "much": "current_a", "other": "voltage_v",
}  # fmt: skip
URGENCY = list(Priority)


def alarm_of(found: Rule, saved: object = None) -> Alarm:
    subject = "bank/hut" if found.name == "much" else "pack/alder"
    return Alarm(found, subject, NAMES, saved)  # type: ignore[arg-type]


@dataclass
class Heard:
    """An annunciation that people had, and whether they have dealt with it since."""

    name: str
    at: float
    dealt_with: bool = False


class Desk:
    """Alarms and their annunciator, as the engine joins them."""

    def __init__(self) -> None:
        self.alarms = {name: alarm_of(found) for name, found in RULES.items()}
        self.annunciator = Annunciator()

    def restart(self) -> None:
        saved = json.loads(json.dumps({n: a.snapshot() for n, a in self.alarms.items()}))
        annunciator = json.loads(json.dumps(self.annunciator.snapshot()))
        self.alarms = {name: alarm_of(RULES[name], state) for name, state in saved.items()}
        self.annunciator = Annunciator(annunciator)
        self.annunciator.begin(list(self.alarms.values()))

    def judged(self, name: str, transition: Transition) -> Transition:
        return self.annunciator.follow_group(transition, self.alarms[name])

    def look(self, at: float, loud: set[str], order: list[str]) -> list[tuple[Transition, Told]]:
        """Every transition as the alarm meant it, and what became of it."""
        figures: Figures = {**QUIET, **{CAUSE[name]: LOUD[CAUSE[name]] for name in loud}}
        found = []
        for name in order:
            moved = self.alarms[name].evaluate(at, figures)
            found += [(transition, self.judged(name, transition).told) for transition in moved]
        return found


class Groups(RuleBasedStateMachine):
    """The desk, and the account of what people heard."""

    @initialize()
    def begin(self) -> None:
        self.at, self.desk = START, Desk()
        self.loud: set[str] = set()
        self.standing: set[str] = set()
        self.aside: set[str] = set()
        self.heard: list[Heard] = []

    @rule(
        name=st.sampled_from(list(RULES)),
        after=st.sampled_from([0.0, 60.0, 900.0, 1799.0, 3599.0, 3601.0]),
        order=st.permutations(list(RULES)),
        more=st.sets(st.sampled_from(list(RULES)), max_size=2),
    )
    def turn(self, name: str, after: float, order: list[str], more: set[str]) -> None:
        self.at += after
        self.loud ^= {name, *more}
        for transition, told in self.desk.look(self.at, self.loud, order):
            self._account(transition, told)

    @rule(name=st.sampled_from(list(RULES)))
    def acknowledge(self, name: str) -> None:
        transition = self.desk.alarms[name].acknowledge(self.at)
        if transition is not None:
            self.desk.judged(name, transition)
            if name not in self.standing:
                self._deal_with(name)

    @rule(name=st.sampled_from(list(RULES)))
    def take_out_and_in_again(self, name: str) -> None:
        alarm = self.desk.alarms[name]
        out = alarm.remove_from_service(self.at)
        assert out is not None
        self.desk.judged(name, out)
        self._deal_with(name)
        back = alarm.return_to_service(self.at)
        assert back is not None
        self._account(back, self.desk.judged(name, back).told)

    @rule()
    def restart(self) -> None:
        self.desk.restart()

    def _deal_with(self, name: str) -> None:
        for heard in self.heard:
            heard.dealt_with = heard.dealt_with or heard.name == name

    def _account(self, transition: Transition, told: Told) -> None:
        name = transition.rule.name
        if transition.event is Event.RETURNED:
            self.standing.discard(name)
            if transition.before == "acknowledged":
                self._deal_with(name)
        if transition.told is Told.YES:
            expected = Told.FOLLOWS if self._is_known(transition) else Told.YES
            assert told is expected, (transition.event, name)
            if told is Told.YES:
                self.heard = [h for h in self.heard if h.name != name]
                self.heard.append(Heard(name, transition.at))
            elif name not in self.standing:
                self.heard = [
                    h for h in self.heard if h.name != name or transition.at < h.at + HOUR_S
                ]
        if transition.event is Event.RAISED:
            self.standing.add(name)

    def _was_told(self, rule: Rule) -> bool:
        mine = [h for h in self.heard if h.name == rule.name and not h.dealt_with]
        return bool(mine) and rule.name in self.standing

    def _is_known(self, transition: Transition) -> bool:
        """Whether people were told of it, or of something as urgent that it comes from."""
        rule, at = transition.rule, transition.at
        if rule.group is None:
            return False
        for heard in self.heard:
            other = RULES[heard.name]
            urgent = URGENCY.index(other.priority) <= URGENCY.index(rule.priority)
            sees = other.about is rule.about or rule.name == "much"
            if other.group is None or not urgent or not sees or heard.dealt_with:
                continue
            own, fresh = heard.name == rule.name, at < heard.at + HOUR_S
            if not own and heard.name in self.standing:
                equal = other.priority is rule.priority
                if not (transition.event is Event.RE_ALARMED and self._was_told(rule) and equal):
                    return True
            gone = heard.name not in self.standing
            if own and gone and fresh and transition.event is Event.RAISED:
                return True
            together = any(
                n != rule.name and RULES[n].group and RULES[n].about is other.about
                for n in self.standing
            )
            if not own and gone and fresh and together and transition.event is not Event.RE_ALARMED:
                return True
        return False


Groups.TestCase.settings = settings(
    max_examples=150, stateful_step_count=30, deadline=None, derandomize=True
)
TestGroups = Groups.TestCase


@pytest.mark.parametrize("names", list(itertools.combinations(["low", "wide", "hot", "near"], 3)))
def test_the_most_urgent_is_told_in_whatever_order_they_come(names: tuple[str, ...]) -> None:
    urgent = min(URGENCY.index(RULES[name].priority) for name in names)
    for order in itertools.permutations(names):
        desk, told = Desk(), []
        for transition, how in desk.look(START, set(names), list(order)):
            if how is Told.YES:
                told.append(URGENCY.index(transition.rule.priority))
        assert told == sorted(set(told), reverse=True), "each is more urgent than the last"
        assert told[-1] == urgent


def test_one_that_a_person_has_put_aside_speaks_for_nobody() -> None:
    desk = Desk()
    desk.look(START, {"near"}, ["near"])
    shelved = desk.alarms["near"].shelve(START + 1, Shelf(START + HOUR_S))
    assert shelved is not None
    desk.judged("near", shelved)
    (wide,) = desk.look(START + 2, {"near", "wide"}, ["wide"])
    assert wide[1] is Told.YES


@pytest.mark.parametrize("restart", [False, True])
def test_a_follower_that_is_left_alone_reminds_after_its_time(restart: bool) -> None:
    desk = Desk()
    desk.look(START, {"near"}, ["near"])
    (hot,) = desk.look(START + 1, {"near", "hot"}, ["hot"])
    assert hot[1] is Told.FOLLOWS
    if restart:
        desk.restart()
    # The first is gone: nothing new is told.
    found = desk.look(START + 60, {"hot"}, ["near", "hot"])
    assert [(t.rule.name, str(t.event), told) for t, told in found] == [
        ("near", "returned", Told.NO)
    ]
    assert desk.look(START + 1800, {"hot"}, ["near", "hot"]) == []
    (again,) = desk.look(START + 1801, {"hot"}, ["near", "hot"])
    assert (again[0].event, again[1]) == (Event.RE_ALARMED, Told.YES)


@pytest.mark.parametrize(
    ("acknowledged", "after_s", "told"),
    [
        ("not", 1800.0, Told.FOLLOWS),
        ("not", HOUR_S, Told.YES),
        ("while it stood", 1800.0, Told.YES),
        ("when it had returned", 1800.0, Told.YES),
    ],
)
def test_what_comes_again_within_an_hour_is_told_to_who_has_dealt_with_it(
    acknowledged: str, after_s: float, told: Told
) -> None:
    desk = Desk()

    def acknowledge() -> None:
        transition = desk.alarms["wide"].acknowledge(START + 120)
        assert transition is not None
        desk.judged("wide", transition)

    desk.look(START, {"wide"}, ["wide"])
    if acknowledged == "while it stood":
        acknowledge()
    desk.look(START + 60, set(), ["wide"])
    if acknowledged == "when it had returned":
        acknowledge()
    ((_, found),) = desk.look(START + after_s, {"wide"}, ["wide"])
    assert found is told
