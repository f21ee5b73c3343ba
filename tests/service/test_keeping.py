"""The history of a recording, written into a new store: as the service would have kept it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from tests.history.measurements import MIDNIGHT
from tests.scene import cells, config_of, leading, pack
from tests.service.commandline import DAY, Run, line
from tests.service.hut import write_config
from tests.service.test_drive import RULES, a_day
from watchd import config as schema
from watchd.engine import Engine
from watchd.errors import WatchdError
from watchd.history.summaries import Day
from watchd.rules.rule import Rule
from watchd.shell.drive import Drive
from watchd.shell.inputs import Fed, Input
from watchd.shell.recovery import restore
from watchd.shell.spool import Spool
from watchd.shell.store import keeping as keepings
from watchd.shell.store.archive import Archive
from watchd.shell.store.history import ALWAYS, History
from watchd.shell.store.keeping import Keeping

Held = dict[str, object]


def held(path: Path) -> Held:
    """All that a store tells of alder and its bank."""
    with History(path) as history:
        found: Held = {
            "packs": history.packs(),
            "banks": history.banks(),
            "raw": list(history.raw("alder", *ALWAYS)),
            "days": [(d.at, d.whole.samples) for d in history.days("alder", *ALWAYS)],
            "trends": list(history.trends("pack/alder")),
            "bank": list(history.trends("bank/hut")),
            "pack_days": list(history.pack_days("alder")),
            "journal": list(history.journal()),
        }
        assert history.damaged == 0
        return found


def two_days() -> list[tuple[float, str, bytes]]:
    """A pack over midnight that becomes full; invented."""
    inputs = [i for i in a_day(2, 900, MIDNIGHT - 2400) if isinstance(i, Fed)]
    topic = inputs[0].topic
    # Nobody told the engine that the clock was set: only what goes on.
    inputs = [i for n, i in enumerate(inputs) if all(i.at > j.at + 1 for j in inputs[:n])]
    full = pack(cell_v=leading(3.5, by_mv=20), current_a=2, soc_pct=98)
    begin = inputs[-1].at + 1
    return [
        *((i.at, i.topic, i.payload) for i in inputs if i.topic == topic),
        *(
            (begin + n * 10, topic, line(0, full).split('"payload": ')[1][:-2].encode())
            for n in range(60)
        ),
    ]


def kept_of(
    path: Path, messages: list[tuple[float, str, bytes]], rules: tuple[Rule, ...] = RULES
) -> Held:
    engine = Engine(config_of(), rules, tells_samples=True, tells_trends=True)
    with Keeping(path, config_of()) as keeping:
        for at, topic, payload in messages:
            engine.feed(topic, payload, at)
            keeping.take(engine)
        keeping.end(engine)
    return held(path)


def test_it_holds_what_the_engine_told_however_it_is_batched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    messages = two_days()
    whole = kept_of(tmp_path / "whole.db", messages)
    monkeypatch.setattr(keepings, "MOST_SAMPLES", 7)
    monkeypatch.setattr(keepings, "MOST_ENTRIES", 2)
    assert kept_of(tmp_path / "parts.db", messages) == whole
    assert whole["packs"] == ["alder"]
    assert whole["banks"] == ["hut"]
    raw, trends = whole["raw"], whole["trends"]
    assert isinstance(raw, list)
    assert isinstance(trends, list)
    assert len(raw) == len({int(at) for at, *_ in messages})
    assert 20 < len(trends) < 40
    assert whole["journal"]
    days = whole["pack_days"]
    assert isinstance(days, list)
    assert [d.at for d in days] == [MIDNIGHT - 86_400, MIDNIGHT]
    assert [len(d.full_charges) for d in days] == [0, 1]
    with closing(sqlite3.connect(tmp_path / "whole.db")) as db:
        assert db.execute("SELECT COUNT(*) FROM samples_waiting").fetchone() == (0,), "condensed"


def test_the_transitions_are_given_back(tmp_path: Path) -> None:
    """What an engine tells it tells but once."""
    engines = [Engine(config_of(), RULES) for _ in range(2)]
    found = []
    with Keeping(tmp_path / "july.db", config_of()) as keeping:
        for at, topic, payload in two_days():
            for engine in engines:
                engine.feed(topic, payload, at)
            given_back = keeping.take(engines[0])
            assert given_back == engines[1].take_transitions()
            found += given_back
    assert found
    assert len(held(tmp_path / "july.db")["journal"]) == len(found)  # type: ignore[arg-type]


@pytest.mark.parametrize("beside", ["", "-wal", "-shm"])
def test_never_over_what_is_there(tmp_path: Path, beside: str) -> None:
    path = tmp_path / "july.db"
    path.with_name(path.name + beside).write_bytes(b"mine")
    with pytest.raises(WatchdError, match=r"july\.db.*it is there already; name a new file"):
        Keeping(path, config_of())
    assert path.with_name(path.name + beside).read_bytes() == b"mine"


def test_of_nothing_no_file_is_left(tmp_path: Path) -> None:
    with Keeping(tmp_path / "july.db", config_of()):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_is_none_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(WatchdError, match="file is not a folder"):
        Keeping(tmp_path / "file" / "july.db", config_of())


# --- the commands ---


def test_replay_keeps_and_export_reads(command: Run, tmp_path: Path) -> None:
    config, store = write_config(tmp_path, 1883), tmp_path / "kept.db"
    recording = tmp_path / "day.jsonl"
    recording.write_text(DAY)
    words = ("replay", "--config", config, "--json")
    plain = command(*words, recording)
    kept = command(*words, recording, "--keep", store)
    assert (kept.code, kept.out) == (0, plain.out), kept.err
    again = command(*words, recording, "--keep", store)
    assert again.code != 0
    assert "it is there already; name a new file" in again.err
    with History(store) as history:
        assert history.packs() == ["alder"]
        assert len(list(history.journal())) == 2
        assert len(list(history.raw("alder", *ALWAYS))) == 12
        assert [type(d) for d in history.days("alder", *ALWAYS)] == [Day]
        assert len(list(history.pack_days("alder"))) == 1
    exported = command("export", "--config", config, "--store", store, "--pack", "alder", "-o", "-")
    assert exported.code == 0, exported.err
    assert len(exported.out.splitlines()) == 13
    assert command("export", "--config", config, "--pack", "alder", "-o", "-").code != 0


def test_keep_goes_with_one_set_of_rules(command: Run, tmp_path: Path) -> None:
    config, store = write_config(tmp_path, 1883), tmp_path / "kept.db"
    (tmp_path / "day.jsonl").write_text(DAY)
    other = tmp_path / "other.yaml"
    other.write_text("")
    done = command(
        *("replay", "--config", config, tmp_path / "day.jsonl"),
        *("--against", other, "--keep", store),
    )
    assert done.code != 0
    assert "--keep goes with one set of rules" in done.err
    assert not store.exists()


def test_a_recording_that_ends_in_the_middle_leaves_what_was_before(
    command: Run, tmp_path: Path
) -> None:
    config, store = write_config(tmp_path, 1883), tmp_path / "kept.db"
    done = command(*("replay", "--config", config, "-", "--keep", store), given=DAY + "{ no line\n")
    assert done.code != 0
    with History(store) as history:
        assert len(list(history.raw("alder", *ALWAYS))) == 12
    nothing = command(
        *("replay", "--config", config, "-", "--keep", tmp_path / "none.db"), given=" "
    )
    assert nothing.code != 0
    assert not (tmp_path / "none.db").exists()


# --- what the service keeps, killed or not ---


async def run(
    folder: Path, inputs: list[Input], writes: set[int], killed: set[int], writer: Path
) -> Held:
    """The inputs through drive and archive; at a kill both are begun anew from the disk."""

    def begun() -> tuple[Archive, Spool, Drive]:
        archive, spool = Archive(schema.Store(path=str(writer))), Spool(folder)
        return archive, spool, Drive(config_of(), RULES, spool)

    archive, spool, drive = begun()
    spool.begin_anew()
    for number, given in enumerate(inputs):
        if number in killed:
            spool.close()
            archive.close()
            archive, spool, drive = begun()
            restore(drive, archive.load(), archive)
            spool.begin_anew()
        drive.give(given)
        archive.sample(drive.engine.take_samples())
        archive.trends(drive.engine.take_trends())
        drive.engine.take_transitions()
        if number in writes:
            spool.begin_anew()
            upto = drive.last
            assert await archive.write(drive.state(), last=True, upto=upto)
            spool.forget(upto)
    archive.trends(list(drive.engine.pack_days()))
    await archive.write(drive.state(), last=True, upto=drive.last)
    archive.close()
    spool.close()
    return held(writer)


@pytest.mark.parametrize("seed", range(3))
async def test_killed_the_service_keeps_the_same(tmp_path: Path, seed: int) -> None:
    inputs: list[Input] = list(a_day(seed, 500, MIDNIGHT - 1500))
    writes = set(range(40, len(inputs), 60))
    killed = {55 + 31 * seed, 200, 201, 340 + seed, 341 + 60}
    found = []
    for name, kills in (("whole", set[int]()), ("killed", killed)):
        folder = tmp_path / name
        folder.mkdir()
        found.append(await run(folder, inputs, writes, kills, tmp_path / f"{name}.db"))
    whole, parts = found
    assert parts["trends"] == whole["trends"]
    assert parts["bank"] == whole["bank"]
    assert parts["pack_days"] == whole["pack_days"]
    assert parts["raw"] == whole["raw"]
    assert whole["trends"]
    assert whole["pack_days"]


@pytest.mark.parametrize("days", [2, pytest.param(30, marks=pytest.mark.long)])
def test_what_is_kept_for_years_is_small(
    tmp_path: Path, record_property: Callable[[str, object], None], days: int
) -> None:
    """A pack that is charged every day, two messages a minute; made up."""
    messages = []
    for minute in (n / 2 for n in range(days * 2880)):
        of_day = minute % 1440
        if of_day < 400:
            document = pack(cell_v=cells(3.36), current_a=25 + minute % 7, soc_pct=60 + of_day / 11)
        elif of_day < 500:
            document = pack(cell_v=leading(3.5, by_mv=20 + minute % 5), current_a=2, soc_pct=100)
        else:
            document = pack(cell_v=cells(3.31), current_a=-9 - minute % 5, soc_pct=99 - of_day / 40)
        text = line(0, document).split('"payload": ')[1][:-2]
        messages.append((MIDNIGHT + minute * 60.0, "hut/alder/state", text.encode()))
    path = tmp_path / "week.db"
    found = kept_of(path, messages, ())
    trends, pack_days = found["trends"], found["pack_days"]
    assert isinstance(trends, list)
    assert isinstance(pack_days, list)
    assert len(trends) == days * 288
    assert len(pack_days) == days
    assert [len(d.full_charges) for d in pack_days] == [1] * days
    with closing(sqlite3.connect(path)) as db:
        sizes = {
            table: db.execute(
                f"SELECT SUM(LENGTH(data)) FROM {table} WHERE {of} LIKE '%alder'"  # noqa: S608
            ).fetchone()[0]
            * 365
            / days
            / 1e6
            for table, of in (
                ("trends", "subject"),
                ("pack_days", "pack"),
                ("full_charges", "pack"),
                ("days", "pack"),
            )
        }
    shown = ", ".join(f"{table} {size:.2f} MB" for table, size in sizes.items())
    record_property("shown", f"of a pack in a year: {shown}")
    assert sum(sizes.values()) < 4
