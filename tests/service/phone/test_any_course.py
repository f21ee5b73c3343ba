"""Whatever comes, fails and is started anew: every critical message is handed on, nothing twice,
and nothing is lost but what the bound dropped, which is said.

The real queue on a real file and the real decisions; only the service is played, and the time. A
kill between the service's yes and the note of it is left out: docs/phone.md says what it does.
"""

from __future__ import annotations

import asyncio
import re
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from tests.phone.builders import notice, setting, utc
from watchd.config import Phone
from watchd.phone.notice import Kind, Waiting
from watchd.phone.texts import Message, Standing
from watchd.shell.phone.apprised import Outcome
from watchd.shell.phone.bridge import lost_notice
from watchd.shell.phone.handing import Around, Handing
from watchd.shell.phone.queue import Queue

MOST = 12
MOST_CRITICAL = 8  # fewer than the bound: of critical alone, the oldest would go
TARGETS = {
    "all": frozenset({"critical", "high", "medium", "low"}),
    "urgent": frozenset({"critical", "high"}),
}
PHONE = Phone(urls_file="x", most_waiting=MOST)


class Played:
    """A service; `up`: it takes what comes."""

    def __init__(self) -> None:
        self.up = True
        self.took: list[Message] = []

    async def hand_on(self, message: Message, priority: str) -> Outcome:
        assert priority
        if self.up:
            self.took.append(message)
        return Outcome(self.up, "" if self.up else "the service answers 500")


class Noting(Queue):
    """Also notes what is told each service."""

    told: Counter[tuple[str, str]]

    def handed_on(self, target: str, these: Sequence[Waiting], now: float, *, counts: bool) -> None:
        super().handed_on(target, these, now, counts=counts)
        for waiting in these:
            self.told[target, waiting.notice.identity] += 1


class Course(RuleBasedStateMachine):
    """Days of it."""

    @initialize()
    def begin(self) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.now = utc("2026-06-21 12:00")
        self.services = {name: Played() for name in TARGETS}
        self.taken: dict[str, str] = {}  # identity to priority
        self.payloads: list[str] = []
        self.told: Counter[tuple[str, str]] = Counter()
        self._open()

    def _open(self) -> None:
        self.queue = Noting(Path(self.folder.name) / "phone.db", MOST)
        self.queue.told = self.told
        self.queue.change_targets(TARGETS)
        self.handing = {
            name: Handing(
                name, name, service, self.queue, setting(most=3),
                Around(lambda: self.now, lambda: Standing({}), self._went_well),
            )
            for name, service in self.services.items()
        }  # fmt: skip

    def _went_well(self) -> None:
        if (lost := self.queue.lost(self.now)) is not None:
            self.queue.say_lost(lost_notice(lost, PHONE, self.now), self.now, TARGETS)

    def _criticals(self) -> int:
        return sum(priority == "critical" for priority in self.taken.values())

    @rule(priority=st.sampled_from(["high", "medium", "low", "low"]), kind=st.sampled_from(Kind))
    def comes(self, priority: str, kind: Kind) -> None:
        name = f"n{len(self.taken)}"
        made = notice(priority, at=self.now, identity=name, title=name, kind=kind)
        assert self.queue.take(made, self.now, TARGETS) is not None
        self.taken[name] = priority

    @rule(number=st.integers(4, 10), priority=st.sampled_from(["high", "low"]))
    def many_come(self, number: int, priority: str) -> None:
        """More than wait, or than an hour has room for."""
        for _ in range(number):
            self.comes(priority=priority, kind=Kind.ANNUNCIATION)

    @precondition(lambda self: self._criticals() < MOST_CRITICAL)
    @rule()
    def critical_comes(self) -> None:
        self.comes(priority="critical", kind=Kind.ANNUNCIATION)

    @precondition(lambda self: self.taken)
    @rule(data=st.data())
    def comes_again(self, data: st.DataObject) -> None:
        name = data.draw(st.sampled_from(sorted(self.taken)))
        again = notice(self.taken[name], at=self.now, identity=name)
        assert self.queue.take(again, self.now, TARGETS) is None

    @rule(name=st.sampled_from(sorted(TARGETS)), up=st.booleans())
    def service(self, name: str, up: bool) -> None:
        self.services[name].up = up

    @rule(seconds=st.sampled_from([1, 60, 600, 7200, 40_000]))
    def time_goes_on(self, seconds: int) -> None:
        self.now += seconds

    @rule(steps=st.integers(1, 6))
    def hands_on(self, steps: int) -> None:
        async def some() -> None:
            for _ in range(steps):
                for handing in self.handing.values():
                    await handing.step()

        asyncio.run(some())

    @rule()
    def starts_anew(self) -> None:
        self.queue.close()
        self._open()

    @invariant()
    def nothing_twice(self) -> None:
        assert all(times == 1 for times in self.told.values())
        assert self.queue.count() <= MOST

    @invariant()
    def critical_waits_for_nothing(self) -> None:
        """Where the service is there, what is critical is what goes next."""
        for name, service in self.services.items():
            waiting = self.queue.waiting(name)
            if service.up and any(w.notice.priority == "critical" for w in waiting):
                before = len(service.took)
                asyncio.run(self.handing[name].step())
                assert len(service.took) == before + 1

    def teardown(self) -> None:
        for service in self.services.values():
            service.up = True
        # What was dropped is said when something goes through, once a day at most.
        for day in range(4):
            made = notice("critical", at=self.now, identity=f"end {day}")
            self.queue.take(made, self.now, TARGETS)
            for _ in range(30):
                self.hands_on(2)
                self.now += 3000
        self.nothing_twice()
        lost = {
            name
            for name, priority in self.taken.items()
            for target, takes in TARGETS.items()
            if priority in takes and not self.told[target, name]
        }
        assert not any(self.taken[name] == "critical" for name in lost)
        bodies = [m.body for m in self.services["all"].took]
        said = sum(int(n) for body in bodies for n in re.findall(r"(\d+) were dropped", body))
        assert said == len(lost)
        assert self.queue.count() == 0
        # Each critical one stood alone, under its own title.
        titles = Counter(m.title for m in self.services["urgent"].took)
        for name, priority in self.taken.items():
            if priority == "critical":
                assert titles[name] == 1
        self.queue.close()
        self.folder.cleanup()


SOME = settings(max_examples=10, stateful_step_count=25, deadline=None)
MANY = settings(max_examples=200, stateful_step_count=50, deadline=None)


def test_some_courses() -> None:
    run_state_machine_as_test(Course, settings=SOME)


@pytest.mark.long
def test_many_courses() -> None:
    run_state_machine_as_test(Course, settings=MANY)
