"""A store that is damaged, refuses or is away: what is kept, what is told, and that it goes on."""

from __future__ import annotations

import errno
import os
import random
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any, cast

import pytest

from watchd import config as schema
from watchd.messages import JournalEntry
from watchd.own_rules import Fault
from watchd.requests import JournalQuery
from watchd.shell.store import Block, DamagedError, Kept, Loaded, Store, read_telemetry
from watchd.shell.store import disk as disks
from watchd.shell.store import waiting as waitings
from watchd.shell.store.archive import CLOCK_TRUSTED_AFTER_S, Archive
from watchd.shell.store.check import Check
from watchd.shell.store.damage import salvaged_journal, salvaged_state, set_aside
from watchd.shell.store.reasons import reason

QUERY = JournalQuery(None, 0.0, "answers/me", b"")
STATE: dict[str, Any] = {"version": 1, "at": 5.0}


def entry(at: float) -> JournalEntry:
    return cast(
        "JournalEntry", {"at": at, "alarm": "a/pack/b", "event": "raised", "text": "x" * 90}
    )


def archive(path: Path, **setting: Any) -> Archive:
    return Archive(schema.Store(path=str(path), **setting))


def filled(path: Path, entries: int = 500) -> None:
    """A store with a state, some pages of journal and some of telemetry."""
    with closing(Store(path)) as store:
        store.save(STATE, [entry(float(n)) for n in range(entries)], 7)
        for n in range(20):
            noise = Block(float(n), random.Random(n).randbytes(9000))
            store.keep(Kept(noise, 6, float("-inf"), 10_000_000))


def pages_of(path: Path, table: str) -> list[int]:
    """Where the pages of a table are, as SQLite's own table tells; skips where it was left out."""
    with closing(sqlite3.connect(path)) as db:
        try:
            found = db.execute("SELECT pageno FROM dbstat WHERE name = ?", (table,)).fetchall()
        except sqlite3.OperationalError:
            pytest.skip("this SQLite has no dbstat")
    return [number for (number,) in found]


def damage(path: Path, pages: list[int]) -> None:
    """Random bytes over pages; the first is 1."""
    data = bytearray(path.read_bytes())
    for number in pages:
        data[(number - 1) * 4096 : number * 4096] = random.Random(number).randbytes(4096)
    path.write_bytes(data)


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir() if not p.name.endswith(("-wal", "-shm")))


# --- setting aside ---


