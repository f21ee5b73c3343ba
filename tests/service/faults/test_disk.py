"""The disk under the store is full, read-only, away or damaged: the watching goes on."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener, retained
from tests.service.commandline import EVEN, HIGH
from tests.service.daemon import Daemon, Start
from tests.service.faults.small_disk import NoNamespaceError, SmallDisk
from tests.service.faults.table import Record, Stopwatch
from tests.service.hut import ALARM, FIGURES, REQUEST, write_config
from tests.service.patience import until
from watchd.shell.store import DamagedError, Kept, Store
from watchd.shell.store.schema import SCHEMA

pytestmark = pytest.mark.broker
long = pytest.mark.long

NOT_WRITTEN = "watchd/alarm/store-not-written/service/watchd"
SET_ASIDE = "watchd/alarm/store-set-aside/service/watchd"


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    """A disk of 1 MB."""
    try:
        with SmallDisk(tmp_path / "disk") as disk:
            yield disk
    except NoNamespaceError as error:
        pytest.skip(f"no disk of its own: {error}")


def on_disk(tmp_path: Path, port: int, disk: SmallDisk) -> tuple[Path, Path]:
    """A config with its store on the small disk, and that store as the test can reach it."""
    path = disk.place / "store" / "watchd.db"
    return write_config(tmp_path, port, store={"path": str(path)}), disk.seen(path)


@contextmanager
def copy_of(path: Path) -> Iterator[Store]:
    """The store as it is on the disk, opened elsewhere: SQLite does not see into a namespace."""
    with TemporaryDirectory() as folder:
        for part in ("-wal", ""):
            with suppress(FileNotFoundError):
                shutil.copy(path.with_name(path.name + part), Path(folder) / ("copy.db" + part))
        with closing(Store(Path(folder) / "copy.db")) as store:
            yield store


def state_of(path: Path) -> Any:
    """The state that is saved; None while there is none."""
    # What is copied between two writes may be no whole file; the next copy is.
    with suppress(DamagedError, sqlite3.Error), copy_of(path) as store:
        return store.load().state
    return None


def events(path: Path, alarm: str = "cell-high/pack/alder") -> list[str]:
    """What the journal says of an alarm."""
    with suppress(DamagedError, sqlite3.Error), copy_of(path) as store:
        return [str(e["event"]) for e in store.entries(alarm, 0.0, 100)]
    return []


def acknowledge(listener: Listener) -> None:
    listener.send(REQUEST, {"do": "acknowledge", "alarm": "cell-high/pack/alder"})
    listener(ALARM, lambda d: d and d["state"] == "acknowledged")


def saved_acknowledged(watchd: Start, config: Path, broker: BrokerProcess) -> None:
    """A run that leaves an acknowledged alarm in the store."""
    first = watchd(config)
    first.works()
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH, birch=EVEN)
        listener(ALARM, bool)
        acknowledge(listener)
    assert first.stop()[0] == 0


def raised(alarm: Any) -> bool:
    return bool(alarm and alarm["state"] == "unacknowledged")


def returned(alarm: Any) -> bool:
    return bool(alarm and alarm["state"] == "returned_unacknowledged")


def evaluates(listener: Listener, bridge: Bridge) -> None:
    """See an alarm come and go."""
    for document, seen in ((HIGH, raised), (EVEN, returned)):
        at = listener.now
        bridge.says(alder=document)
        listener(ALARM, seen, since=at)


# --- a disk that refuses ---


def test_a_disk_that_fills_up(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, disk: SmallDisk, record: Record
) -> None:
    config, store = on_disk(tmp_path, broker.port, disk)
    daemon = watchd(config, under=disk.under)
    daemon.works()
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        evaluates(listener, bridge)
        until(lambda: events(store) == ["raised", "returned"], "it is saved")
        disk.fill()
        evaluates(listener, bridge)
        told = listener(NOT_WRITTEN, bool).data
        assert told["text"] == "The store cannot be written: the disk is full"
        begin = Stopwatch()
        disk.make_room()
        listener(NOT_WRITTEN, returned)
        record("disk full", "nothing", begin.seconds)
        daemon.logs("the store is written again", lost="0 journal entries and 0 messages")
        daemon.kill()
        # What happened meanwhile is in the journal, in its order.
        assert events(store) == 2 * ["raised", "returned"]


@long
def test_a_disk_that_is_full_at_the_start(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, disk: SmallDisk, record: Record
) -> None:
    config, store = on_disk(tmp_path, broker.port, disk)
    store.parent.mkdir()
    disk.fill()
    daemon = watchd(config, under=disk.under)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        listener(NOT_WRITTEN, lambda d: d["text"].endswith(": the disk is full"))
        evaluates(listener, bridge)
        begin = Stopwatch()
        disk.make_room()
        listener(NOT_WRITTEN, returned)
        record("disk full at the start", "nothing", begin.seconds)
        assert events(store)[:2] == ["raised", "returned"]
        assert not listener.on(SET_ASIDE), "what could not be begun is not taken for damage"
    assert daemon.stop()[0] == 0


def test_a_disk_that_is_read_only_at_the_start(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, disk: SmallDisk, record: Record
) -> None:
    config, store = on_disk(tmp_path, broker.port, disk)
    first = watchd(config, under=disk.under)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH, birch=EVEN)
        listener(ALARM, bool)
        acknowledge(listener)
        # A power cut, after which the system mounts it read-only: the -wal lies there.
        until(lambda: events(store) == ["raised", "acknowledged"], "it is saved")
        first.kill()
        disk.writable(False)
        at = listener.now
        second = watchd(config, under=disk.under)
        second.works()
        listener(NOT_WRITTEN, lambda d: d["text"].endswith(": the disk is read-only"), since=at)
        listener(FIGURES, bool, since=at)
        listener.hear_all()
        assert retained(broker.port, "watchd/#")[ALARM].data["state"] == "acknowledged"
        begin = Stopwatch()
        disk.writable(True)
        listener(NOT_WRITTEN, returned, since=at)
        record("disk read-only at the start", "nothing", begin.seconds)
        assert second.stop()[0] == 0
        assert events(store) == ["raised", "acknowledged"]


@long
def test_a_folder_that_is_none_at_the_start(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, record: Record
) -> None:
    config = write_config(tmp_path, broker.port)
    folder = tmp_path / "store"
    folder.write_text("a file where the folder belongs")
    daemon = watchd(config)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        listener(NOT_WRITTEN, lambda d: d["text"].endswith(f"{folder} is not a folder"))
        evaluates(listener, bridge)
        begin = Stopwatch()
        folder.unlink()
        listener(NOT_WRITTEN, returned)
        record("no folder at the start", "nothing", begin.seconds)
        assert events(folder / "watchd.db")[:2] == ["raised", "returned"]
    assert daemon.stop()[0] == 0


@long
def test_a_folder_that_is_deleted_while_it_runs(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, record: Record
) -> None:
    config = write_config(tmp_path, broker.port)
    store = tmp_path / "store" / "watchd.db"
    daemon = watchd(config)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH)
        listener(ALARM, bool)
        until(lambda: state_of(store), "a state is saved")
        begin = Stopwatch()
        shutil.rmtree(store.parent)
        acknowledge(listener)
        listener(SET_ASIDE, lambda d: d and "the file was deleted while watchd ran" in d["text"])
        record("folder deleted while it runs", "journal and telemetry before", begin.seconds)
        daemon.kill()
        assert "acknowledged" in str(state_of(store))


# --- a file that is damaged ---


def journal_pages(path: Path) -> None:
    """Random bytes where the journal is."""
    with closing(sqlite3.connect(path)) as db:
        try:
            pages = db.execute("SELECT pageno FROM dbstat WHERE name = 'journal'").fetchall()
        except sqlite3.OperationalError:
            pytest.skip("this SQLite has no dbstat")
    data = bytearray(path.read_bytes())
    for (number,) in pages:
        data[(number - 1) * 4096 : number * 4096] = random.Random(number).randbytes(4096)
    path.write_bytes(data)


def all_but_the_first_page(path: Path) -> None:
    """Random bytes there."""
    size = path.stat().st_size - 4096
    with path.open("r+b") as stream:
        stream.seek(4096)
        stream.write(random.Random(1).randbytes(size))


def half(path: Path) -> None:
    """The end is missing."""
    with path.open("r+b") as stream:
        stream.truncate(path.stat().st_size // 2)


def empty(path: Path) -> None:
    """All is missing."""
    with path.open("r+b") as stream:
        stream.truncate(0)


def no_database(path: Path) -> None:
    """Another file."""
    path.write_bytes(b"no database at all, though of some length" * 1000)


def newer(path: Path) -> None:
    """As a watchd of the future leaves it."""
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version={SCHEMA + 1}")


@pytest.mark.parametrize(
    ("damage", "word", "state_is_kept"),
    [
        (journal_pages, "damaged", True),
        pytest.param(all_but_the_first_page, "damaged", False, marks=long),
        pytest.param(half, "damaged", False, marks=long),
        pytest.param(empty, "damaged", False, marks=long),
        pytest.param(no_database, "damaged", False, marks=long),
        pytest.param(newer, "newer", False, marks=long),
    ],
)
def test_a_file_that_is_damaged_at_the_start(
    broker: BrokerProcess,
    watchd: Start,
    tmp_path: Path,
    record: Record,
    damage: Callable[[Path], None],
    word: str,
    state_is_kept: bool,
) -> None:
    config = write_config(tmp_path, broker.port)
    store = tmp_path / "store" / "watchd.db"
    saved_acknowledged(watchd, config, broker)
    damage(store)
    left = store.read_bytes()
    begin = Stopwatch()
    daemon = watchd(config)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH, birch=EVEN)
        told = listener(SET_ASIDE, lambda d: d and f"kept as watchd.db.{word}-" in d["text"]).data
        lost = "nothing of the state" if state_is_kept else "the state"
        record(
            f"{damage.__name__.replace('_', ' ')} of the store, at the start", lost, begin.seconds
        )
        (aside,) = [
            p for p in store.parent.glob(f"watchd.db.{word}-*") if p.name[-1] in "Z0123456789"
        ]
        assert aside.name in told["text"]
        assert word != "newer" or aside.read_bytes() == left
        listener(FIGURES, lambda d: d["figures"]["cell_max_v"] == 3.48)
        listener.hear_all()
        state = retained(broker.port, "watchd/#")[ALARM].data["state"]
        assert state == ("acknowledged" if state_is_kept else "unacknowledged")
        goes_on(daemon, watchd, config, listener, store, broker.port)


def goes_on(
    daemon: Daemon, watchd: Start, config: Path, listener: Listener, store: Path, port: int
) -> None:
    """The alarm latches, and a restart begins from the new file."""
    listener(SET_ASIDE, lambda d: d and d["state"] == "latched_unacknowledged")
    assert daemon.stop()[0] == 0
    with closing(sqlite3.connect(store)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    at = listener.now
    again = watchd(config)
    again.works()
    listener.hear_all()
    record = retained(port, "watchd/#")[SET_ASIDE].data
    assert record["state"] == "latched_unacknowledged"
    assert not [h for h in listener.on(SET_ASIDE, since=at) if raised(h.data)]


@pytest.mark.parametrize(
    "damage", [all_but_the_first_page, pytest.param(empty, marks=long)], ids=lambda d: d.__name__
)
def test_a_file_that_is_damaged_while_it_runs(
    broker: BrokerProcess,
    watchd: Start,
    tmp_path: Path,
    record: Record,
    damage: Callable[[Path], None],
) -> None:
    config = write_config(tmp_path, broker.port)
    store = tmp_path / "store" / "watchd.db"
    daemon = watchd(config)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH, birch=EVEN)
        listener(ALARM, bool)
        until(lambda: events(store) == ["raised"], "it is saved")
        with closing(Store(store)) as other:
            # A write of another, and an empty -wal, so that the daemon reads the file anew.
            other.keep(Kept(None, 0, float("-inf"), 10**9))
            other._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            begin = Stopwatch()
            damage(store)
            acknowledge(listener)
            told = listener(SET_ASIDE, lambda d: d and "kept as watchd.db.damaged-" in d["text"])
        assert "damaged (" in told.data["text"]
        record(
            f"{damage.__name__.replace('_', ' ')} of the store, while it runs",
            "journal and telemetry before",
            begin.seconds,
        )
        goes_on(daemon, watchd, config, listener, store, broker.port)
        assert retained(broker.port, "watchd/#")[ALARM].data["state"] == "acknowledged"
