"""Samples as the engine tells them become blocks."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from tests.history.measurements import MIDNIGHT, measured
from tests.scene import START, Scene, cells, leading, pack
from watchd.history import recorder
from watchd.history.columns import Columns, Row
from watchd.history.recorder import LONGEST_RUN, Recorder, SampleBlock, day_of
from watchd.watch.measured import Measured

DAY = 86_400.0


def recorded(*samples: Measured) -> list[SampleBlock]:
    found = Recorder()
    found.take(samples)
    return taken(found)


def taken(found: Recorder) -> list[SampleBlock]:
    return [run.block() for run in found.take_runs()]


def rows(blocks: list[SampleBlock]) -> list[list[tuple[float, float | None]]]:
    return [[(r.at, r.current_a) for r in Columns.unpacked(b.data).rows()] for b in blocks]


def test_what_the_engine_tells_is_kept_whole() -> None:
    hut = Scene(tells_samples=True)
    found = Recorder()
    hut.run(
        seconds=20,
        alder=pack(cell_v=leading(3.42, by_mv=60), current_a=12, soc_pct=71.5, protection=1),
        birch=pack(cell_v=cells(3.3), charge_allowed=False),
    )
    found.take(hut.engine.take_samples())
    blocks = {b.pack: b for b in taken(found)}
    assert set(blocks) == {"alder", "birch"}
    alder = list(Columns.unpacked(blocks["alder"].data).rows())
    assert [r.at for r in alder] == [START + s for s in (0, 5, 10, 15)]
    assert alder[0] == Row(
        START,
        voltage_v=53.34 + 1.44,
        current_a=12.0,
        soc_pct=71.5,
        soc_estimate_pct=alder[0].soc_estimate_pct,
        cell_v=tuple(3.48 if n == 6 else 3.42 for n in range(16)),
        temperature_degc=(15.0, 16.0),
        charge_allowed=True,
        protection=("OVER_VOLT",),
    )
    assert blocks["alder"].cells == 16
    assert blocks["alder"].sensors == 2
    assert [r.charge_allowed for r in Columns.unpacked(blocks["birch"].data).rows()] == [False] * 4
    assert taken(found) == []


def test_of_a_second_the_newest_stands() -> None:
    blocks = recorded(*(measured(MIDNIGHT + n / 20, amps=n) for n in range(60)))
    assert rows(blocks) == [[(MIDNIGHT + s + 0.9, 20 * s + 19) for s in range(3)]]


def test_a_block_is_of_one_day() -> None:
    blocks = recorded(*(measured(MIDNIGHT + n, amps=n) for n in range(-3, 3)))
    assert [b.day for b in blocks] == [day_of(MIDNIGHT) - 1, day_of(MIDNIGHT)]
    assert [len(r) for r in rows(blocks)] == [3, 3]
    assert [(b.first_at, b.last_at) for b in blocks] == [
        (MIDNIGHT - 3, MIDNIGHT - 1),
        (MIDNIGHT, MIDNIGHT + 2),
    ]


def test_the_last_tenth_of_a_day_is_of_that_day() -> None:
    (block,) = recorded(measured(MIDNIGHT - 0.01))
    assert block.day == day_of(MIDNIGHT) - 1


def test_a_clock_that_is_set_loses_nothing() -> None:
    times = [10.0, 11.0, 1e9, 1e9 + 1, 1e9 - 5, 1e9 - 4, 4e9, 1e9 - 3, 1e9 - 3.5, 0.0]
    blocks = recorded(*(measured(t, amps=n) for n, t in enumerate(times)))
    assert [r for block in rows(blocks) for r in block] == list(
        zip(times, range(len(times)), strict=True)
    )
    for block in rows(blocks):
        assert all(a[0] < b[0] for a, b in pairwise(block))
        assert len({t // DAY for t, _ in block}) == 1


def test_what_waits_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder, "MOST_WAITING", 2 * LONGEST_RUN)
    found = Recorder()
    for n in range(4 * LONGEST_RUN + 1):
        found.take([measured(MIDNIGHT + n)])
    waiting = rows(taken(found))
    assert [len(r) for r in waiting] == [LONGEST_RUN, LONGEST_RUN, 1], "the oldest go"
    assert waiting[-1] == [(MIDNIGHT + 4 * LONGEST_RUN, 1.0)]


def test_of_many_packs_a_block_is_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also at midnight, where all begin another one."""
    monkeypatch.setattr(recorder, "MOST_WAITING", 100)
    found = Recorder()
    packs, each = 40, 20
    for n in range(each):
        at = MIDNIGHT + 10.0 * (n - each // 2)
        found.take(replace(measured(at), pack=f"p{number}") for number in range(packs))
    blocks = taken(found)
    assert sum(len(r) for r in rows(blocks)) == packs * each
    assert len(blocks) == 2 * packs


def test_the_day_before_runs_until_its_last_samples_are_written() -> None:
    found = Recorder()
    assert found.running_days() == ()
    today = day_of(MIDNIGHT)
    for at, running in ((60.0, {today, today - 1}), (3600.0, {today}), (-60.0, {today - 1})):
        found.take([measured(MIDNIGHT + at)])
        assert set(found.running_days()) == running
