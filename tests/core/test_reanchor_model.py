"""Whatever the order of events, a temporary threshold is not forgotten.

Two packs, of which each may be re-anchored; bridges that report settings or do not; a keeper who
does what is asked, or something else, and says so or not; restarts at any moment. Held against a
few lines that know nothing of steps: what was begun, and what was seen or said to be back.
"""

from __future__ import annotations

import json
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from tests.core.anchoring import LOWERED, OLD, Hut, at_top, in_use, low_at_full
from watchd.advice.reanchoring.states import Step, Way
from watchd.advice.reanchoring.texts import text_of

NAMES = ("alder", "birch")
packs = st.sampled_from(["alder", "alder", "alder", "birch"])


class Model(RuleBasedStateMachine):
    """`owed`: packs whose threshold may be a temporary one, as far as anybody outside can know."""

    def __init__(self) -> None:
        super().__init__()
        self.hut: Hut = low_at_full(**OLD)
        self.twin: Hut | None = None
        self.set_to: dict[str, dict[str, int]] = {name: dict(OLD) for name in NAMES}
        self.reporting = dict.fromkeys(NAMES, True)
        self.reported = {name: dict(OLD) for name in NAMES}
        self.owed: set[str] = set()
        self.seen_changed: set[str] = set()

    # --- what happens ---

    def _watch(self, name: str) -> Any:
        return self.hut.engine._watches.packs[name]

    def _send(self, name: str, document: dict[str, Any], seconds: float) -> None:
        if self.reporting[name]:
            document = {**document, **self.set_to[name]}
            self.reported[name] = dict(self.set_to[name])
        packs: dict[str, Any] = {name: document}
        self.hut.run(seconds=seconds, every=min(seconds, 50.0), **packs)
        if self.reporting[name]:
            self._see(name)

    def _see(self, name: str) -> None:
        """What a report shows to anybody."""
        if self.set_to[name] != OLD:
            self.seen_changed.add(name)
        elif name in self.seen_changed:
            self.seen_changed.discard(name)
            self.owed.discard(name)

    @rule(name=packs, soc=st.sampled_from([70.0, 88.0, 98.0, 99.0, 100.0]),
          trips=st.sampled_from([0, 0, 0, 1, 1, 2]), top=st.booleans(),
          cold=st.sampled_from([15.0, 15.0, 15.0, 2.0]),
          seconds=st.sampled_from([10.0, 100.0, 1000.0, 5000.0]))  # fmt: skip
    def sends(
        self, name: str, soc: float, trips: int, top: bool, cold: float, seconds: float
    ) -> None:
        made = at_top if top else in_use
        self._send(name, made(soc, protection=trips, temperature_degc=cold), seconds)

    @rule(seconds=st.sampled_from([100.0, 4000.0, 30_000.0]))
    def is_silent(self, seconds: float) -> None:
        self.hut.run(seconds=seconds, every=seconds)

    @rule(name=packs)
    def stops_or_begins_to_report(self, name: str) -> None:
        self.reporting[name] = not self.reporting[name]

    @rule(name=packs, to=st.sampled_from([LOWERED, {"ov_mv": 3600, "ovr_mv": 3550}, OLD]))
    def keeper_sets(self, name: str, to: dict[str, int]) -> None:
        self.set_to[name] = dict(to)

    @initialize(
        way=st.sampled_from([*Way, Way.THRESHOLD, Way.THRESHOLD]),
        reporting=st.booleans(),
        is_set=st.booleans(),
    )
    def one_is_begun(self, way: Way, reporting: bool, is_set: bool) -> None:
        self.reporting["alder"] = reporting
        if not reporting:
            self.hut = low_at_full()
            self.reported["alder"] = {}
        self.keeper_begins("alder", way)
        if is_set:
            self.hut.ask("set", "alder")

    @rule(name=packs, way=st.sampled_from([*Way, Way.THRESHOLD, Way.THRESHOLD]))
    def keeper_begins(self, name: str, way: Way) -> None:
        self._send(name, at_top(), 10.0)
        answer = self.hut.ask("begin", name, way=way, yes=True)
        if answer["ok"] and way is Way.THRESHOLD:
            self.owed.add(name)
            self.seen_changed.discard(name)

    @rule(volts=st.sampled_from([None, None, 3.515, 3.45]))
    def keeper_says_that_it_is_set(self, volts: float | None) -> None:
        self.hut.ask("set", "alder", **({"value_v": volts} if volts is not None else {}))

    @rule(name=packs)
    def keeper_cancels(self, name: str) -> None:
        waiting = self.hut.step(name) == "waiting_for_setting"
        self.hut.ask("cancel", name)
        # Never set, and seen to be so: nothing is owed.
        if waiting and self.hut.step(name) == "ended" and name in self.owed:
            assert self.reported[name] == OLD
            self.owed.discard(name)

    @rule(name=packs, sure=st.booleans(), chance=st.integers(0, 3))
    def keeper_says_that_it_is_back(self, name: str, sure: bool, chance: int) -> None:
        # Seldom: it ends what is to be watched here.
        if chance == 3 and self.hut.ask("restored", name, yes=sure)["ok"]:
            self.owed.discard(name)
            self.seen_changed.discard(name)

    @rule()
    def is_restarted(self) -> None:
        self.hut = self.hut.restart()

    # --- what always holds ---

    @invariant()
    def what_is_owed_is_not_forgotten(self) -> None:
        for name in list(self.owed):
            procedure = self._watch(name).reanchor.procedure
            if procedure.step is Step.ENDED and not procedure.seen_set:
                # By itself only where it was seen that nothing had been set.
                assert procedure.set_at is None
                assert self.reported[name] == OLD
                self.owed.discard(name)
                continue
            if procedure.step is Step.CHECKING and procedure.set_at is None:
                assert self.reported[name] == OLD
                self.owed.discard(name)
                continue
            assert procedure.may_be_in_place
            figures = self._watch(name).figures
            if not (procedure.step is Step.WAITING and self.reported[name] == OLD):
                assert figures["setting_temporary"] is True
                assert self.hut.raised("protection-setting-temporary", f"pack/{name}")
            assert f"watchd/reanchor/{name}" in self.hut.retained

    @invariant()
    def what_is_reported_otherwise_is_temporary(self) -> None:
        for name in NAMES:
            if self.reported[name].get("ov_mv", 3650) != 3650:
                assert self._watch(name).figures["setting_temporary"] is True

    @invariant()
    def never_two_packs_at_once(self) -> None:
        found = [self._watch(name).reanchor.procedure for name in NAMES]
        assert sum(p is not None and p.occupies_bank for p in found) <= 1

    @invariant()
    def every_step_has_its_text(self) -> None:
        for name in NAMES:
            procedure = self._watch(name).reanchor.procedure
            if procedure is None:
                continue
            text = text_of(procedure)
            assert all((text.brief, text.do, text.why, text.waits_for, text.next))
            assert "None" not in f"{text.brief} {text.do} {text.why}"
            assert bool(text.caution) or not procedure.may_be_in_place
            if procedure.step is Step.PUT_BACK:
                assert "3.650 V" in text.do

    @precondition(lambda self: self.owed)
    @invariant()
    def a_trip_is_wanted_only_while_it_is_awaited(self) -> None:
        for name in NAMES:
            watch = self._watch(name)
            assert watch.trip_wanted == (
                watch.reanchor.procedure is not None
                and watch.reanchor.procedure.plan is not None
                and watch.reanchor.procedure.step is Step.APPROACHING
            )


