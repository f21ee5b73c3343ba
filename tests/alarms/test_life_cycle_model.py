"""The life cycle against an alarm on paper, at random: what comes, when, and restarts between."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from tests.alarms.paper import DAY, GRID_S, MINUTE, Kind, Paper, Said, Seen
from tests.alarms.story import START, alarm_of, restarted
from watchd.alarms.alarm import Alarm
from watchd.alarms.shelf import Shelf
from watchd.alarms.state import Told, Transition
from watchd.figures import Figures

# Below the deadband, on its edge, within, on the limit, above: and unknown.
SPREADS = [12.0, 30.0, 35.0, 40.0, 55.0, 55.0, None]
AMPS = [-20.0, 0.0, 15.0, None]
SOCS = [5.0, 50.0, 50.0, None]
# Delays lie on the grid, and are met exactly at times.
DELAYS = [0, 0, 1, 8, 40]
AFTER = [0, 1, 1, 2, 7, 8, 8, 9, 33, 40, 1000]
APART = [1, 59, 60, 61]  # of four flips, the third raise comes within a minute, or just not
SHELVES = [8, 40, 4 * MINUTE, 2 * DAY]

LOOKS = st.builds(Seen, st.sampled_from(SPREADS), st.sampled_from(AMPS), st.sampled_from(SOCS))
KINDS = st.builds(
    Kind,
    ends=st.sampled_from(["plain", "deadband", "until"]),
    on_delay=st.sampled_from(DELAYS),
    off_delay=st.sampled_from(DELAYS),
    latching=st.booleans(),
    silent=st.sampled_from([False, False, False, True]),
    suppressed=st.booleans(),
    re_alarm=st.sampled_from([None, 8, 4 * MINUTE]),
)


def text_of(kind: Kind) -> str:
    """The rule, as a keeper would write it."""
    lines = [
        "- rule: cell-spread-wide",
        "about: pack",
        "when: cell_spread_mv > 40",
        f"on_delay: {kind.on_delay * GRID_S} s",
        f"off_delay: {kind.off_delay * GRID_S} s",
        "deadband: {cell_spread_mv: 10}" if kind.ends == "deadband" else "",
        "until: current_a < 1" if kind.ends == "until" else "",
        f"latching: {'yes' if kind.latching else 'no'}",
        "annunciate: no" if kind.silent else "",
        "suppress_when: soc_pct < 10" if kind.suppressed else "",
        f"re_alarm_time: {kind.re_alarm * GRID_S} s" if kind.re_alarm is not None else "",
        "priority: low",
        'say: "{pack}: {cell_spread_mv:.0f} mV"',
    ]
    return "\n  ".join(line for line in lines if line)


def at(step: int) -> float:
    """Unix seconds."""
    return START + step * GRID_S


class LifeCycle(RuleBasedStateMachine):
    """An alarm and its paper see the same; they must never differ."""

    @initialize(kind=KINDS)
    def begin(self, kind: Kind) -> None:
        self.now = 0
        self.told_just_now = False
        self.paper = Paper(kind)
        self.alarm: Alarm = alarm_of(text_of(kind))

    # --- figures and time ---

    @rule(after=st.sampled_from(AFTER), look=LOOKS)
    def show(self, after: int, look: Seen) -> None:
        self._show(self.now + after, look)

    @precondition(lambda self: self.paper.due() is not None)
    @rule(early=st.booleans(), look=LOOKS)
    def show_around_the_end_of_a_time(self, early: bool, look: Seen) -> None:
        due = self.paper.due()
        assert due is not None
        self._show(max(self.now, due - early), look)

    @rule(
        times=st.integers(2, 4), apart=st.sampled_from([1, 59, 60, 61]), soc=st.sampled_from(SOCS)
    )
    def flap(self, times: int, apart: int, soc: float | None) -> None:
        for _ in range(times):
            self._show(self.now + apart, Seen(55.0, 15.0, soc))
            self._show(self.now + apart, Seen(12.0, 0.0, soc))

    @precondition(lambda self: self.paper.raised)
    @rule(off=st.sampled_from([-1, 0, 1]))
    def a_day_passes(self, off: int) -> None:
        self._show(self.now + DAY + off, Seen(55.0, 15.0, 50.0))

    # --- people ---

    @rule()
    def acknowledge(self) -> None:
        self._agree_on(self.paper.acknowledge, self.alarm.acknowledge(at(self.now)))

    @rule()
    def reset(self) -> None:
        self._agree_on(self.paper.reset, self.alarm.reset(at(self.now)))

    @rule(steps=st.sampled_from(SHELVES), cleared=st.booleans())
    def shelve(self, steps: int, cleared: bool) -> None:
        until = self.now + steps
        moved = self.alarm.shelve(at(self.now), Shelf(at(until), until_cleared=cleared))
        self._agree_on(lambda: self.paper.shelve(until, cleared=cleared), moved)

    @rule()
    def unshelve(self) -> None:
        self._agree_on(self.paper.unshelve, self.alarm.unshelve(at(self.now)))

    @rule()
    def take_out_of_service(self) -> None:
        self._agree_on(self.paper.take_out, self.alarm.remove_from_service(at(self.now)))

    @rule()
    def put_back_into_service(self) -> None:
        self._agree_on(self.paper.put_back, self.alarm.return_to_service(at(self.now)))

    # --- what else is told ---

    @rule(why=st.sampled_from([None, Told.STALE, Told.FOLLOWS]))
    def something_else_says_it(self, why: Told | None) -> None:
        self.paper.cover(why or "")
        self.alarm.cover(why)

    @precondition(lambda self: self.told_just_now)
    @rule()
    def it_follows_from_what_was_told(self) -> None:
        self.paper.hold_back()
        self.alarm.holds_back(Told.FOLLOWS)
        self.told_just_now = False

    @rule()
    def restart(self) -> None:
        self.alarm = restarted(self.alarm)

    # --- and they must agree ---

    @invariant()
    def they_agree(self) -> None:
        alarm, paper = self.alarm, self.paper
        assert (alarm.state, alarm.condition) == (paper.state, paper.condition)
        assert alarm.is_raised == paper.raised
        assert alarm.occurrences == paper.occurrences
        assert alarm.since == (None if paper.raised_at is None else at(paper.raised_at))
        due = paper.due()
        assert alarm.due_at() == (None if due is None else at(due))
        assert (alarm.is_chattering, alarm.is_stale) == (paper.chatters, paper.stale)
        shelf = None if alarm.shelf is None else (alarm.shelf.until, alarm.shelf.until_cleared)
        assert shelf == (None if paper.shelf is None else (at(paper.shelf[0]), paper.shelf[1]))
        if paper.condition != "normal":
            assert alarm.values == {"cell_spread_mv": paper.shown}
            assert alarm.text == text_shown(paper.shown)

    def _show(self, now: int, look: Seen) -> None:
        self.now, self._before = now, self.paper.state
        said = self.paper.show(now, look)
        figures: Figures = {
            "cell_spread_mv": look.spread_mv,
            "current_a": look.amps,
            "soc_pct": look.soc_pct,
        }
        moved = self.alarm.evaluate(at(now), figures)
        self._compare(said, moved)
        for transition in moved:
            # The end of a shelf has no figures of its own.
            if transition.event != "unshelved":
                names = causes(str(transition.event), self.paper.kind)
                assert transition.values == {name: figures[name] for name in names}

    def _agree_on(self, on_paper: Callable[[], list[Said]], moved: Transition | None) -> None:
        self._before = self.paper.state
        self._compare(on_paper(), [] if moved is None else [moved])

    def _compare(self, said: list[Said], moved: Sequence[Transition]) -> None:
        assert [(str(t.event), str(t.told)) for t in moved] == said
        self.told_just_now = bool(said) and said[-1][1] == "yes" and self.paper.raised
        if moved:
            assert all(t.at == at(self.now) for t in moved)
            assert [t.before for t in moved] == [self._before, *(t.state for t in moved[:-1])]
            assert (moved[-1].state, moved[-1].condition) == (
                self.paper.state,
                self.paper.condition,
            )
        else:
            assert self._before == self.paper.state


def text_shown(spread_mv: float | None) -> str:
    return "alder: unknown mV" if spread_mv is None else f"alder: {spread_mv:.0f} mV"


def causes(event: str, kind: Kind) -> list[str]:
    """The figures that a transition tells of."""
    if event in ("suppressed", "unsuppressed"):
        return ["cell_spread_mv", "soc_pct"]
    if event == "returned" and kind.ends == "until":
        return ["cell_spread_mv", "current_a"]
    return ["cell_spread_mv"]


# Derandomised: a test that is green stays green until the code changes.
LifeCycle.TestCase.settings = settings(
    max_examples=200, stateful_step_count=50, deadline=None, derandomize=True
)
TestLifeCycle = LifeCycle.TestCase