def test_names_never_collide_and_the_three_newest_stay(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    deleted = []
    for n in range(5):
        path.write_bytes(b"%d" % n)
        (tmp_path / "watchd.db-wal").write_bytes(b"wal %d" % n)
        deleted.append(set_aside(path, DamagedError("x"), 1_795_642_200.0).deleted)
    assert deleted == [0, 0, 0, 1, 1]
    assert all(name.startswith("watchd.db.damaged-20261125T213000Z") for name in names(tmp_path))
    assert {(tmp_path / name).read_bytes() for name in names(tmp_path)} == {b"2", b"3", b"4"}
    for name in names(tmp_path):
        wal = (tmp_path / f"{name}-wal").read_bytes()
        assert wal == b"wal " + (tmp_path / name).read_bytes()
    assert len(list(tmp_path.iterdir())) == 6


def test_one_set_aside_while_the_clock_is_wrong_stays(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    for n, now in enumerate((4e9, 3e9, 2e9, 0.0)):
        path.write_bytes(b"%d" % n)
        set_aside(path, DamagedError("x"), now)
    assert [(tmp_path / name).read_bytes() for name in names(tmp_path)] == [b"3", b"2", b"1"]


def test_a_newer_one_is_not_counted_nor_deleted(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    for n in range(5):
        path.write_bytes(b"whole")
        set_aside(path, DamagedError("newer", newer=True), float(n))
    assert len(names(tmp_path)) == 5
    assert all(".newer-1970" in name for name in names(tmp_path))


# --- what a damaged file still gives ---


def test_state_and_journal_come_out_of_a_file_with_damaged_telemetry(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    filled(path)
    damage(path, pages_of(path, "telemetry"))
    assert salvaged_state(path) == (STATE, 7)
    assert [e["at"] for e in salvaged_journal(path)] == [float(n) for n in range(500)]


def test_a_damaged_page_of_the_journal_costs_only_what_is_on_it(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    filled(path)
    leaves = pages_of(path, "journal")
    damage(path, leaves[len(leaves) // 2 : len(leaves) // 2 + 1])
    found = [e["at"] for e in salvaged_journal(path)]
    assert (found[0], found[-1]) == (0.0, 499.0)
    assert 450 < len(found) < 500
    assert found == sorted(found)


@pytest.mark.parametrize("content", [None, b"", b"no database" * 900])
def test_nothing_comes_out_of_what_is_no_database(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "watchd.db"
    if content is not None:
        path.write_bytes(content)
    assert salvaged_state(path) == (None, 0)
    assert salvaged_journal(path) == []


def test_a_state_of_version_2_comes_out_too(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    with closing(sqlite3.connect(path)) as db:
        db.executescript(Path(__file__).with_name("store_version_2.sql").read_text("utf-8"))
    state, upto = salvaged_state(path)
    assert (state or {})["at"] == 1790000003.0
    assert upto == 0


# --- damage at the start ---


async def test_a_state_that_cannot_be_read_costs_no_journal(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    filled(path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE snapshot SET state = x'00'")
    kept = archive(path)
    assert kept.load() == Loaded(None, 0, 0)
    assert kept.is_due(), "the journal is taken over, and a state saved, at once"
    kept.journal(entry(1000.0))
    assert await kept.write(STATE, upto=3)
    (told,) = kept.take_faults()
    assert told[0] is Fault.DAMAGE
    for words in (
        "damaged (the saved state cannot be read: not packed as it should be); kept as watchd.db.d",
        "taken over: 500 journal entries; telemetry before is in that file alone",
    ):
        assert words in (told[1] or "")
    assert len(told[1] or "") < 300, "the alarm shows 300 characters"
    answer = await kept.answer(QUERY)
    assert [e["at"] for e in answer["entries"]] == [*(float(n) for n in range(500)), 1000.0]
    # Once the keeper is told, the condition is over; the alarm latches.
    assert await kept.write(STATE, upto=4)
    assert kept.take_faults() == [(Fault.DAMAGE, None)]
    kept.close()
    with closing(Store(path)) as store:
        assert store.load() == Loaded(STATE, 4, 0)


async def test_a_damaged_file_that_gives_its_state_is_gone_on_from(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    filled(path)
    # The index of telemetry is nothing that a start reads: the check finds it.
    damage(path, pages_of(path, "telemetry"))
    kept = archive(path)
    assert kept.load() == Loaded(STATE, 7, 6)
    checked(kept)
    assert kept.is_due()
    assert await kept.write({"version": 1, "at": 6.0}, upto=9)
    (told,) = kept.take_faults()
    assert told[0] is Fault.DAMAGE
    assert "taken over: 500 journal entries" in (told[1] or "")
    kept.close()
    with closing(Store(path)) as store:
        assert store.load() == Loaded({"version": 1, "at": 6.0}, 9, 0)
    assert len(names(tmp_path)) == 2


def checked(kept: Archive) -> None:
    """Wait until the file was looked through."""
    check = kept._disk._check
    assert check is not None
    check.wait()


def test_the_check_of_a_whole_file_finds_nothing_and_can_be_ended(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    filled(path)
    check = Check(path)
    check.wait()
    assert check.found is None
    Check(path).stop()
    before = threading.active_count()
    kept = archive(path)
    kept.close()
    assert threading.active_count() == before


async def test_a_newer_file_is_put_aside_unread_and_unchanged(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    filled(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version=9")
    before = path.read_bytes()
    kept = archive(path)
    assert kept.load() == Loaded(None, 0, 0)
    assert await kept.write(STATE)
    (told,) = kept.take_faults()
    assert told[0] is Fault.DAMAGE
    assert (told[1] or "").startswith(
        "it is of version 9; this watchd knows 4; kept as watchd.db.ne"
    )
    kept.close()
    aside = next(p for p in tmp_path.iterdir() if ".newer-" in p.name)
    assert aside.read_bytes() == before


# --- damage while it runs ---


async def test_damage_that_a_write_meets_loses_no_entry_that_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "watchd.db"
    kept = archive(path)
    kept.journal(entry(1.0))
    assert await kept.write(STATE, upto=1)
    keep, times = Store.keep, []

    def malformed(store: Store, what: Kept) -> None:
        times.append(what)
        if len(times) == 1:
            raise DamagedError("database disk image is malformed")
        keep(store, what)

    monkeypatch.setattr(Store, "keep", malformed)
    kept.journal(entry(2.0))
    kept.record("hut/alder/state", b"{}", 2.0, retained=False)
    assert await kept.write(STATE, last=True, upto=2)
    assert [e["at"] for e in (await kept.answer(QUERY))["entries"]] == [1.0, 2.0]
    assert len(list(read_telemetry(path))) == 1
    assert [what for what, _ in kept.take_faults()] == [Fault.DAMAGE]
    kept.close()
    with closing(Store(path)) as store:
        assert store.load() == Loaded(STATE, 2, 2, STATE)


async def test_a_file_that_was_deleted_is_begun_anew(tmp_path: Path) -> None:
    path = tmp_path / "store" / "watchd.db"
    kept = archive(path)
    assert await kept.write(STATE)
    for found in path.parent.iterdir():
        found.unlink()
    path.parent.rmdir()
    assert await kept.write({"at": 6.0}, upto=2)
    assert kept.take_faults() == [
        (Fault.DAMAGE, "the file was deleted while watchd ran; what it held is lost")
    ]
    kept.close()
    with closing(Store(path)) as store:
        assert store.load().state == {"at": 6.0}


# --- a disk that refuses ---


def refused(code: int, text: str) -> Callable[..., None]:
    def refuse(*_: object, **__: object) -> None:
        error = sqlite3.OperationalError(text)
        error.sqlite_errorcode = code
        raise error

    return refuse


async def test_a_full_disk_is_told_once_and_tried_again_with_a_growing_pause(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = 1000.0
    monkeypatch.setattr("watchd.shell.store.archive.time.monotonic", lambda: now)
    kept = archive(tmp_path / "watchd.db")
    full = refused(sqlite3.SQLITE_FULL, "database or disk is full")
    pauses = []
    with monkeypatch.context() as patch:
        patch.setattr(Store, "save", full)
        kept.journal(entry(1.0))
        now += 2
        for _ in range(12):
            assert kept.is_due()
            assert not await kept.write(STATE)
            began = now
            while not kept.is_due():
                now += 1
            pauses.append(now - began)
        assert kept.take_faults() == [(Fault.STORE, "the disk is full")]
        assert pauses == [2, 4, 8, 16, 32, 64, 128, 256, 300, 300, 300, 300]
        kept.journal(entry(2.0))
    assert await kept.write(STATE)
    assert kept.take_faults() == [(Fault.STORE, None)]
    assert [e["at"] for e in (await kept.answer(QUERY))["entries"]] == [1.0, 2.0]
    assert not kept.is_due()
    kept.close()


async def test_a_connection_of_a_read_only_moment_is_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(disks, "FIRST_PAUSE_S", 0.0)
    kept = archive(tmp_path / "watchd.db")
    kept.journal(entry(1.0))
    assert await kept.write(STATE)
    store = kept._disk._store
    assert store is not None
    store._db.execute("PRAGMA query_only=1")
    kept.journal(entry(2.0))
    assert not await kept.write(STATE)
    (told,) = kept.take_faults()
    assert told[0] is Fault.STORE
    answer = await kept.answer(QUERY)
    assert [e["at"] for e in answer["entries"]] == [1.0, 2.0], "it can still be read"
    assert await kept.write(STATE)
    kept.close()


async def test_what_waits_is_bounded_and_what_went_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(disks, "FIRST_PAUSE_S", 0.0)
    monkeypatch.setattr(waitings, "MOST_ENTRIES", 3)
    monkeypatch.setattr(waitings, "MOST_BYTES", 5000)
    place = tmp_path / "store"
    place.write_text("a file where the folder belongs")
    kept = archive(place / "watchd.db")
    assert kept.load() == Loaded(None, 0, 0)
    for n in range(6):
        kept.journal(entry(float(n)))
        noise = random.Random(n).randbytes(2000)
        kept.record("hut/alder/state", noise, float(n), retained=False)
        assert not await kept.write(STATE, last=True, upto=n)
    told = [why for what, why in kept.take_faults() if what is Fault.STORE]
    assert told[0] == f"{place} is not a folder"
    assert told[1] == f"{told[0]}; memory is full of what waits, and the oldest is dropped"
    assert len(told) == 2
    place.unlink()
    assert await kept.write(STATE, last=True, upto=6)
    assert kept.take_faults() == [(Fault.STORE, None)]
    assert [e["at"] for e in (await kept.answer(QUERY))["entries"]] == [3.0, 4.0, 5.0]
    blocks = [b.last_at for b in read_telemetry(place / "watchd.db")]
    assert blocks[-1] == 5.0
    assert 0 < len(blocks) < 6
    kept.close()


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EROFS, "the disk is read-only"),
        (errno.EACCES, "no permission to write /store"),
        (errno.EDQUOT, "the disk quota is used up"),
        (errno.EIO, "the disk fails when it is read or written"),
        (errno.EMFILE, "Too many open files"),
    ],
)
def test_reasons_are_in_the_keepers_words(number: int, words: str) -> None:
    error = OSError(number, os.strerror(number))
    assert reason(Path("/store/watchd.db"), error) == words


def test_the_reason_behind_an_error_of_sqlite_is_looked_for(tmp_path: Path) -> None:
    path = tmp_path / "watchd.db"
    failed = sqlite3.OperationalError("disk I/O error")
    assert reason(path, failed) == "the disk fails: disk I/O error"
    assert reason(path / "watchd.db", failed) == f"the folder {path} is missing"
    path.mkdir()
    assert reason(path, failed) == f"{path} is a folder"
    failed.sqlite_errorcode = sqlite3.SQLITE_BUSY
    assert reason(path, failed) == "another program holds the file"


# --- a clock that is wrong ---


async def test_age_costs_nothing_for_a_day_after_a_start_or_a_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = 1000.0
    monkeypatch.setattr("watchd.shell.store.archive.time.monotonic", lambda: now)
    path = tmp_path / "watchd.db"
    kept = archive(path, keep_raw="1 h")

    async def message(at: float) -> list[float]:
        kept.record("hut/alder/state", b"{}", at, retained=False)
        await kept.write(STATE, last=True)
        return [b.last_at for b in read_telemetry(path)]

    assert await message(1.79e9) == [1.79e9]
    kept.clock_was_set()
    assert await message(4.1e9) == [1.79e9, 4.1e9]
    now += CLOCK_TRUSTED_AFTER_S - 1
    assert await message(4.1e9 + 80_000) == [1.79e9, 4.1e9, 4.1e9 + 80_000]
    now += 2
    assert await message(4.1e9 + 80_001) == [4.1e9 + 80_000, 4.1e9 + 80_001]
    kept.clock_was_set()
    now += 10
    assert len(await message(1.79e9)) == 3
    kept.close()
