"""What is kept on the disk, and when it is written: journal, state, telemetry."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchd import config as schema
from watchd.commands.recorded import parse_line
from watchd.errors import Place
from watchd.messages import JournalEntry
from watchd.requests import JournalQuery
from watchd.shell.store import Block, Kept, Loaded, Store, file, read_telemetry
from watchd.shell.store import archive as archives
from watchd.shell.store.archive import Archive


def entry(at: float, alarm: str = "cell-high/pack/alder", **more: Any) -> JournalEntry:
    return cast("JournalEntry", {"at": at, "alarm": alarm, "event": "raised", **more})


def query(alarm: str | None = None, since: float = 0.0) -> JournalQuery:
    return JournalQuery(alarm, since, "answers/me", b"")


def full(*_words: object, **_more: object) -> None:
    error = sqlite3.OperationalError("database or disk is full")
    error.sqlite_errorcode = sqlite3.SQLITE_FULL
    raise error


def archive(path: Path, **setting: Any) -> Archive:
    return Archive(schema.Store(path=str(path), **setting))


async def test_the_journal_is_answered_before_and_after_it_is_written(tmp_path: Path) -> None:
    kept = archive(tmp_path / "watchd.db")
    kept.journal(entry(1.0))
    assert (await kept.answer(query()))["entries"] == [entry(1.0)]
    await kept.write({"version": 1})
    kept.journal(entry(2.0, "warm/pack/alder", text="°C \u2028", values={"words": ["OVER_VOLT"]}))
    kept.journal(entry(3.0))
    told = await kept.answer(query())
    assert [e["at"] for e in told["entries"]] == [1.0, 2.0, 3.0]
    await kept.write({"version": 1}, last=True)
    kept.close()
    again = archive(tmp_path / "watchd.db")
    assert (await again.answer(query()))["entries"] == told["entries"]
    assert [e["at"] for e in (await again.answer(query(since=2.0)))["entries"]] == [2.0, 3.0]
    of_one = await again.answer(query("cell-high/pack/alder", since=1.5))
    assert [e["at"] for e in of_one["entries"]] == [3.0]
    again.close()


async def test_what_a_full_disk_did_not_take_is_written_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = archive(tmp_path / "watchd.db")
    with monkeypatch.context() as patch:
        patch.setattr(Store, "save", full)
        kept.journal(entry(1.0))
        await kept.write({"version": 1})
        kept.journal(entry(2.0))
    await kept.write({"version": 1})
    kept.close()
    with closing(Store(tmp_path / "watchd.db")) as store:
        assert [e["at"] for e in store.entries(None, 0.0, 10)] == [1.0, 2.0]


async def test_telemetry_that_finds_no_room_takes_nothing_else_along(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = archive(tmp_path / "watchd.db")
    monkeypatch.setattr(Store, "keep", full)
    for at in (1.0, 2.0):
        kept.journal(entry(at))
        kept.record("hut/alder/state", b"{}", at, retained=False)
        await kept.write({"version": 1}, last=True)
    assert [e["at"] for e in (await kept.answer(query()))["entries"]] == [1.0, 2.0], "each once"
    kept.close()


async def test_what_comes_while_it_writes_is_not_taken_for_covered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "watchd.db"
    kept = archive(path)
    save = Store.save

    def meanwhile(store: Store, *words: Any, **more: Any) -> None:
        save(store, *words, **more)
        kept.journal(entry(2.0))
        kept.record("hut/alder/state", b"{}", 2.0, retained=False)

    kept.journal(entry(1.0))
    kept.record("hut/alder/state", b"{}", 1.0, retained=False)
    with monkeypatch.context() as patch:
        patch.setattr(Store, "save", meanwhile)
        assert await kept.write({"version": 1}, last=True, upto=1)
    with closing(Store(path)) as store:
        assert [e["at"] for e in store.entries(None, 0.0, 10)] == [1.0]
        assert store.load() == Loaded({"version": 1}, 1, 1, {"version": 1})
    assert [len(b.unpacked()) for b in read_telemetry(path)] == [1]
    assert [e["at"] for e in (await kept.answer(query()))["entries"]] == [1.0, 2.0], "each once"
    assert await kept.write({"version": 1}, last=True, upto=2)
    assert [len(b.unpacked()) for b in read_telemetry(path)] == [1, 1]
    kept.close()
    with closing(Store(path)) as store:
        assert [e["at"] for e in store.entries(None, 0.0, 10)] == [1.0, 2.0]
        assert store.load() == Loaded({"version": 1}, 2, 2, {"version": 1})


async def test_without_a_store_it_says_so() -> None:
    kept = archive(Path("/dev/null/watchd.db"))
    kept.journal(entry(1.0))
    kept.record("hut/alder/state", b"{}", 1.0, retained=False)
    assert not kept.is_due()
    await kept.write({"version": 1})
    told = await kept.answer(query())
    assert told == {
        "ok": False,
        "error": "the journal cannot be read: unable to open database file",
    }


def test_the_oldest_entries_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(file, "MOST_ENTRIES", 5)
    with closing(Store(tmp_path / "watchd.db")) as store:
        for first in range(0, 12, 3):
            store.save({}, [entry(float(first + n)) for n in range(3)])
        assert [e["at"] for e in store.entries(None, 0.0, 100)] == [7.0, 8.0, 9.0, 10.0, 11.0]
        assert [e["at"] for e in store.entries(None, 0.0, 2)] == [10.0, 11.0]


def test_telemetry_is_bounded_by_age(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    with closing(Store(path)) as store:
        for at in range(10):
            store.keep(Kept(Block.of(float(at), [b"%d" % at * 50]), at, at - 3.5, 1_000_000))
        assert [b.last_at for b in read_telemetry(path)] == [6.0, 7.0, 8.0, 9.0]
        assert [b.last_at for b in read_telemetry(path, 1.5)] == [8.0, 9.0]
        store.keep(Kept(Block.of(100.0, [b"x"]), 10, 93.5, 1_000_000))
        # A reader needs no leave of the one that writes.
        assert [b.last_at for b in read_telemetry(path)] == [100.0]


async def test_blocks_are_written_seldom(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now = 1000.0
    monkeypatch.setattr("watchd.shell.store.archive.time.monotonic", lambda: now)
    kept = archive(tmp_path / "watchd.db")
    blocks = []
    for _ in range(13):
        kept.record("hut/alder/state", b"{}", now, retained=False)
        await kept.write({"version": 1})
        blocks.append(len(list(read_telemetry(tmp_path / "watchd.db"))))
        now += 60
    assert blocks == [0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 2, 2, 2]
    await kept.write({"version": 1}, last=True)
    told = [line for b in read_telemetry(tmp_path / "watchd.db") for line in b.unpacked()]
    assert len(told) == 13
    kept.close()


async def test_a_state_that_takes_long_is_saved_less_often(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = 1000.0
    monkeypatch.setattr("watchd.shell.store.archive.time.monotonic", lambda: now)
    kept = archive(tmp_path / "watchd.db")
    saved = []
    for took_s in (0.001, 0.2):
        kept.state_took(took_s)
        kept.journal(entry(now))
        changed_at = now
        while not kept.is_due():
            now += 0.5
        saved.append(now - changed_at)
        await kept.write({"version": 1})
    assert saved == [1.0, 10.0], "it takes 2 % of the time"
    kept.close()


async def test_where_states_are_dear_a_block_may_be_larger(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archives, "BLOCK_BYTES", 1000)
    monkeypatch.setattr(archives, "LARGEST_BLOCK_BYTES", 8000)
    kept = archive(tmp_path / "watchd.db")
    for took_s, messages in ((0.001, 1), (0.1, 5), (10.0, 8)):  # 2 % of 5 s and of 500 s
        kept.state_took(took_s)
        found = 0
        while not kept.makes_base:
            kept.record("hut/alder/state", b"0" * 1000, 1.0, retained=False)
            found += 1
        assert found == messages
        await kept.write({"version": 1})
    kept.close()


async def test_what_comes_while_the_state_is_gathered_is_for_the_next_write(
    tmp_path: Path,
) -> None:
    """Its input is told again after a kill: written already, it would be there twice."""
    kept = archive(tmp_path / "watchd.db")

    def comes(at: float) -> None:
        kept.journal(entry(at))
        kept.record("hut/alder/state", b"{}", at, retained=False)

    async def gathered() -> dict[str, Any]:
        await asyncio.sleep(0)
        assert not kept.is_due(), "one at a time"
        comes(2.0)
        return {"version": 1}

    def written() -> tuple[list[float], list[float]]:
        with closing(Store(tmp_path / "watchd.db")) as store:
            entries = [e["at"] for e in store.entries(None, 0.0, 10)]
        blocks = read_telemetry(tmp_path / "watchd.db")
        return entries, [json.loads(line)["t"] for b in blocks for line in b.unpacked()]

    comes(1.0)
    assert await kept.write(gathered(), last=True, upto=1)
    assert written() == ([1.0], [1.0])
    assert await kept.write({"version": 1}, last=True, upto=2)
    assert written() == ([1.0, 2.0], [1.0, 2.0])
    kept.close()


async def test_a_block_larger_than_what_may_wait_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As that of very many packs is."""
    monkeypatch.setattr("watchd.shell.store.waiting.MOST_BYTES", 10)
    kept = archive(tmp_path / "watchd.db")
    kept.record("hut/alder/state", b"{}", 1.0, retained=False)
    await kept.write({"version": 1}, last=True)
    kept.close()
    assert len(list(read_telemetry(tmp_path / "watchd.db"))) == 1


