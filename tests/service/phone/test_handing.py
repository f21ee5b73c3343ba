"""One URL's task: how it ends. What it hands on, and when, is `test_any_course`'s."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.phone.builders import notice, setting, utc
from watchd.phone.texts import Message, Standing
from watchd.shell.phone.apprised import Outcome
from watchd.shell.phone.handing import Around, Handing
from watchd.shell.phone.queue import Queue

NOON = utc("2026-06-21 12:00")
TARGETS = {"x": frozenset({"critical", "high"})}


class Slow:
    """A service that answers when `answers` is set."""

    def __init__(self) -> None:
        self.asked, self.answers = asyncio.Event(), asyncio.Event()
        self.ok, self.took = True, 0

    async def hand_on(self, message: Message, priority: str) -> Outcome:
        assert message.title
        assert priority
        self.asked.set()
        await self.answers.wait()
        self.took += 1
        return Outcome(self.ok)


@pytest.fixture
def queue(tmp_path: Path) -> Iterator[Queue]:
    queue = Queue(tmp_path / "phone.db", 10)
    queue.change_targets(TARGETS)
    for name in ("one", "two"):
        assert queue.take(notice("critical", at=NOON, identity=name, title=name), NOON, TARGETS)
    yield queue
    queue.close()


def handing(queue: Queue, service: Slow, went_well: Callable[[], None] = lambda: None) -> Handing:
    around = Around(lambda: NOON, lambda: Standing({}), went_well)
    return Handing("x", "line 1", service, queue, setting(), around)


async def test_what_is_on_its_way_is_noted_and_nothing_more_begun(queue: Queue) -> None:
    service = Slow()
    one = handing(queue, service)
    task = asyncio.create_task(one.run())
    await service.asked.wait()
    one.end()
    await asyncio.sleep(0)
    assert not task.done()
    service.answers.set()
    await task
    assert service.took == 1
    assert [w.notice.identity for w in queue.waiting("x")] == ["two"]


async def test_one_that_fails_is_not_tried_again(queue: Queue) -> None:
    """Nor is the time until the next try waited for."""
    service = Slow()
    service.ok = False
    service.answers.set()
    one = handing(queue, service)
    task = asyncio.create_task(one.run())
    await service.asked.wait()
    one.end()
    await task
    assert service.took == 1
    assert len(queue.waiting("x")) == 2


async def test_one_with_nothing_to_do_ends(queue: Queue) -> None:
    service = Slow()
    service.answers.set()
    all_gone = asyncio.Event()
    one = handing(queue, service, lambda: None if queue.waiting("x") else all_gone.set())
    task = asyncio.create_task(one.run())
    await all_gone.wait()
    one.end()
    await task
    assert service.took == 2
