"""What is kept over a restart."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.scene import Scene, cells, leading, pack, rules_of
from tests.service.hut import RULES
from watchd.engine import Engine
from watchd.shell.store import Store

STATE = {"version": 1, "at": 1.5, "text": "°C and \u2028", "list": [None, True, {"a": 0.1}]}


def test_there_and_back_over_a_new_start(tmp_path: Path) -> None:
    path = tmp_path / "new" / "folder" / "watchd.db"
    with closing(Store(path)) as store:
        assert store.load() is None
        store.save({"version": 0})
        store.save(STATE)
        assert store.load() == STATE
    with closing(Store(path)) as store:
        assert store.load() == STATE


def test_an_engine_goes_on_from_what_was_stored(tmp_path: Path) -> None:
    hut = Scene(rules_of(RULES))
    hut.run(minutes=2, alder=pack(cell_v=leading(3.42, by_mv=60)), birch=pack(cell_v=cells()))
    before = hut.engine.snapshot()
    with closing(Store(tmp_path / "watchd.db")) as store:
        store.save(before)
        state = store.load()
    engine = Engine(hut.config, rules_of(RULES), state=state)
    engine.tick(hut.now)
    assert [a.state for a in engine.alarms()] == [a.state for a in hut.engine.alarms()]
    assert engine.figures()["pack/alder"]["cell_max_v"] == 3.48


def test_what_is_saved_is_there_after_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    with closing(Store(path)) as store:
        store.save(STATE)
        # As after a kill: another process reads while this one has not closed the file.
        with closing(Store(path)) as another:
            assert another.load() == STATE


def put(path: Path, value: Any) -> None:
    with closing(Store(path)) as store:
        store.save({})
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE snapshot SET state = ?", (value,))


@pytest.mark.parametrize("text", ["", "{", "\x00", "[" * 100_000, b"\xff\xfe\xfd"])
def test_a_state_that_is_no_json(tmp_path: Path, text: str | bytes) -> None:
    put(tmp_path / "watchd.db", text)
    with closing(Store(tmp_path / "watchd.db")) as store, pytest.raises(ValueError):  # noqa: PT011
        store.load()


@pytest.mark.parametrize("text", ["[]", "null", "7", '"text"'])
def test_a_state_that_is_no_mapping_counts_as_none(tmp_path: Path, text: str) -> None:
    put(tmp_path / "watchd.db", text)
    with closing(Store(tmp_path / "watchd.db")) as store:
        assert store.load() is None


def test_a_file_that_is_no_database(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    path.write_bytes(b"no database" * 1000)
    with pytest.raises(sqlite3.DatabaseError):
        Store(path)


def test_a_database_with_a_damaged_page(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    with closing(Store(path)) as store:
        store.save({"text": "a" * 20_000})
    data = bytearray(path.read_bytes())
    data[4096:] = b"\xa5" * (len(data) - 4096)
    path.write_bytes(data)
    with pytest.raises((sqlite3.Error, ValueError)), closing(Store(path)) as store:
        store.load()


@pytest.mark.parametrize("path", ["/proc/watchd/watchd.db", "/dev/null/watchd.db", "/"])
def test_a_place_where_nothing_can_be_kept(path: str) -> None:
    with pytest.raises((OSError, sqlite3.Error)):
        Store(Path(path))
