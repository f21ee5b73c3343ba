"""From a file of each version in the field to the tables of today."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchd.history.trend_recorder import TrendRecorder
from watchd.history.trending import Look
from watchd.history.trends import Trend
from watchd.messages import JournalEntry
from watchd.shell.store import Block, DamagedError, Kept, Loaded, Store, read_telemetry, schema
from watchd.shell.store.history import ALWAYS, History
from watchd.shell.store.reading import load_read_only

VERSION_2 = Path(__file__).with_name("store_version_2.sql").read_text("utf-8")
VERSION_3 = Path(__file__).with_name("store_version_3.sql").read_text("utf-8")
MIDNIGHT = 1_790_035_200.0


def of_version_2(path: Path, script: str = VERSION_2) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.executescript(script)
        db.execute("PRAGMA journal_mode=WAL")


def of_version_3(path: Path) -> None:
    of_version_2(path, VERSION_3)


def tables(path: Path) -> list[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as db:
        return [
            (name, " ".join(text.split()))
            for name, text in db.execute("SELECT name, sql FROM sqlite_schema ORDER BY name")
        ]


def test_a_file_of_version_2_goes_on_with_all_that_it_held(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    of_version_2(path)
    with closing(Store(path)) as store:
        state = {"version": 1, "at": 1790000003.0, "text": "°C", "alarms": {}}
        assert store.load() == Loaded(state, 0, 0)
        assert [e["at"] for e in store.entries(None, 0.0, 10)] == [1.0, 2.0, 3.0]
        assert store.entries(None, 0.0, 1)[0]["text"] == "3.48 V, °C"
        blocks = list(read_telemetry(path))
        assert [b.last_at for b in blocks] == [1790000000.0, 1790000300.0, 1790000600.0]
        assert json.loads(blocks[1].unpacked()[0])["t"] == 1790000300.0
        store.save({"at": 5.0}, [], 9)
    with closing(Store(path)) as store:
        assert store.load() == Loaded({"at": 5.0}, 9, 0)


def history_of(path: Path) -> tuple[Any, ...]:
    """What was measured, and the journal."""
    with History(path) as history:
        return (
            list(history.raw("alder", *ALWAYS)),
            list(history.minutes("alder", *ALWAYS)),
            list(history.days("alder", *ALWAYS)),
            [e["at"] for e in history.journal()],
        )


def test_a_file_of_version_3_goes_on_with_all_that_it_held(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    of_version_3(path)
    before = history_of(path)
    rows, minutes, days, journal = before
    assert [len(rows), len(minutes), len(days), journal] == [6, 2, 2, [1.0, 2.0, 3.0]]
    with History(path) as history:
        assert not list(history.trends("pack/alder"))
        assert not list(history.pack_days("alder"))
    state = {"version": 1, "at": MIDNIGHT + 90, "text": "°C", "alarms": {}}
    base = {**state, "at": MIDNIGHT}
    # On a disk that is read-only it stays as it is.
    assert load_read_only(path) == Loaded(state, 9, 7, base)
    with closing(Store(path)) as store:
        assert store.load() == Loaded(state, 9, 7, base)
        assert history_of(path) == before
        recorder = TrendRecorder()
        recorder.take([Look("pack/alder", trend=Trend(MIDNIGHT + 300, {"soc_pct": 60.0}))])
        store.save(state, [], 12, is_base=True)
        run = recorder.take_run().packed()
        store.keep(Kept(None, 12, float("-inf"), 10**12, trends=run))
        assert store.load() == Loaded(state, 12, 12, state, run.open)
    with History(path) as history:
        assert [t.at for t in history.trends("pack/alder")] == [MIDNIGHT + 300]


@pytest.mark.parametrize("before", [of_version_2, of_version_3])
def test_a_file_that_went_through_the_steps_is_as_one_begun_today(
    tmp_path: Path, before: Callable[[Path], None]
) -> None:
    before(tmp_path / "old.db")
    for name in ("old.db", "new.db"):
        Store(tmp_path / name).close()
    assert tables(tmp_path / "old.db") == tables(tmp_path / "new.db")


def test_a_step_from_version_3_is_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "watchd.db"
    of_version_3(path)
    before = tables(path)
    with monkeypatch.context() as patch:
        patch.setitem(schema.STEPS, 4, schema.STEPS[4] + ";\nCREATE TABLE trends (twice)")
        with pytest.raises(sqlite3.OperationalError):
            Store(path)
    assert tables(path) == before
    Store(path).close()
    with closing(sqlite3.connect(path)) as db:
        assert schema.version_of(db) == 4


def test_a_step_that_ends_in_the_middle_leaves_the_version_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "watchd.db"
    of_version_2(path)
    before = tables(path)
    with monkeypatch.context() as patch:
        patch.setitem(schema.STEPS, 3, schema.STEPS[3] + ";\nCREATE TABLE kept (twice)")
        with pytest.raises(sqlite3.OperationalError):
            Store(path)
    assert tables(path) == before
    with closing(Store(path)) as store:
        assert store.load().state is not None


@pytest.mark.parametrize("in_wal", [False, True])
def test_a_file_of_a_newer_version_is_not_touched(tmp_path: Path, in_wal: bool) -> None:
    path = tmp_path / "watchd.db"
    Store(path).close()
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version={schema.SCHEMA + 1}")
        db.commit()
        if not in_wal:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        before = path.read_bytes()
        with pytest.raises(DamagedError, match="it is of version 5; this watchd knows 4") as told:
            Store(path)
        assert told.value.newer
        assert path.read_bytes() == before


texts = st.text(max_size=30)
plain = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=8,
)


@settings(derandomize=True, database=None, max_examples=40, deadline=None)
@given(
    state=st.dictionaries(texts, plain, max_size=4),
    journal=st.lists(st.tuples(st.floats(0, 1e10), texts, plain), max_size=5),
    blocks=st.lists(st.tuples(st.floats(0, 1e10), st.binary(max_size=40)), max_size=5),
)
def test_whatever_version_2_held_is_there_in_its_order(
    state: dict[str, Any], journal: list[tuple[float, str, Any]], blocks: list[tuple[float, bytes]]
) -> None:
    entries = [cast("JournalEntry", {"at": a, "alarm": n, "more": m}) for a, n, m in journal]
    with TemporaryDirectory() as folder:
        path = Path(folder) / "watchd.db"
        of_version_2(path)
        with closing(sqlite3.connect(path)) as db, db:
            db.execute("UPDATE snapshot SET state = ?", (json.dumps(state),))
            db.execute("DELETE FROM journal")
            db.execute("DELETE FROM telemetry")
            db.executemany(
                "INSERT INTO journal (at, alarm, entry) VALUES (?, ?, ?)",
                [(e["at"], e["alarm"], json.dumps(e)) for e in entries],
            )
            db.executemany("INSERT INTO telemetry (last_at, lines) VALUES (?, ?)", blocks)
        with closing(Store(path)) as store:
            assert store.load().state == state
            assert store.entries(None, 0.0, 10) == entries
        assert list(read_telemetry(path)) == [Block(*block) for block in blocks]
