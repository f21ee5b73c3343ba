"""The history on the disk: what is kept, condensed, dropped and read, whatever the clock shows."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import astuple, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.history.measurements import MIDNIGHT, day, measured
from watchd import config as schema
from watchd.history.columns import Columns, Row
from watchd.history.recorder import DAY_S, SampleBlock, block_of, day_of
from watchd.history.summaries import Day, Minute
from watchd.history.tables import Resolution
from watchd.shell.store import Block, Kept, Store, samples
from watchd.shell.store import archive as archives
from watchd.shell.store.archive import Archive
from watchd.shell.store.condensing import Condensing, condense, drop_oldest_raw
from watchd.shell.store.history import History

TODAY = day_of(MIDNIGHT)
PLENTY = 10**12


def blocks(rows: Sequence[Row], size: int = 60, pack: str = "alder") -> list[SampleBlock]:
    """Cut by size and by day."""
    found: list[list[Row]] = []
    for row in rows:
        last = found[-1] if found else None
        if last is None or len(last) >= size or day_of(last[0].at) != day_of(row.at):
            found.append([row])
        else:
            last.append(row)
    return [block_of(pack, part) for part in found]


def exact(rows: Sequence[Row]) -> list[Row]:
    """Within the resolution."""
    return list(Columns.unpacked(Columns.of(rows).packed()).rows())


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "watchd.db"


@pytest.fixture
def db() -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.executescript(samples.TABLES)
        yield connection


def condense_all(store: Store, running: Sequence[int] = ()) -> int:
    days = 0
    while (condensing := store.next_waiting(running)) is not None:
        days += 1
        while store.condense(condensing):
            pass
    return days


def keep(store: Store, found: Sequence[SampleBlock], oldest: float = 0.0) -> None:
    store.keep(Kept(None, 0, oldest, PLENTY, found))


def flat(found: object) -> list[object]:
    """All numbers in it, in their order."""
    if isinstance(found, tuple):
        return [n for part in found for n in flat(part)]
    return [found]


def same(found: Sequence[Day | Minute], wanted: Sequence[Day | Minute]) -> None:
    assert len(found) == len(wanted)
    for one, other in zip(found, wanted, strict=True):
        # Means and charge were rounded when they were kept.
        assert flat(astuple(one)) == pytest.approx(flat(astuple(other)), abs=0.051)


def test_what_is_kept_is_read_in_three_resolutions(path: Path) -> None:
    rows = list(day(2 * 3600, every=10, begin=MIDNIGHT - 3600))
    with closing(Store(path)) as store:
        keep(store, blocks(rows))
        with History(path) as history:
            assert history.packs() == ["alder"]
            assert list(history.raw("alder", 0, 1e11)) == exact(rows)
            minutes, days = (
                list(history.minutes("alder", 0, 1e11)),
                list(history.days("alder", 0, 1e11)),
            )
            assert history.positions("alder", 0, 1e11) == (16, 4)
        assert [d.at for d in days] == [MIDNIGHT - DAY_S, MIDNIGHT]
        assert [m.at for m in minutes] == [MIDNIGHT - 3600 + 60 * n for n in range(120)]
        assert condense_all(store, (TODAY,)) == 1
        assert condense_all(store) == 1
        with History(path) as history:
            assert list(history.raw("alder", 0, 1e11)) == exact(rows), "raw stays for its time"
            same(list(history.minutes("alder", 0, 1e11)), minutes)
            same(list(history.days("alder", 0, 1e11)), days)
            assert history.positions("alder", 0, 1e11) == (16, 4)


def test_minutes_without_cells_are_the_same_but_for_them(path: Path) -> None:
    rows = list(day(2 * 3600, every=10, begin=MIDNIGHT - 3600))
    with closing(Store(path)) as store:
        keep(store, blocks(rows))
        # One day is condensed, the other runs.
        assert condense_all(store, (TODAY,)) == 1
        with History(path) as history:
            whole = list(history.minutes("alder", 0, 1e11))
            found = list(history.minutes("alder", 0, 1e11, with_cells=False))
    assert all(m.cell_v and m.temperature_degc for m in whole)
    assert found == [replace(m, cell_v=(), temperature_degc=()) for m in whole]


def test_a_range_takes_its_beginning_and_not_its_end(path: Path) -> None:
    rows = [Row(MIDNIGHT + n, current_a=1.0) for n in range(-300, 300)]
    with closing(Store(path)) as store:
        keep(store, blocks(rows, size=77))
        for condensed in (False, True):
            with History(path) as history:
                for begin, end in ((-300, 300), (-10, 10), (0, 1), (0, 60), (-1, 0), (300, 400)):
                    raw = history.raw("alder", MIDNIGHT + begin, MIDNIGHT + end)
                    wanted = [MIDNIGHT + n for n in range(begin, min(end, 300))]
                    assert [r.at for r in raw] == wanted
                    minutes = history.minutes("alder", MIDNIGHT + begin, MIDNIGHT + end)
                    assert [m.at - MIDNIGHT for m in minutes] == [
                        n for n in range(-300, 300, 60) if begin <= n < end
                    ]
                wanted_days = [MIDNIGHT - DAY_S, MIDNIGHT]
                found = history.days("alder", MIDNIGHT - 1, MIDNIGHT + 1)
                assert [d.at for d in found] == wanted_days
                found = history.days("alder", MIDNIGHT - DAY_S, MIDNIGHT)
                assert [d.at for d in found] == wanted_days[:1]
                assert list(history.read(Resolution.RAW, "birch")) == []
            if not condensed:
                condense_all(store)


def test_condensing_again_changes_nothing(path: Path) -> None:
    with closing(Store(path)) as store:
        keep(store, blocks(list(day(3600, every=10))))
        assert condense_all(store) == 1
        with History(path) as history:
            before = list(history.days("alder", 0, 1e11)), list(history.minutes("alder", 0, 1e11))
        assert condense_all(store) == 0
        with History(path) as history:
            assert before == (
                list(history.days("alder", 0, 1e11)),
                list(history.minutes("alder", 0, 1e11)),
            )


@settings(deadline=None, derandomize=True, database=None, max_examples=40)
@given(st.data())
def test_however_it_is_condensed_nothing_is_lost_or_twice(data: st.DataObject) -> None:
    """Blocks come, days are condensed, room is made, in any order; also on a clock that is set."""
    with closing(sqlite3.connect(":memory:")) as db:
        db.executescript(samples.TABLES)
        told: list[Row] = []
        at = MIDNIGHT - 200.0
        for _ in range(data.draw(st.integers(1, 6))):
            at = data.draw(st.sampled_from([at, at, at - 100, MIDNIGHT, 0.0, 4e9]))
            rows = [Row(at + n, current_a=float(n), voltage_v=50.0) for n in range(0, 300, 50)]
            at += 300
            told += rows
            samples.add(db, blocks(rows))
            act = data.draw(st.sampled_from(["wait", "condense", "drop"]))
            if act == "condense" and (of := samples.next_waiting(db, ())) is not None:
                condense(db, of)
            elif act == "drop":
                drop_oldest_raw(db)
        while (of := samples.next_waiting(db, ())) is not None:
            condense(db, of)
        found = {}
        for (number,) in db.execute("SELECT day FROM days").fetchall():
            kept = samples.kept_day(db, "alder", number)
            assert kept is not None
            found[number] = kept.whole.samples
            minutes = samples.kept_minutes(db, "alder", number)
            assert sum(m.samples for m in minutes) == kept.whole.samples
        days = [day_of(r.at) for r in told]
        assert found == {d: days.count(d) for d in set(days)}


def test_what_was_condensed_meanwhile_is_not_counted_twice(db: sqlite3.Connection) -> None:
    samples.add(db, blocks([Row(MIDNIGHT + n, current_a=1.0) for n in range(120)]))
    of = samples.waiting(db, "alder", TODAY)
    assert of is not None
    slow = Condensing(db, of)
    slow.step()
    drop_oldest_raw(db)
    while slow.step():
        pass
    slow.finish()
    kept = samples.kept_day(db, "alder", TODAY)
    assert kept is not None
    assert kept.whole.samples == 120


def test_raw_stays_until_its_day_is_condensed(path: Path) -> None:
    rows = [Row(MIDNIGHT + n * 3600, current_a=1.0) for n in range(72)]
    with closing(Store(path)) as store:
        keep(store, blocks(rows, size=1))
        keep(store, [], oldest=MIDNIGHT + 2.5 * DAY_S)
        with History(path) as history:
            assert len(list(history.raw("alder", 0, 1e11))) == 72
        condense_all(store, (TODAY + 2,))
        keep(store, [], oldest=MIDNIGHT + 1.5 * DAY_S)
        with History(path) as history:
            assert [r.at for r in history.raw("alder", 0, 1e11)] == [r.at for r in rows[36:]]
            assert len(list(history.minutes("alder", 0, 1e11))) == 72
            assert [d.whole.samples for d in history.days("alder", 0, 1e11)] == [24, 24, 24]


def test_minutes_go_by_age_and_days_stay(path: Path) -> None:
    rows = [Row(MIDNIGHT + n * 3600, current_a=1.0) for n in range(96)]
    with closing(Store(path)) as store:
        keep(store, blocks(rows))
        condense_all(store)
        late = MIDNIGHT + 3.5 * DAY_S
        store.keep(Kept(None, 0, late, PLENTY, (), MIDNIGHT + 2 * DAY_S))
        with History(path) as history:
            assert {m.at // DAY_S - TODAY for m in history.minutes("alder", 0, 1e11)} == {2, 3}
            assert len(list(history.days("alder", 0, 1e11))) == 4


def test_a_start_in_1970_is_as_old_as_its_neighbours(path: Path) -> None:
    """Without a battery-backed clock each start is in 1970, until the time is known."""
    start = [Row(30.0 + n, current_a=1.0) for n in range(60)]
    with closing(Store(path)) as store:
        for number in range(3):
            rows = [Row(MIDNIGHT + number * DAY_S + n * 60, current_a=2.0) for n in range(60)]
            keep(store, blocks(start))
            keep(store, blocks(rows))
            condense_all(store)
        newest = MIDNIGHT + 2 * DAY_S + 3540
        store.keep(Kept(None, 0, newest - 1.9 * DAY_S, PLENTY, (), newest - 365 * DAY_S))
        with History(path) as history:
            first, *others = history.days("alder", -1e12, 1e12)
            assert (first.at, first.whole.samples) == (0.0, 180)
            assert first.through.in_ah == pytest.approx(3 * 59 / 3600, abs=0.001)
            assert [d.whole.samples for d in others] == [60, 60, 60]
            raw = [r.at for r in history.raw("alder", -1e12, 1e12)]
            # That before the first day went with it; the others have the age of what followed.
            assert raw.count(30.0) == 2
            assert MIDNIGHT not in raw
            assert len(list(history.minutes("alder", -1e12, 1e12))) == 2 + 180


def test_a_clock_in_the_future_keeps_nothing_for_ever(path: Path) -> None:
    with closing(Store(path)) as store:
        keep(store, blocks([Row(4e9 + n, current_a=1.0) for n in range(60)]))
        keep(store, blocks([Row(MIDNIGHT + n * 3600, current_a=1.0) for n in range(100)], size=1))
        condense_all(store)
        keep(store, [], oldest=MIDNIGHT + DAY_S)
        with History(path) as history:
            assert [r.at for r in history.raw("alder", 0, 1e11)] == [
                MIDNIGHT + n * 3600 for n in range(24, 100)
            ]
            assert len(list(history.days("alder", 0, 1e11))) == 6


def test_where_the_clock_was_set_back_both_are_there_in_order(path: Path) -> None:
    first = [Row(MIDNIGHT + n, current_a=1.0) for n in range(200)]
    again = [Row(MIDNIGHT + n, current_a=2.0) for n in range(50, 250)]
    with closing(Store(path)) as store:
        keep(store, blocks(first))
        keep(store, blocks(again))
        with History(path) as history:
            found = list(history.raw("alder", 0, 1e11))
            assert sorted(found, key=lambda r: (r.at, r.current_a)) == sorted(
                first + again, key=lambda r: (r.at, r.current_a)
            )
            assert [r.at for r in found] == sorted(r.at for r in found)
            assert next(history.days("alder", 0, 1e11)).through.in_ah == pytest.approx(
                (199 * 1 + 199 * 2) / 3600, abs=1e-6
            ), "both times were real"


def pages(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        size, count, free = (
            db.execute(f"PRAGMA {n}").fetchone()[0]
            for n in ("page_size", "page_count", "freelist_count")
        )
    return int(size * (count - free))


def test_the_oldest_goes_until_it_fits(path: Path) -> None:
    most = 230_000
    with closing(Store(path)) as store:
        for hour in range(30):
            rows = list(day(3600, every=10, begin=MIDNIGHT + hour * 3600))
            store.keep(
                Kept(Block.of(rows[-1].at, [b"x" * 50]), 0, 0.0, most, blocks(rows, size=360))
            )
            assert pages(path) <= most
        with History(path) as history:
            raw = list(history.raw("alder", 0, 1e11))
            assert 0 < len(raw) < 30 * 360
            assert raw[-1].at > MIDNIGHT + 30 * 3600 - 20
            kept = list(history.days("alder", 0, 1e11))
            assert [d.whole.samples for d in kept] == [24 * 360, 6 * 360]


def test_damage_costs_what_is_damaged(path: Path) -> None:
    rows = [Row(MIDNIGHT + n, current_a=1.0) for n in range(240)]
    with closing(Store(path)) as store:
        keep(store, blocks(rows))
        with closing(sqlite3.connect(path)) as db, db:
            db.execute("UPDATE samples SET data = zeroblob(50) WHERE id = 2")
        with History(path) as history:
            assert len(list(history.raw("alder", 0, 1e11))) == 180
            assert history.damaged == 1
        condensing = store.next_waiting(())
        assert condensing is not None
        while store.condense(condensing):
            pass
        assert condensing.damaged == 1
        assert store.next_waiting(()) is None
        with closing(sqlite3.connect(path)) as db, db:
            db.execute("UPDATE minutes SET data = x'00'")
            db.execute("UPDATE days SET data = x'6401'")
        with History(path) as history:
            assert list(history.minutes("alder", 0, 1e11)) == []
            assert list(history.days("alder", 0, 1e11)) == []
            assert history.damaged == 2
        keep(store, blocks([Row(MIDNIGHT + 600, current_a=3.0)]))
        condense_all(store)
        with History(path) as history:
            assert [m.samples for m in history.minutes("alder", 0, 1e11)] == [1]


def test_what_is_read_is_as_of_one_moment(path: Path) -> None:
    with closing(Store(path)) as store:
        keep(store, blocks([Row(MIDNIGHT + n, current_a=1.0) for n in range(120)]))
        with History(path) as history:
            condense_all(store)
            with closing(sqlite3.connect(path)) as db, db:
                db.execute("DELETE FROM samples")
            assert [m.samples for m in history.minutes("alder", 0, 1e11)] == [60, 60]
            assert len(list(history.raw("alder", 0, 1e11))) == 120


def archive(path: Path, **setting: Any) -> Archive:
    return Archive(schema.Store(path=str(path), **setting))


async def test_the_archive_keeps_samples_and_condenses_days_that_are_over(path: Path) -> None:
    kept = archive(path)
    assert not await kept._condense_one(), "nothing has come yet"
    kept.sample([measured(MIDNIGHT - 3600 + n * 60) for n in range(180)])
    await kept.write(None)
    with History(path) as history:
        assert list(history.raw("alder", 0, 1e11)) == [], "not before the block is full"
    await kept.write(None, last=True)
    with History(path) as history:
        assert len(list(history.raw("alder", 0, 1e11))) == 180
    assert await kept._condense_one()
    assert not await kept._condense_one(), "today goes on"
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT day FROM days").fetchall() == [(TODAY - 1,)]
    kept.close()


async def test_without_raw_telemetry_there_are_still_minutes(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archives, "CLOCK_TRUSTED_AFTER_S", 0.0)
    kept = archive(path, keep_raw="0 s")
    for hours in (0, 24, 48):
        kept.sample([measured(MIDNIGHT + hours * 3600 + n * 60) for n in range(60)])
        kept.record("hut/alder/amps", b"1", MIDNIGHT + hours * 3600 + 3540, retained=False)
        await kept.write(None, last=True)
        while await kept._condense_one():
            pass
    kept.sample([measured(MIDNIGHT + 49 * 3600)])
    kept.record("hut/alder/amps", b"1", MIDNIGHT + 49 * 3600, retained=False)
    await kept.write(None, last=True)
    with History(path) as history:
        raw = [r.at for r in history.raw("alder", 0, 1e11)]
        assert min(raw) == MIDNIGHT + 48 * 3600
        assert len(list(history.minutes("alder", 0, 1e11))) == 181
    kept.close()


async def test_a_mistake_in_condensing_does_not_end_it(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archives, "CONDENSE_EVERY_S", 0.001)
    kept = archive(path)
    asked: list[Sequence[int]] = []
    again = asyncio.Event()

    def broken(_store: Store, running: Sequence[int]) -> None:
        asked.append(running)
        if len(asked) == 1:
            raise sqlite3.OperationalError("disk I/O error")
        if len(asked) == 2:
            raise ZeroDivisionError
        loop.call_soon_threadsafe(again.set)

    loop = asyncio.get_running_loop()
    monkeypatch.setattr(Store, "next_waiting", broken)
    kept.sample([measured(MIDNIGHT)])
    task = asyncio.create_task(kept.condense())
    await asyncio.wait_for(again.wait(), 30)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    kept.close()


async def test_samples_that_find_no_room_wait(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = archive(path)

    def full(*_words: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(Store, "keep", full)
        kept.sample([measured(MIDNIGHT)])
        await kept.write({"version": 1}, last=True)
    kept.sample([measured(MIDNIGHT + 1)])
    await kept.write({"version": 1}, last=True)
    with History(path) as history:
        assert [r.at for r in history.raw("alder", 0, 1e11)] == [MIDNIGHT, MIDNIGHT + 1]
    kept.close()
