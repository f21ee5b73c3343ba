"""What is kept over a restart."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.scene import Scene, cells, leading, pack, rules_of
from tests.service.hut import RULES
from watchd.engine import Engine
from watchd.shell.store import DamagedError, Kept, Loaded, Store
from watchd.shell.store.contents import pack_text
from watchd.shell.store.schema import STEPS

NOTHING_BY_AGE = float("-inf")
PLENTY = 10_000_000
STATE = {"version": 1, "at": 1.5, "text": "°C and \u2028", "list": [None, True, {"a": 0.1}]}


def test_there_and_back_over_a_new_start(tmp_path: Path) -> None:
    path = tmp_path / "new" / "folder" / "watchd.db"
    with closing(Store(path)) as store:
        assert store.load() == Loaded(None, 0, 0)
        store.save({"version": 0}, [], 3)
        store.save(STATE, [], 7)
        store.keep(Kept(None, 5, NOTHING_BY_AGE, PLENTY))
        assert store.load() == Loaded(STATE, 7, 5)
    with closing(Store(path)) as store:
        assert store.load() == Loaded(STATE, 7, 5)


def test_an_engine_goes_on_from_what_was_stored(tmp_path: Path) -> None:
    hut = Scene(rules_of(RULES))
    hut.run(minutes=2, alder=pack(cell_v=leading(3.42, by_mv=60)), birch=pack(cell_v=cells()))
    before = hut.engine.snapshot()
    with closing(Store(tmp_path / "watchd.db")) as store:
        store.save(before)
        state = store.load().state
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
            assert another.load().state == STATE


def put(path: Path, packed: Any) -> None:
    with closing(Store(path)) as store:
        store.save({})
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE snapshot SET state = ?", (packed,))


@pytest.mark.parametrize("text", [b"", b"{", b"\x00", b"[" * 100_000, b"\xff\xfe\xfd"])
@pytest.mark.parametrize("pack", [pack_text, bytes], ids=["packed", "not even packed"])
def test_a_state_that_is_no_json(
    tmp_path: Path, text: bytes, pack: Callable[[bytes], bytes]
) -> None:
    put(tmp_path / "watchd.db", pack(text))
    with closing(Store(tmp_path / "watchd.db")) as store, pytest.raises(DamagedError):
        store.load()


@pytest.mark.parametrize("text", [b"[]", b"null", b"7", b'"text"'])
def test_a_state_that_is_no_mapping_counts_as_none(tmp_path: Path, text: bytes) -> None:
    put(tmp_path / "watchd.db", pack_text(text))
    with closing(Store(tmp_path / "watchd.db")) as store:
        assert store.load().state is None


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "the file is empty"),
        (b"SQLite format 3\0", "the file is cut off"),
        (b"no database" * 1000, "the file is not a database"),
    ],
)
def test_a_file_that_is_no_database(tmp_path: Path, content: bytes, why: str) -> None:
    path = tmp_path / "watchd.db"
    path.write_bytes(content)
    with pytest.raises(DamagedError, match=why):
        Store(path)
    assert path.read_bytes() == content


def test_a_database_with_a_damaged_page(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    with closing(Store(path)) as store:
        store.save({"text": str(list(range(5000)))})
    data = bytearray(path.read_bytes())
    data[4096:] = b"\xa5" * (len(data) - 4096)
    path.write_bytes(data)
    with pytest.raises(DamagedError), closing(Store(path)) as store:
        store.load()


def test_a_database_that_is_cut_in_half(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    with closing(Store(path)) as store:
        store.save(STATE)
    with path.open("r+b") as stream:
        stream.truncate(path.stat().st_size // 2)
    with pytest.raises(DamagedError, match="malformed"):
        Store(path)


def test_a_begun_store_appears_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "watchd.db"
    with monkeypatch.context() as patch:
        patch.setitem(STEPS, 3, STEPS[3] + ";\nno statement")
        with pytest.raises(sqlite3.OperationalError):
            Store(path)
    assert not path.exists()
    Store(path).close()
    assert [found.name for found in tmp_path.iterdir()] == ["watchd.db"]


@pytest.mark.parametrize("path", ["/proc/watchd/watchd.db", "/dev/null/watchd.db", "/"])
def test_a_place_where_nothing_can_be_kept(path: str) -> None:
    with pytest.raises((OSError, sqlite3.Error)):
        Store(Path(path))
