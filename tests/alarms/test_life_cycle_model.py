"""The life cycle against a little model of it, at random: what comes, when, and restarts between.

The model keeps all that it was shown and counts from that anew each time. It shares no code and
no bookkeeping with the alarm, which keeps sums.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from tests.alarms.story import START, alarm_of, restarted
from watchd.alarms.alarm import Alarm
from watchd.figures import Figures

# The grid of times is far coarser than the millisecond to which the end of a delay is met, so that
# the model needs no tolerance of its own; delays lie on the grid, and are met exactly at times.
GRID_S = 0.25
LIMIT_MV, DEADBAND_MV = 40, 10
# Below the deadband, on its edge, within, on the limit, above: and unknown.
SPREADS = [12.0, 30.0, 35.0, 40.0, 55.0, None]
AMPS = [-20.0, 0.0, 15.0, None]

Truth = bool | None


def above(value: float | None, limit: float) -> Truth:
    return None if value is None else value > limit


@dataclass
class Model:
    """An alarm as a person would keep it on paper. Times are steps of the grid."""

    on_delay: int
    off_delay: int
    kind: str
    raised: bool = False
    seen: bool = True  # whether the last raise was acknowledged
    raised_at: int | None = None
    spread_at_raise: float | None = None
    occurrences: int = 0
    raising: list[tuple[int, Truth]] = field(default_factory=list)
    ending: list[tuple[int, Truth]] = field(default_factory=list)

    @property
    def state(self) -> str:
        if self.raised:
            return "acknowledged" if self.seen else "unacknowledged"
        return "normal" if self.seen else "returned_unacknowledged"

    def show(self, now: int, spread: float | None, amps: float | None) -> None:
        raising = above(spread, LIMIT_MV)
        if self.kind == "until":
            idle = None if amps is None else amps < 1
            ending = all_of(idle, opposite(raising))
        elif self.kind == "deadband":
            ending = opposite(above(spread, LIMIT_MV - DEADBAND_MV))
        else:
            ending = opposite(raising)
        if self.raised:
            self.ending.append((now, ending))
            if ending is True and held(self.ending) >= self.off_delay:
                self.raised = False
                self.raising = []
        else:
            self.raising.append((now, raising))
            if raising is True and held(self.raising) >= self.on_delay:
                self.raised, self.seen = True, False
                self.raised_at, self.spread_at_raise = now, spread
                self.occurrences += 1
                self.ending = []
        self._forget_what_is_over()

    def acknowledge(self) -> None:
        self.seen = True
        self._forget_what_is_over()

    def _forget_what_is_over(self) -> None:
        if self.state == "normal":
            self.raised_at, self.occurrences = None, 0

    def due(self) -> int | None:
        """When it will move if what it sees stays as it is."""
        log, delay = (self.ending, self.off_delay) if self.raised else (self.raising, self.on_delay)
        if not log or log[-1][1] is not True:
            return None
        return log[-1][0] + max(0, delay - held(log))


def opposite(truth: Truth) -> Truth:
    return None if truth is None else not truth


def all_of(*truths: Truth) -> Truth:
    if False in truths:
        return False
    return None if None in truths else True


def held(log: list[tuple[int, Truth]]) -> int:
    """Time since it was last known to be false, without the stretches in which it was unknown."""
    last_false = max((i for i, (_, truth) in enumerate(log) if truth is False), default=-1)
    stretches = zip(log[last_false + 1 :], log[last_false + 2 :], strict=False)
    return sum(end - begin for (begin, truth), (end, _) in stretches if truth is True)


KINDS = {
    "plain": "",
    "deadband": f"  deadband: {{cell_spread_mv: {DEADBAND_MV}}}\n",
    "until": "  until: current_a < 1\n",
}


class LifeCycle(RuleBasedStateMachine):
    """An alarm and its model see the same; they must never differ."""

    @initialize(
        kind=st.sampled_from(sorted(KINDS)),
        on_delay=st.sampled_from([0, 1, 8, 40]),
        off_delay=st.sampled_from([0, 1, 8, 40]),
    )
    def begin(self, kind: str, on_delay: int, off_delay: int) -> None:
        self.now = 0
        self.model = Model(on_delay, off_delay, kind)
        self.alarm: Alarm = alarm_of(
            f"- rule: cell-spread-wide\n  about: pack\n  when: cell_spread_mv > {LIMIT_MV}\n"
            f"  on_delay: {on_delay * GRID_S} s\n  off_delay: {off_delay * GRID_S} s\n{KINDS[kind]}"
            '  priority: low\n  say: "{pack}: {cell_spread_mv:.0f} mV"\n'
        )

    @rule(
        after=st.sampled_from([0, 1, 1, 2, 7, 8, 8, 9, 33, 40, 1000]),
        spread=st.sampled_from(SPREADS),
        amps=st.sampled_from(AMPS),
    )
    def show(self, after: int, spread: float | None, amps: float | None) -> None:
        self._show(self.now + after, spread, amps)

    @precondition(lambda self: self.model.due() is not None)
    @rule(early=st.booleans(), spread=st.sampled_from([30.0, 55.0]), amps=st.sampled_from(AMPS))
    def show_around_the_end_of_a_delay(
        self, early: bool, spread: float, amps: float | None
    ) -> None:
        due = self.model.due()
        assert due is not None
        self._show(max(self.now, due - early), spread, amps)

    @rule()
    def acknowledge(self) -> None:
        before = self.model.state
        self.model.acknowledge()
        transition = self.alarm.acknowledge(self._at(self.now))
        assert (transition is None) == (before == self.model.state)

    @rule()
    def restart(self) -> None:
        self.alarm = restarted(self.alarm)

    @invariant()
    def they_agree(self) -> None:
        alarm, model = self.alarm, self.model
        assert alarm.state == model.state
        assert alarm.is_raised == model.raised
        assert alarm.occurrences == model.occurrences
        expected = None if model.raised_at is None else self._at(model.raised_at)
        assert alarm.since == expected
        due = model.due()
        assert alarm.due_at() == (None if due is None else self._at(due))
        if model.state != "normal":
            assert alarm.values == {"cell_spread_mv": model.spread_at_raise}
            assert alarm.text == f"alder: {model.spread_at_raise:.0f} mV"

    def _show(self, now: int, spread: float | None, amps: float | None) -> None:
        self.now = now
        before = self.model.state
        self.model.show(now, spread, amps)
        figures: Figures = {"cell_spread_mv": spread, "current_a": amps}
        transition = self.alarm.evaluate(self._at(now), figures)
        moved = (before, self.model.state)
        if transition is None:
            assert moved[0] == moved[1]
        else:
            assert (transition.before, transition.state) == moved
            assert transition.at == self._at(now)

    @staticmethod
    def _at(step: int) -> float:
        return START + step * GRID_S


# Derandomised: a test that is green stays green until the code changes.
LifeCycle.TestCase.settings = settings(
    max_examples=120, stateful_step_count=40, deadline=None, derandomize=True
)
TestLifeCycle = LifeCycle.TestCase