TestModel = Model.TestCase
TestModel.settings = settings(
    max_examples=70, stateful_step_count=15, deadline=None, derandomize=True, database=None
)


def test_a_restart_at_any_moment_tells_the_same() -> None:
    """One story, told by a daemon that runs through and by one that is restarted all the time."""

    def story(*, restarts: bool) -> list[str]:
        hut = low_at_full()
        told: list[str] = []

        def then(document: dict[str, Any] | None = None, word: str | None = None) -> None:
            nonlocal hut
            if restarts:
                hut = hut.restart()
            hut.said = []
            if word == "begin":
                hut.begin()
            elif word is not None:
                hut.ask(word)
            if document is not None:
                hut.alder(document, minutes=2)
            told.extend(
                message.payload.decode()
                for message in hut.said
                if "reanchor/" in message.topic
                or (message.topic == "watchd/annunciation" and b'"reanchor"' in message.payload)
            )

        for document, word in (
            (at_top(), "begin"),
            (at_top(), "set"),
            (at_top(), None),
            (at_top(current_a=0.0, protection=1), None),
            (at_top(100.0, current_a=0.0, protection=1), None),
            (at_top(100.0), None),
            (at_top(100.0, protection=1), None),
            (in_use(95.0), None),
            (in_use(94.0), "restored"),
            *((in_use(80.0), None),) * 5,
            *((at_top(99.0), None),) * 5,
        ):
            then(document, word)
        return told

    through, restarted = story(restarts=False), story(restarts=True)
    assert len(through) > 12
    assert through == restarted
    assert json.loads(through[-1])["step"] == "ended"
