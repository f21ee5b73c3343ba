"""The file keeps its bound, and what goes is the oldest."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, cast

from hypothesis import given, settings
from hypothesis import strategies as st

from watchd.messages import JournalEntry
from watchd.shell.store import Block, Kept, Store, read_telemetry

NOTHING_BY_AGE = float("-inf")
ROOM = 400_000


def noise(at: float, size: int) -> Block:
    """A block that packs no smaller."""
    return Block(at, random.Random(at).randbytes(size))


def entry(at: float, text: str = "") -> JournalEntry:
    return cast("JournalEntry", {"at": at, "alarm": "a/pack/b", "text": text})


def database_size(path: Path) -> int:
    """Of the file, once the -wal has gone into it."""
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path.stat().st_size


@settings(derandomize=True, database=None, max_examples=25, deadline=None)
@given(
    sizes=st.lists(st.integers(1, 60_000), min_size=10, max_size=40),
    state_size=st.integers(1, 20_000),
    clock=st.sampled_from([0.0, 1.79e9, 4.1e9]),
)
def test_the_file_never_grows_above_its_bound_and_the_newest_are_kept(
    sizes: list[int], state_size: int, clock: float
) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "watchd.db"
        with closing(Store(path)) as store:
            for number, size in enumerate(sizes):
                state = {"noise": random.Random(number).randbytes(state_size).hex()}
                store.save(state, [entry(number)], number)
                store.keep(Kept(noise(clock + number, size), number, NOTHING_BY_AGE, ROOM))
                assert database_size(path) <= ROOM
            kept = [b.last_at - clock for b in read_telemetry(path)]
            assert kept == list(range(len(sizes)))[-len(kept) :]
            fits = sum(sizes) + 70_000 + 8192 * len(sizes) < ROOM - state_size
            assert not fits or len(kept) == len(sizes), "nothing went without need"
            assert store.load().kept_upto == len(sizes) - 1
            assert len(store.entries(None, 0.0, 100)) == len(sizes), "the journal is the last to go"


def test_a_bound_that_was_lowered_is_reached_step_by_step(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    with closing(Store(path)) as store:
        for number in range(100):
            store.keep(Kept(noise(number, 40_000), 0, NOTHING_BY_AGE, 10_000_000))
        assert database_size(path) > 4_000_000
        for number in range(100, 103):
            store.keep(Kept(noise(number, 1000), 0, NOTHING_BY_AGE, 1_000_000))
        assert database_size(path) <= 1_000_000
        assert [b.last_at for b in read_telemetry(path)][-3:] == [100.0, 101.0, 102.0]


def test_a_journal_that_fills_the_file_loses_its_oldest(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    with closing(Store(path)) as store:
        for number in range(20):
            entries = [entry(number * 200 + n, "x" * 400) for n in range(200)]
            store.save({"at": 1.0}, entries, 0)
            store.keep(Kept(None, number, NOTHING_BY_AGE, 1_000_000))
        kept = [e["at"] for e in store.entries(None, 0.0, 10_000)]
        assert 500 < len(kept) < 2500
        assert kept == [float(n) for n in range(4000)][-len(kept) :]
        assert database_size(path) <= 1_000_000
        assert store.load().state == {"at": 1.0}


def test_a_block_that_is_larger_than_the_file_may_be_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    with closing(Store(path)) as store:
        store.save({"at": 1.0}, [], 1)
        store.keep(Kept(noise(1.0, 600_000), 7, NOTHING_BY_AGE, ROOM))
        assert list(read_telemetry(path)) == []
        assert store.load().kept_upto == 7
        assert store.load().state == {"at": 1.0}


def test_one_block_of_a_wrong_year_holds_up_no_others(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    day: dict[str, Any] = {"upto": 0, "most_bytes": 10_000_000}
    with closing(Store(path)) as store:
        for at in (4.1e9, 100.0, 200.0, 300.0):
            store.keep(Kept(Block(at, b""), oldest=at - 150 if at < 1e9 else NOTHING_BY_AGE, **day))
    assert [b.last_at for b in read_telemetry(path)] == [4.1e9, 200.0, 300.0]
