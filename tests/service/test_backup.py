"""`watchd backup`: a copy of the store while the service runs."""

from __future__ import annotations

import json
import random
import sqlite3
import threading
from contextlib import closing
from pathlib import Path
from typing import Any, cast

import pytest

from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener, retained
from tests.service.commandline import EVEN, HIGH, Run, process
from tests.service.daemon import Start
from tests.service.hut import ALARM, ANNUNCIATION, FIGURES, REQUEST, write_config
from tests.service.patience import until
from watchd.messages import JournalEntry
from watchd.shell.store import Block, Kept, Loaded, Store, read_telemetry
from watchd.shell.store import backup as backups
from watchd.shell.store.backup import back_up
from watchd.shell.store.schema import SCHEMA

PLENTY = 100_000_000


def entry(at: float) -> JournalEntry:
    return cast("JournalEntry", {"at": at, "alarm": "a/pack/b"})


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return write_config(tmp_path, 1883)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store in which something is."""
    path = tmp_path / "store" / "watchd.db"
    with closing(Store(path)) as found:
        found.save({"at": 1_790_000_000.0}, [entry(1.0), entry(2.0)], 7)
        for n in range(3):
            block = Block.of(1_790_000_000.0 + 300 * n, [b"{}"])
            found.keep(Kept(block, 6, 0.0, PLENTY))
    return path


def left_beside(target: Path) -> list[str]:
    return [p.name for p in target.parent.iterdir() if target.name in p.name and p != target]


def test_it_says_what_the_copy_holds(
    command: Run, config: Path, store: Path, tmp_path: Path
) -> None:
    target = tmp_path / "copy.db"
    done = command("backup", target, "--config", config)
    assert (done.code, done.err) == (0, "")
    first, *rest = done.out.splitlines()
    assert first.startswith(f"{target}: 0.1 MB, looked through and whole")
    assert rest == [
        "  state      2026-09-21T14:13:20.000Z",
        "  journal    2 entries",
        "  telemetry  2026-09-21T14:13:20.000Z to 2026-09-21T14:23:20.000Z, 3 blocks",
    ]
    assert left_beside(target) == []
    with closing(Store(target)) as copy:
        assert copy.load() == Loaded({"at": 1_790_000_000.0}, 7, 6)
        assert len(copy.entries(None, 0.0, 9)) == 2
    told = json.loads(command("backup", target, "-c", config, "--force", "--json").out)
    assert told["file"] == str(target)
    assert (told["journal_entries"], told["telemetry_blocks"], told["version"]) == (2, 3, SCHEMA)
    assert store.exists()


def test_an_empty_store_has_none_of_it(command: Run, config: Path, tmp_path: Path) -> None:
    Store(tmp_path / "store" / "watchd.db").close()
    done = command("backup", tmp_path / "copy.db", "--config", config)
    assert [line.split() for line in done.out.splitlines()[1:]] == [
        ["state", "none"],
        ["journal", "0", "entries"],
        ["telemetry", "none"],
    ]


@pytest.mark.parametrize(
    ("target", "why"),
    [
        ("there.db", "exists already; --force replaces it"),
        ("store", "is a folder; name a file in it"),
        ("away/copy.db", "there is no folder {folder}/away"),
        ("store/watchd.db", "is the store itself"),
    ],
)
def test_it_refuses_in_one_line_and_changes_nothing(
    command: Run, config: Path, store: Path, tmp_path: Path, target: str, why: str
) -> None:
    (tmp_path / "there.db").write_text("of mine")
    before = store.read_bytes()
    options = () if target == "there.db" else ("--force",)
    done = command("backup", tmp_path / target, "--config", config, *options)
    assert done.code == 2
    assert done.err == f"{tmp_path / target}: {why.format(folder=tmp_path)}\n"
    assert (tmp_path / "there.db").read_text() == "of mine"
    assert store.read_bytes() == before


def test_where_there_is_no_store(command: Run, config: Path, tmp_path: Path) -> None:
    done = command("backup", tmp_path / "copy.db", "--config", config)
    store = tmp_path / "store" / "watchd.db"
    assert done.code == 2
    assert done.err == f"{store}: cannot be copied: No such file or directory\n"
    assert left_beside(tmp_path / "copy.db") == []


def test_a_damaged_store_replaces_no_copy(
    command: Run, config: Path, store: Path, tmp_path: Path
) -> None:
    target = tmp_path / "copy.db"
    target.write_text("the last good one")
    data = bytearray(store.read_bytes())
    data[4096 * 3 :] = random.Random(1).randbytes(len(data) - 4096 * 3)
    store.write_bytes(data)
    done = command("backup", target, "--config", config, "--force")
    assert done.code == 1
    assert done.err.startswith(f"{store}: not copied: the store is damaged: ")
    assert len(done.err.splitlines()) == 1
    assert target.read_text() == "the last good one"
    assert left_beside(target) == []


def test_writes_meanwhile_neither_wait_nor_begin_it_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, target = tmp_path / "watchd.db", tmp_path / "copy.db"
    monkeypatch.setattr(backups, "PAGES", 8)
    steps: list[int] = []
    with closing(Store(source)) as store:
        store.save({"at": 0.0}, [entry(0.0)], 0)
        for n in range(20):
            noise = Block(float(n), random.Random(n).randbytes(20_000))
            store.keep(Kept(noise, 0, 0.0, PLENTY))

        def write(_done: int, total: int) -> None:
            # As the service does between two steps of the copy, from a thread of its own.
            steps.append(total)
            assert len(steps) < 500, "it begins anew for ever"
            other = threading.Thread(target=store.save, args=({"at": 1.0}, [entry(1.0)], 1))
            other.start()
            other.join()

        copied = back_up(source, target, progress=write)
    assert (copied.saved_at, copied.journal_entries, copied.telemetry_blocks) == (0.0, 1, 20)
    assert len(steps) <= steps[0] // 8 + 2, "each page was copied once"
    with closing(Store(target)) as copy:
        assert copy.load().state == {"at": 0.0}


@pytest.mark.broker
def test_a_copy_taken_while_a_daemon_writes_can_be_started_from(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    config = write_config(tmp_path, broker.port)
    store, copy = tmp_path / "store" / "watchd.db", tmp_path / "copy.db"
    first = watchd(config)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH, birch=EVEN)
        listener(ALARM, bool)
        listener.send(REQUEST, {"do": "acknowledge", "alarm": "cell-high/pack/alder"})
        listener(ALARM, lambda d: d["state"] == "acknowledged")

        def copied() -> dict[str, Any] | None:
            done = process("backup", copy, "--config", config, "--force", "--json")
            told: dict[str, Any] = json.loads(done.out) if done.code == 0 else {}
            return told if told.get("journal_entries") == 2 else None

        assert until(copied, "a copy with both changes of the alarm")["telemetry_blocks"] <= 1
        assert first.process.poll() is None
        first.kill()
    for part in ("-wal", "-shm"):
        store.with_name(store.name + part).unlink(missing_ok=True)
    copy.replace(store)
    second = watchd(config)
    second.works()
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH, birch=EVEN)
        listener(FIGURES, lambda d: d["figures"]["cell_max_v"] == 3.48)
        listener.hear_all()
        assert retained(broker.port, "watchd/#")[ALARM].data["state"] == "acknowledged"
        assert not listener.on(ANNUNCIATION)
    assert second.stop()[0] == 0
    with closing(sqlite3.connect(store)) as db:
        assert db.execute("PRAGMA quick_check").fetchone() == ("ok",)
    assert not [b for b in read_telemetry(store) if not b.unpacked()]
