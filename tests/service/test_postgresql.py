"""What daemons share in PostgreSQL, on a real server: states that move, the journal, an outage."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.core.test_bank_parts import BANKS, TWO, lived, saved
from tests.scene import START, config_of
from tests.service import postgresql
from tests.service.postgresql import Server
from watchd.config import Config
from watchd.messages import JournalEntry
from watchd.own_rules import Fault
from watchd.shell.store import shared as module
from watchd.shell.store.archive import Archive
from watchd.shell.store.postgresql import NewerError, Tables
from watchd.shell.store.shared import Shared

psycopg = pytest.importorskip("psycopg", reason="needs the extra fleet")
pytestmark = pytest.mark.postgresql


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    programs = postgresql.programs()
    if programs is None:
        pytest.skip("no PostgreSQL server on this machine")
    with postgresql.server(programs) as found:
        yield found


@pytest.fixture
def conninfo(server: Server) -> Iterator[str]:
    """A database in which nothing stands yet."""
    yield server.conninfo
    with psycopg.connect(server.conninfo) as db:
        db.execute("DROP TABLE IF EXISTS watchd_bank, watchd_journal, watchd_schema")


def entry(number: int, alarm: str = "cell-high/pack/birch") -> JournalEntry:
    found: Any = {"at": START + number, "alarm": alarm, "event": "raised", "text": "high"}
    return found  # type: ignore[no-any-return] # of what the journal holds, this is enough here


def journal(conninfo: str) -> list[tuple[Any, ...]]:
    with psycopg.connect(conninfo) as db:
        rows = db.execute("SELECT instance, bank, alarm FROM watchd_journal ORDER BY id")
        return list(rows)


def test_a_bank_is_taken_over_with_its_state(conninfo: str) -> None:
    state = saved(lived(config_of(TWO)))
    first = Shared(conninfo, 1, BANKS)
    first.state(state)
    first.journal(entry(1))
    assert first.is_due()
    assert first.write()
    assert not first.is_due()
    other = Shared(conninfo, 2, BANKS)
    found = other.load(["barn", "mill"])
    assert set(found) == {"barn"}
    assert found["barn"]["packs"]["birch"] == state["packs"]["birch"]
    assert journal(conninfo) == [(1, "barn", "cell-high/pack/birch")]
    first.close()
    other.close()


def test_an_older_state_takes_the_place_of_no_newer_one(conninfo: str) -> None:
    tables = Tables(conninfo)
    tables.save(1, {"hut": {"at": 20.0, "of": "new"}}, [])
    tables.save(2, {"hut": {"at": 10.0, "of": "old"}}, [])
    assert tables.states(["hut"])["hut"]["of"] == "new"
    tables.close()


def test_what_is_told_again_after_a_crash_stands_once(conninfo: str) -> None:
    tables = Tables(conninfo)
    for _ in range(2):
        tables.save(
            1, {}, [("barn", entry(1)), ("barn", entry(2)), (None, entry(1, "x/service/y"))]
        )
    assert len(journal(conninfo)) == 3
    tables.close()


def test_tables_of_a_newer_watchd_are_left_alone(conninfo: str) -> None:
    Tables(conninfo).close()
    with psycopg.connect(conninfo) as db:
        db.execute("INSERT INTO watchd_schema VALUES (99)")
    with pytest.raises(NewerError, match="version 99"):
        Tables(conninfo)
    shared = Shared(conninfo, 1, BANKS)
    assert shared.load(["barn"]) == {}
    assert "newer watchd" in (shared.fault() or "")


def test_while_the_server_is_away_some_waits_and_then_all_is_written(
    server: Server, conninfo: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_ENTRIES", 3)
    monkeypatch.setattr(module, "FIRST_PAUSE_S", 0.0)
    shared = Shared(conninfo, 1, BANKS)
    shared.journal(entry(0))
    assert shared.write()
    server.stop()
    try:
        shared.state(saved(lived(config_of(TWO))))
        for number in range(1, 6):
            shared.journal(entry(number))
        assert not shared.write()
        fault = shared.fault() or ""
        assert fault.startswith("PostgreSQL: ")
        assert "the oldest of the journal is dropped" in fault
    finally:
        server.start()
    # Its connection is of the server before.
    assert shared.write() or shared.write()
    assert shared.fault() is None
    assert len(journal(conninfo)) == 1 + 3
    assert set(shared.load(["hut", "barn"])) == {"hut", "barn"}
    shared.close()


@pytest.mark.parametrize(
    ("text", "why"),
    [
        # As psycopg 3 and libpq 15 word them.
        (
            (
                'connection failed: connection to server at "127.0.0.1", port 5432 failed: FATAL:  '
                'password authentication failed for user "watchd"\n'
                'password retrieved from file "/etc/watchd/pgpass"'
            ),
            "password authentication failed",
        ),
        (
            (
                'connection failed: connection to server at "127.0.0.1", port 5432 failed: '
                "Connection refused\n\tIs the server running on that host and accepting TCP/IP "
                "connections?"
            ),
            "Connection refused",
        ),
        ('relation "watchd_bank" does not exist\nLINE 1: SELECT\n        ^', "does not exist"),
        ("", "OperationalError"),
    ],
)
def test_a_fault_says_why(text: str, why: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuses(_conninfo: str) -> Tables:
        raise psycopg.OperationalError(text)

    monkeypatch.setattr(module, "Tables", refuses)
    shared = Shared("host=db", 1, BANKS)
    assert shared.load(["barn"]) == {}
    assert why in (shared.fault() or "")
    shared.close()


def test_a_state_that_comes_during_a_write_waits_for_the_next(
    conninfo: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    shared = Shared(conninfo, 1, BANKS)
    state = saved(lived(config_of(TWO)))
    save = Tables.save

    def slow(self: Tables, *given: Any) -> None:
        shared.state({**state, "at": state["at"] + 60})
        save(self, *given)

    monkeypatch.setattr(Tables, "save", slow)
    shared.state(state)
    assert shared.write()
    assert shared.is_due()
    monkeypatch.undo()
    assert shared.write()
    assert shared.load(["hut"])["hut"]["at"] == state["at"] + 60
    shared.close()


def of(conninfo: str, path: Path) -> Config:
    return config_of(f'{TWO}\nstore: {{path: {path}, postgresql: "{conninfo}"}}')


async def test_a_daemon_takes_what_its_own_file_does_not_know(
    conninfo: str, tmp_path: Path
) -> None:
    state = saved(lived(config_of(TWO)))
    before = of(conninfo, tmp_path / "a.db")
    archive = Archive(before.store)
    assert archive.shares(before, 1) == {}
    archive.wants_base()
    await archive.write({"at": state["at"], "step_s": 0.0, "engine": state}, last=True, upto=1)
    await archive.write_shared()
    archive.close()

    # The same daemon again: its own file knows as much.
    again = Archive(before.store)
    assert again.shares(before, 1) == {}
    again.close()

    # Another, to which both banks have come.
    after = of(conninfo, tmp_path / "b.db")
    other = Archive(after.store)
    assert set(other.shares(after, 2)) == {"hut", "barn"}
    other.close()


async def test_an_outage_is_told_beside_the_file_and_ends(
    server: Server, conninfo: str, tmp_path: Path
) -> None:
    config = of(conninfo, tmp_path / "a.db")
    server.stop()
    try:
        archive = Archive(config.store)
        assert archive.shares(config, 1) == {}
        ((what, why),) = archive.take_faults()
        assert what is Fault.STORE
        assert why is not None
        assert why.startswith("PostgreSQL: ")
        assert archive.take_faults() == []
        # The file goes on as if nothing were.
        assert await archive.write({"at": START, "engine": {}}, last=True, upto=1)
    finally:
        server.start()
    archive._shared._retry_at = 0.0  # type: ignore[union-attr] # without the pause
    await archive.write_shared()
    assert archive.take_faults() == [(Fault.STORE, None)]
    archive.close()
