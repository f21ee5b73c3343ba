"""A restart loses no state and tells nothing twice: two engines, one of them restarted at random.

Both get the same messages, requests and ticks. What happened to alarms, what phones were told and
what the records say must be the same.
"""

from __future__ import annotations

import json
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from tests.scene import Scene, cells, pack, rules_of
from watchd.alarms.state import State, Told, Transition

RULES = rules_of("""
- {rule: spread, about: pack, when: cell_spread_mv > 40, on_delay: 7 s, off_delay: 5 s,
   deadband: {cell_spread_mv: 10}, re_alarm_time: 30 min, group: top, priority: high,
   say: "{pack} {cell_spread_mv:.0f} mV"}
- {rule: cell-high, about: cell, when: cell_v > 3.5, latching: yes, group: top, priority: low,
   suppress_when: soc_pct < 10, say: "{pack} cell {cell}"}
- {rule: hot, about: pack, when: temperature_max_degc > 50, priority: critical, say: "{pack} hot",
   charge_limit: 0.1 * nameplate_ah}
- {rule: much, about: bank, when: current_a > 30, off_delay: 20 s, priority: low, say: "{bank}"}
- {rule: low, about: pack, when: soc_pct < 10, priority: journal, say: "{pack} low"}
- {rule: stale, about: pack, when: telemetry_quality == "stale", on_delay: 30 s, priority: medium,
   say: "{pack} stale"}
- {rule: restless, about: service, when: alarms_chattering > 0, priority: low, say: restless}
""")
ALARMS = [
    "spread/pack/alder",
    "cell-high/cell/alder/1",
    "hot/pack/birch",
    "much/bank/hut",
    "alarm-flood/service/watchd",
]
DOCUMENTS = st.fixed_dictionaries(
    {},
    optional={
        "cell_v": st.sampled_from([0, 1, 3, 8, 16]).map(
            lambda number: [*cells(3.6, number), *cells(3.45, 16 - number)]
        ),
        "current_a": st.sampled_from([-5.0, 20.0]),
        "soc_pct": st.sampled_from([5.0, 60.0]),
        "temperature_degc": st.sampled_from([15.0, 60.0]),
    },
)
REQUESTS = st.one_of(
    st.builds(
        lambda do, alarm: {"do": do, "alarm": alarm},
        st.sampled_from(["acknowledge", "reset", "unshelve", "out_of_service", "in_service"]),
        st.sampled_from(ALARMS),
    ),
    st.builds(
        lambda alarm, how: {"do": "shelve", "alarm": alarm, **how},
        st.sampled_from(ALARMS),
        st.sampled_from([{"for": "9 s"}, {"for": "20 min"}, {"until_cleared": True}]),
    ),
    st.just({"do": "list"}),
)


class Restarts(RuleBasedStateMachine):
    """One engine runs through, the other is restarted."""

    def __init__(self) -> None:
        super().__init__()
        self.one, self.other = Scene(RULES), Scene(RULES)
        self.seen: dict[str, State] = {}

    @rule(name=st.sampled_from(["alder", "birch"]), document=DOCUMENTS)
    def a_pack_sends(self, name: str, document: dict[str, Any]) -> None:
        for hut in (self.one, self.other):
            hut.feed(f"hut/{name}/state", pack(**document))

    @rule(number=st.sampled_from([11, 16]))
    def all_at_once(self, number: int) -> None:
        self.a_pack_sends("birch", {"cell_v": [*cells(3.6, number), *cells(3.45, 16 - number)]})

    @rule(seconds=st.sampled_from([1.0, 1.0, 5.0, 7.0, 9.5, 20.0, 61.0, 600.0, 1800.0, 86400.0]))
    def time_passes(self, seconds: float) -> None:
        for hut in (self.one, self.other):
            hut.seconds += seconds
            hut._heard(hut.engine.tick(hut.now))

    @rule(request=REQUESTS)
    def a_person_asks(self, request: dict[str, Any]) -> None:
        one, other = (
            hut.feed("watchd/request", request, reply_to="phone/answer")
            for hut in (self.one, self.other)
        )
        assert one[-1] == other[-1]

    @rule(do=st.sampled_from(["acknowledge", "acknowledge", "reset"]), which=st.integers(0, 40))
    def a_person_sees_to_what_stands(self, do: str, which: int) -> None:
        keys = [a.key for a in self.one.engine.alarms() if a.state is not State.NORMAL]
        if keys:
            self.a_person_asks({"do": do, "alarm": keys[which % len(keys)]})

    @precondition(lambda self: self.one.seconds > 0)
    @rule()
    def restart(self) -> None:
        state = json.loads(json.dumps(self.other.engine.snapshot()))
        again = Scene(RULES, state=state)
        again.seconds = self.other.seconds
        again.retained, again.said = self.other.retained, self.other.said
        again.transitions = self.other.transitions
        before = len(again.transitions)
        again._heard(again.engine.tick(again.now))
        assert len(again.transitions) == before, "a restart moves nothing"
        self.other = again

    @invariant()
    def they_tell_the_same(self) -> None:
        one, other = self.one, self.other
        assert [shown(t) for t in other.transitions] == [shown(t) for t in one.transitions]
        assert heard(other) == heard(one)
        assert len(heard(one)) == sum(t.told is Told.YES for t in one.transitions)
        assert alarm_records(other) == alarm_records(one)
        self._each_is_there_once()
        for hut in (one, other):
            assert hut.engine.take_transitions() == []
            hut.transitions.clear()
            hut.said.clear()

    def _each_is_there_once(self) -> None:
        """Each begins where the one before it ended, and the last is where the alarm is now."""
        for transition in self.one.transitions:
            assert transition.before is self.seen.get(transition.key, State.NORMAL)
            self.seen[transition.key] = transition.state
        for engine in (self.one.engine, self.other.engine):
            assert engine.raised() == sum(alarm.is_raised for alarm in engine.alarms())
        for alarm in self.one.engine.alarms():
            assert alarm.state is self.seen.get(alarm.key, State.NORMAL)


def shown(transition: Transition) -> dict[str, Any]:
    """A transition as plain data; a restart makes a list of a tuple, and JSON knows no other."""
    told: dict[str, Any] = json.loads(
        json.dumps(
            {
                "at": transition.at,
                "alarm": transition.key,
                "event": transition.event,
                "before": transition.before,
                "state": transition.state,
                "condition": transition.condition,
                "told": transition.told,
                "by": transition.by,
                "text": transition.text,
                "values": dict(transition.values),
            }
        )
    )
    return told


def heard(hut: Scene) -> list[Any]:
    """What phones were told since the last look."""
    return [json.loads(p.payload) for p in hut.said if p.topic == "watchd/annunciation"]


def alarm_records(hut: Scene) -> dict[str, Any]:
    """What stands retained of alarms."""
    return {topic: record for topic, record in hut.retained.items() if "/alarm/" in topic}


Restarts.TestCase.settings = settings(
    max_examples=40, stateful_step_count=40, deadline=None, derandomize=True
)
TestRestarts = Restarts.TestCase