async def test_a_flood_of_telemetry_does_not_wait_in_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("watchd.shell.store.archive.BLOCK_BYTES", 1000)
    kept = archive(tmp_path / "watchd.db")
    kept.record("hut/alder/state", b"0" * 900, 1.0, retained=False)
    assert not kept.overflows()
    kept.record("hut/alder/state", b"1" * 900, 2.0, retained=False)
    assert kept.overflows()
    kept.journal(entry(1.0))
    await kept.write(None)
    assert not kept.overflows()
    assert len(list(read_telemetry(tmp_path / "watchd.db"))) == 1
    assert len((await kept.answer(query()))["entries"]) == 1, "it waits for its state"
    kept.close()


async def test_none_is_kept_where_none_is_wanted(tmp_path: Path) -> None:
    kept = archive(tmp_path / "watchd.db", keep_raw="0 s")
    kept.record("hut/alder/state", b"{}", 1.0, retained=False)
    await kept.write({"version": 1}, last=True)
    assert list(read_telemetry(tmp_path / "watchd.db")) == []
    kept.close()


@settings(derandomize=True, database=None)
@given(
    topic=st.text(min_size=1, max_size=20),
    payload=st.binary(max_size=60) | st.text(max_size=30).map(str.encode),
    at=st.floats(0, 1e10),
    retained=st.booleans(),
)
def test_every_message_comes_back_byte_for_byte(
    topic: str, payload: bytes, at: float, retained: bool
) -> None:
    line = archives.line_of(topic, payload, at, retained=retained)
    assert b"\n" not in line
    message = parse_line(line, Place("history"))
    assert (message.t, message.payload, message.retained) == (at, payload, retained)
    assert message.topic == topic
    assert json.loads(line)["topic"] == topic
