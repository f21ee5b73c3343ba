"""What is kept of the figures, on the disk: read while it is written, after damage, of before."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Sequence
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from tests.history.measurements import MIDNIGHT, measured
from watchd import config as schema
from watchd.history.recorder import DAY_S
from watchd.history.trend_recorder import BLOCK_S, TrendRecorder
from watchd.history.trending import Look
from watchd.history.trends import FullCharge, PackDay, Trend
from watchd.messages import JournalEntry
from watchd.shell.store import Kept, Store
from watchd.shell.store import archive as archives
from watchd.shell.store import schema as tables
from watchd.shell.store.archive import Archive
from watchd.shell.store.history import History

PLENTY = 10**12
NOTHING = float("-inf")


def trend(at: float, soc: float = 50.0, subject: str = "pack/alder") -> Look:
    return Look(subject, trend=Trend(at, {"soc_pct": soc}))


def day(number: int, soc: float = 50.0, pack: str = "alder") -> Look:
    cells = (0.1, None)
    return Look(
        f"pack/{pack}", day=PackDay(MIDNIGHT + number * DAY_S, {"soc_pct": soc}, cells, None, ())
    )


def full(at: float, spread: float = 8.0, pack: str = "alder") -> Look:
    return Look(f"pack/{pack}", full=FullCharge(at, spread, (1.0, -1.0), 99.0, -3.0))


def keep(store: Store, recorder: TrendRecorder, *, last: bool = False, **more: Any) -> None:
    part = recorder.take_run(last=last).packed()
    found = {"oldest": NOTHING, "most_bytes": PLENTY, "oldest_minute": NOTHING, **more}
    store.keep(Kept(None, 0, trends=part, **found))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "watchd.db"


def times(history: History, subject: str = "pack/alder", *ends: float) -> list[float]:
    return [t.at - MIDNIGHT for t in history.trends(subject, *ends)]


def test_what_is_open_is_read_too_and_nothing_twice(path: Path) -> None:
    recorder = TrendRecorder()
    with closing(Store(path)) as store:
        for n in range(60):
            recorder.take([trend(MIDNIGHT + n * 300)])
            recorder.take([trend(MIDNIGHT + n * 300 + 1, subject="bank/hut")])
            keep(store, recorder)
            with History(path) as history:
                assert times(history) == [k * 300 for k in range(n + 1)]
                assert history.banks() == ["hut"]
        with History(path) as history:
            assert times(history, "bank/hut") == [k * 300 + 1 for k in range(60)]
            assert list(history.trends("pack/birch")) == []
            assert history.damaged == 0
        with closing(sqlite3.connect(path)) as db:
            assert db.execute("SELECT COUNT(*) FROM trends").fetchone() == (4,), "five hours of two"


def test_a_range_takes_its_beginning_and_not_its_end(path: Path) -> None:
    recorder = TrendRecorder()
    recorder.take(trend(MIDNIGHT + n * 300) for n in range(-30, 60))
    with closing(Store(path)) as store:
        keep(store, recorder)
        with History(path) as history:
            for begin, end in ((-9000, 18000), (0, 300), (0, 301), (-1, 7200), (7200, 14_400)):
                wanted = [n * 300 for n in range(-30, 60) if begin <= n * 300 < end]
                assert times(history, "pack/alder", MIDNIGHT + begin, MIDNIGHT + end) == wanted


def test_where_the_clock_was_set_back_both_are_there_in_order(path: Path) -> None:
    recorder = TrendRecorder()
    with closing(Store(path)) as store:
        for begin in (0, 3000, -6000, 20_000):
            recorder.take(trend(MIDNIGHT + begin + n * 300, soc=begin) for n in range(40))
            keep(store, recorder)
        with History(path) as history:
            found = list(history.trends("pack/alder"))
    assert len(found) == 160
    assert [t.at for t in found] == sorted(t.at for t in found)


def test_days_have_their_full_charges_and_the_newest_figures(path: Path) -> None:
    recorder = TrendRecorder()
    with closing(Store(path)) as store:
        recorder.take([day(0, 40.0), full(MIDNIGHT + DAY_S - 30, 5.0), day(0, 41.0, "birch")])
        keep(store, recorder)
        with History(path) as history:
            (first,) = history.pack_days("alder")
            assert first.figures == {"soc_pct": 40.0}
            assert first.cell_excess_mohm == (0.1, None)
            assert first.cell_imbalance_ah is None
            assert [f.spread_at_full_mv for f in first.full_charges] == [5.0], "it is open still"
        # It became full just before midnight, and the cells were seen for longer.
        recorder.take([day(0, 60.0), day(1, 70.0), full(MIDNIGHT + DAY_S - 30, 6.0)])
        recorder.take([full(MIDNIGHT + DAY_S + 9 * 3600, 7.0)])
        keep(store, recorder, last=True)
        with History(path) as history:
            found = list(history.pack_days("alder"))
            assert [d.figures["soc_pct"] for d in found] == [60.0, 70.0]
            spreads = [[f.spread_at_full_mv for f in d.full_charges] for d in found]
            assert spreads == [[6.0], [7.0]]
            assert found[0].full_charges[0] == FullCharge(
                MIDNIGHT + DAY_S - 30, 6.0, (1.0, -1.0), 99.0, -3.0
            )
            for begin, end, wanted in (
                (0, 1, [0]),
                (DAY_S, 2 * DAY_S, [1]),
                (1, DAY_S + 1, [0, 1]),
            ):
                days = history.pack_days("alder", MIDNIGHT + begin, MIDNIGHT + end)
                assert [(d.at - MIDNIGHT) // DAY_S for d in days] == wanted
            assert [d.figures["soc_pct"] for d in history.pack_days("birch")] == [41.0]


def test_the_journal_is_read_in_the_order_of_time(path: Path) -> None:
    def entry(at: float) -> JournalEntry:
        return cast("JournalEntry", {"at": at, "alarm": "a/pack/b"})

    with closing(Store(path)) as store:
        store.take_over([entry(5.0), entry(1.0), entry(3.0)])
        with closing(sqlite3.connect(path)) as db, db:
            db.execute("INSERT INTO journal (at, alarm, entry) VALUES (4.0, 'a', '{')")
        with History(path) as history:
            assert [e["at"] for e in history.journal()] == [1.0, 3.0, 5.0]
            assert [e["at"] for e in history.journal(1.0, 3.0)] == [1.0]
            assert history.damaged == 1


def test_trends_go_with_the_minutes_and_days_stay(path: Path) -> None:
    recorder = TrendRecorder()
    # A start in 1970 has the age of its neighbours.
    recorder.take([trend(30.0)])
    recorder.take(trend(MIDNIGHT + n * BLOCK_S) for n in range(48))
    recorder.take([day(0), day(1), full(MIDNIGHT + 60)])
    with closing(Store(path)) as store:
        keep(store, recorder, last=True)
        keep(store, recorder, oldest=MIDNIGHT + 3 * DAY_S)
        with History(path) as history:
            assert len(times(history)) == 49, "the age of samples is another one"
        recorder.take([trend(MIDNIGHT + 48 * BLOCK_S)])
        keep(store, recorder, last=True, oldest_minute=MIDNIGHT + DAY_S)
        with History(path) as history:
            assert times(history) == [n * BLOCK_S for n in range(12, 49)]
            assert len(list(history.pack_days("alder"))) == 2
            assert len(next(history.pack_days("alder")).full_charges) == 1


def test_where_there_is_no_room_the_oldest_trends_go(path: Path) -> None:
    recorder = TrendRecorder()
    most = 400_000
    with closing(Store(path)) as store:
        for n in range(2000):
            at = MIDNIGHT + n * BLOCK_S
            words = {f"figure_{k}": float(hash((n, k))) for k in range(40)}
            recorder.take([Look("pack/alder", trend=Trend(at, words)), day(n // 12)])
            keep(store, recorder, most_bytes=most)
        with History(path) as history:
            found = times(history)
            assert 10 < len(found) < 2000
            assert found[-1] == 1999 * BLOCK_S
            assert len(list(history.pack_days("alder"))) == 2000 // 12 + 1
        with closing(sqlite3.connect(path)) as db:
            size, count = (
                db.execute(f"PRAGMA {n}").fetchone()[0] for n in ("page_size", "page_count")
            )
            assert size * count <= most


def test_damage_costs_what_is_damaged(path: Path) -> None:
    recorder = TrendRecorder()
    recorder.take(trend(MIDNIGHT + n * 300) for n in range(60))
    recorder.take([day(0), day(1), full(MIDNIGHT), full(MIDNIGHT + 60)])
    with closing(Store(path)) as store:
        keep(store, recorder)
        for damage, trends, days, fulls in (
            ("UPDATE trends SET data = zeroblob(9) WHERE id = 1", 36, 2, 2),
            ("UPDATE pack_days SET data = x'00' WHERE id = 1", 36, 1, 0),
            ("UPDATE full_charges SET data = x'6601' WHERE id = 1", 36, 1, 0),
            ("UPDATE kept SET trends = x'00'", 24, 1, 0),
        ):
            with closing(sqlite3.connect(path)) as db, db:
                db.execute(damage)
            with History(path) as history:
                assert len(times(history)) == trends
                found = list(history.pack_days("alder"))
                assert len(found) == days
                assert sum(len(d.full_charges) for d in found) == fulls
                assert history.damaged > 0
        assert store.load().trends == b"\0"


def test_what_is_read_is_as_of_one_moment(path: Path) -> None:
    recorder = TrendRecorder()
    recorder.take([trend(MIDNIGHT), day(0)])
    with closing(Store(path)) as store:
        keep(store, recorder)
        with History(path) as history:
            recorder.take([trend(MIDNIGHT + 300), day(1)])
            keep(store, recorder, last=True)
            assert times(history) == [0]
            assert len(list(history.pack_days("alder"))) == 1


def test_a_store_of_before_has_none(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patch:
        patch.delitem(tables.STEPS, 4)
        Store(path).close()
    with History(path) as history:
        assert list(history.trends("pack/alder")) == []
        assert list(history.pack_days("alder")) == []
        assert history.banks() == []
        assert list(history.journal()) == []
        assert history.damaged == 0


# --- the archive ---


def archive(path: Path) -> Archive:
    return Archive(schema.Store(path=str(path)))


async def test_the_archive_goes_on_with_what_was_open(path: Path) -> None:
    for part in range(5):
        kept = archive(path)
        kept.trends([trend(MIDNIGHT + (part * 7 + n) * 300) for n in range(7)])
        kept.trends([full(MIDNIGHT + 60, spread=part)])
        await kept.write({"version": 1}, last=True, upto=part)
        kept.close()
        with History(path) as history:
            assert times(history) == [n * 300 for n in range(7 * (part + 1))]
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT COUNT(*) FROM trends").fetchone() == (1,), "of two hours"


async def test_the_days_so_far_are_wanted_once_an_hour_and_at_the_end(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = archive(path)
    now = float(round(time.monotonic()))  # sums of whole seconds are exact
    monkeypatch.setattr(archives, "time", SimpleNamespace(monotonic=lambda: now))
    wanted = []
    for _ in range(36):
        now += archives.BLOCK_S
        if kept.wants_days():
            wanted.append(now)
            kept.trends([day(0)])
        await kept.write({"version": 1})
    assert [b - a for a, b in pairwise(wanted)] == [3600.0, 3600.0]
    assert not kept.wants_days()
    assert kept.wants_days(last=True)
    kept.close()


async def test_what_finds_no_room_waits(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = archive(path)

    def is_full(*_words: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    looks: Sequence[Look] = [trend(MIDNIGHT + n * 300) for n in range(30)]
    with monkeypatch.context() as patch:
        patch.setattr(Store, "keep", is_full)
        kept.trends(looks[:26])
        kept.trends([day(0), full(MIDNIGHT)])
        kept.sample([measured(MIDNIGHT)])
        await kept.write({"version": 1}, last=True)
    kept.trends(looks[26:])
    await kept.write({"version": 1}, last=True)
    with History(path) as history:
        assert times(history) == [n * 300 for n in range(30)]
        (found,) = history.pack_days("alder")
        assert len(found.full_charges) == 1
    kept.close()
