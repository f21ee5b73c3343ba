"""`watchd export`: what was measured comes out, as CSV and Parquet, whole or not at all."""

from __future__ import annotations

import csv
import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import closing
from io import StringIO
from itertools import islice, pairwise
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from tests.history.measurements import MIDNIGHT, day
from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.commandline import Run, process
from tests.service.daemon import WATCHD, Start
from tests.service.hut import FIGURES, value_per_topic, write_config
from tests.service.patience import until
from tests.service.test_samples import blocks, condense_all, exact
from watchd.commands import export_files
from watchd.history.columns import Row
from watchd.shell.store import Kept, Store

Table = list[dict[str, str]]
ROWS = [
    *exact(list(islice(day(every=10), 90))),
    Row(MIDNIGHT + 900.0, current_a=-1.5, protection=("OVER_TEMP", "OVER_VOLT"), balancing=True),
]


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return write_config(tmp_path, 1883)


@pytest.fixture
def kept(config: Path) -> Path:
    """A store with a quarter of an hour of alder's."""
    fill(config, ROWS)
    return config


def fill(config: Path, rows: Sequence[Row], name: str = "alder") -> None:
    with closing(Store(config.parent / "store" / "watchd.db")) as store:
        store.keep(Kept(None, 0, 0.0, 10**12, blocks(rows, size=37, pack=name)))


def table(text: str) -> Table:
    return list(csv.DictReader(StringIO(text), strict=True))


def number(field: str) -> float | None:
    return float(field) if field else None


def test_csv_gives_the_samples(kept: Path, command: Run) -> None:
    done = command("export", "--config", kept, "--pack", "alder", "-o", "-")
    assert (done.code, done.err) == (0, "")
    found = table(done.out)
    assert len(found) == len(ROWS)
    for line, row in zip(found, ROWS, strict=True):
        assert number(line["Unix Time / s"]) == row.at
        assert float(line["Test Time / s"]) == pytest.approx(row.at - ROWS[0].at)
        assert number(line["Voltage / V"]) == row.voltage_v
        assert number(line["Current / A"]) == row.current_a
        assert number(line["State of Charge / %"]) == row.soc_pct
        assert number(line["Estimated State of Charge / %"]) == row.soc_estimate_pct
        volts = [number(line[f"Cell {n} Voltage / V"]) for n in range(1, 17)]
        assert volts == list(row.cell_v or [None] * 16)
        degrees = [number(line[f"Surface Temperature T{n} / degC"]) for n in range(1, 5)]
        assert degrees == list(row.temperature_degc or [None] * 4)
    last = found[-1]
    assert (last["Balancing / 1"], last["Charge Allowed / 1"]) == ("1", "")
    assert [line["Protection Events"] for line in found[-2:]] == ["none", "OVER_TEMP OVER_VOLT"]


@pytest.mark.parametrize("resolution", ["raw", "minute", "day"])
@pytest.mark.parametrize("condensed", [False, True])
def test_parquet_is_the_same_table(
    kept: Path, command: Run, tmp_path: Path, resolution: str, condensed: bool
) -> None:
    if condensed:
        with closing(Store(kept.parent / "store" / "watchd.db")) as store:
            condense_all(store)
    words = ("export", "--config", kept, "--pack", "alder", "--resolution", resolution)
    target = tmp_path / "alder.bdf.parquet"
    done = command(*words, "-o", target)
    assert (done.code, done.err) == (0, "")
    assert done.out.startswith(f"{target}: ")
    lines = table(command(*words, "-o", "-").out)
    file = pq.ParquetFile(target)
    found = file.read().to_pylist()
    assert list(found[0]) == list(lines[0])
    assert [{k: "" if v is None else v for k, v in row.items()} for row in found] == [
        {k: type(row[k])(v) if v else "" for k, v in line.items()}
        for row, line in zip(found, lines, strict=True)
    ]
    assert file.schema_arrow.metadata[b"pack"] == b"alder"
    assert file.metadata.row_group(0).column(0).compression == "ZSTD"
    assert len(found) == {"raw": 91, "minute": 16, "day": 1}[resolution]


def test_minutes_and_days_have_means_extremes_and_charge(kept: Path, command: Run) -> None:
    words = ("export", "--config", kept, "--pack", "alder", "-o", "-", "--resolution")
    minute = table(command(*words, "minute").out)[3]
    rows = [r for r in ROWS if 180 <= r.at - MIDNIGHT < 240]
    cell = [r.cell_v[6] for r in rows if r.cell_v]
    assert float(minute["Unix Time / s"]) == MIDNIGHT + 180
    assert float(minute["Cell 7 Voltage / V"]) == pytest.approx(sum(cell) / 6, abs=0.0001)
    assert float(minute["Lowest Cell 7 Voltage / V"]) == min(cell)
    assert float(minute["Highest Cell 7 Voltage / V"]) == max(cell)
    assert minute["Samples / 1"] == "6"
    (whole,) = table(command(*words, "day").out)
    peak = max((v, n, r.at) for r in ROWS for n, v in enumerate(r.cell_v or (), 1))
    assert float(whole["Highest Cell Voltage / V"]) == peak[0]
    row = next(r for r in ROWS if r.at == float(whole["Highest Cell Unix Time / s"]))
    assert row.cell_v is not None
    assert row.cell_v[int(whole["Highest Cell / 1"]) - 1] == peak[0]
    charge = sum(
        (a.current_a + b.current_a) / 2 * (b.at - a.at) / 3600
        for a, b in pairwise(ROWS)
        if a.current_a is not None and b.current_a is not None
    )
    net = float(whole["Charging Capacity / Ah"]) - float(whole["Discharging Capacity / Ah"])
    assert net == pytest.approx(charge, abs=0.002)


def test_a_range_of_time(kept: Path, command: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def times(*words: str) -> list[float]:
        done = command("export", "--config", kept, "--pack", "alder", "-o", "-", *words)
        assert done.code == 0, done.err
        return [float(line["Unix Time / s"]) - MIDNIGHT for line in table(done.out)]

    everything = times()
    assert times("--from", "2026-09-22") == everything
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    time.tzset()
    try:
        assert times("--from", "2026-09-22", "--to", "2026-09-22T00:05:00") == everything[:30]
    finally:
        monkeypatch.undo()
        time.tzset()
    some = times("--from", "2026-09-22T00:05:00Z", "--to", "2026-09-22T02:10:00+02:00")
    assert some == [t for t in everything if 300 <= t < 600]
    assert times("--since", "5 min") == [t for t in everything if t >= 600]


def test_several_packs_are_several_files(kept: Path, command: Run, tmp_path: Path) -> None:
    fill(kept, ROWS[:5], "birch")
    done = command("export", "--config", kept, "-o", tmp_path / "history.bdf.csv")
    assert (done.code, done.err) == (0, "")
    for name, number_of in (("alder", 91), ("birch", 5)):
        assert len(table((tmp_path / f"history-{name}.bdf.csv").read_text())) == number_of
    assert not (tmp_path / "history.bdf.csv").exists()


def test_a_pack_that_is_no_longer_in_the_config_has_its_history(
    kept: Path, command: Run, tmp_path: Path
) -> None:
    fill(kept, ROWS[:5], "cedar")
    done = command("export", "--config", kept, "--pack", "cedar", "-o", "-")
    assert (done.code, len(table(done.out))) == (0, 5)
    assert command("export", "--config", kept, "-o", tmp_path / "all.csv").code == 0
    # birch is in the config, and has sent nothing.
    assert sorted(p.name for p in tmp_path.glob("*.csv")) == ["all-alder.csv", "all-cedar.csv"]


MISUSE: dict[str, tuple[Sequence[str], str]] = {
    "no such pack": (["--pack", "adler", "-o", "x.csv"], "did you mean 'alder'?"),
    "several to one": (["-o", "-"], "name one with --pack"),
    "Parquet to the terminal": (
        ["--pack", "alder", "--format", "parquet", "-o", "-"],
        "standard output takes no Parquet",
    ),
    "nothing then": (
        ["--pack", "alder", "--from", "2030-01-01", "-o", "x.csv"],
        "no history of that pack and time is kept",
    ),
    "the wrong way round": (
        ["--pack", "alder", "--from", "2026-09-22", "--to", "2026-09-21", "-o", "x.csv"],
        "--to is not after the beginning",
    ),
    "no time": (["--from", "yesterday", "-o", "x.csv"], "'yesterday' is no time; write 2026-09-21"),
    "both": (["--from", "2026-09-21", "--since", "1 h", "-o", "x.csv"], "not allowed with"),
    "no folder": (["--pack", "alder", "-o", "none/x.csv"], "No such file or directory"),
}


@pytest.mark.parametrize("name", MISUSE)
def test_misuse_is_refused_in_one_line(
    kept: Path, command: Run, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words, said = MISUSE[name]
    before = sorted(tmp_path.rglob("*.*"))
    done = command("export", "--config", kept, *words)
    assert done.code == 2
    assert said in done.err.splitlines()[-1]
    assert sorted(p for p in tmp_path.rglob("*.*") if "watchd.db-" not in p.name) == [
        p for p in before if "watchd.db-" not in p.name
    ]


def test_what_is_there_is_not_overwritten(kept: Path, command: Run, tmp_path: Path) -> None:
    target = tmp_path / "alder.csv"
    target.write_text("mine")
    words = ("export", "--config", kept, "--pack", "alder", "-o", target)
    done = command(*words)
    assert (done.code, done.err) == (2, f"{target}: is there already; --force overwrites it\n")
    assert target.read_text() == "mine"
    reader = tmp_path / "as it was"
    reader.hardlink_to(target)
    assert command(*words, "--force").code == 0
    assert len(table(target.read_text())) == len(ROWS)
    assert reader.read_text() == "mine", "another file takes the name; nobody sees half of it"


@pytest.mark.parametrize("format_", ["csv", "parquet"])
def test_a_file_is_whole_or_not_there(
    kept: Path, command: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, format_: str
) -> None:
    monkeypatch.setattr(export_files, "ROWS_AT_ONCE", 20)
    target = tmp_path / "out" / f"alder.{format_}"
    target.parent.mkdir()
    target.write_text("mine")

    def full(*_words: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    done = command("export", "--config", kept, "--pack", "alder", "--force", "-o", target)
    assert (done.code, done.err) == (2, f"{target}: cannot be written: No space left on device\n")
    assert [p.name for p in target.parent.iterdir()] == [target.name]
    assert target.read_text() == "mine"


def test_row_groups_are_written_as_they_fill(
    kept: Path, command: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(export_files, "ROWS_AT_ONCE", 20)
    target = tmp_path / "alder.parquet"
    assert command("export", "--config", kept, "--pack", "alder", "-o", target).code == 0
    file = pq.ParquetFile(target).metadata
    assert [file.row_group(n).num_rows for n in range(file.num_row_groups)] == [20] * 4 + [11]


def test_without_pyarrow_it_says_what_to_install(
    kept: Path, command: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    words = ("export", "--config", kept, "--pack", "alder", "-o")
    done = command(*words, tmp_path / "alder.parquet")
    assert done.code == 2
    assert done.err == (
        "Parquet needs the package pyarrow: pip install 'watchd[export]'; CSV needs nothing\n"
    )
    assert command(*words, tmp_path / "alder.csv").code == 0


def test_stores_that_hold_no_history(config: Path, command: Run) -> None:
    words = ("export", "--config", config, "--pack", "alder", "-o", "-")
    path = config.parent / "store" / "watchd.db"
    assert "unable to open database file" in command(*words).err
    path.parent.mkdir()
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE telemetry (id)")
    done = command(*words)
    assert (done.code, done.err) == (
        2,
        f"{path}: no history is kept here yet: the service begins it when it runs\n",
    )
    path.write_bytes(b"no database" * 1000)
    assert "file is not a database" in command(*words).err


def test_a_damaged_block_costs_no_more_than_itself(kept: Path, command: Run) -> None:
    with closing(sqlite3.connect(kept.parent / "store" / "watchd.db")) as db, db:
        db.execute("UPDATE samples SET data = zeroblob(99) WHERE id = 1")
    done = command("export", "--config", kept, "--pack", "alder", "-o", "-")
    assert (done.code, done.err) == (0, "1 block could not be read, and is left out\n")
    assert len(table(done.out)) == len(ROWS) - 37


def test_a_reader_that_has_seen_enough(kept: Path) -> None:
    fill(kept, list(day(4 * 3600, begin=MIDNIGHT + 3600)))
    words: list[str | Path] = [WATCHD, "export", "--config", kept, "--pack", "alder", "-o", "-"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as export:
        assert export.stdout is not None
        assert export.stderr is not None
        export.stdout.readline()
        export.stdout.close()
        assert export.stderr.read() == b""
        assert export.wait(60) == 0


def next_second() -> None:
    """Until what comes now is of another second than what has come."""
    second = int(time.time())
    until(lambda: int(time.time()) > second, "the next second")


@pytest.mark.broker
def test_what_was_sent_to_the_service_comes_out(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    """A daemon, telemetry, SIGTERM; then both files hold what was sent, each second's newest."""
    config = write_config(tmp_path, broker.port)
    daemon = watchd(config)
    daemon.works()
    sent = [
        pack(cell_v=leading(3.40 + amps / 1000, by_mv=7), current_a=amps, soc_pct=50 + amps)
        for amps in (11.25, -7.5, 30.0)
    ]
    began = time.time()
    with Bridge(broker.port) as bridge, Listener(broker.port) as listener:
        bridge.says_on(value_per_topic(cells(3.35), current_a=5.0))
        for document in sent:
            bridge.says(alder=document)
            listener(
                FIGURES,
                lambda d, amps=-document["amps_out"]: d["figures"]["current_a"] == amps,  # type: ignore[misc]
            )
            next_second()
        listener(
            "watchd/figures/pack/birch",
            lambda d: d["figures"]["cell_max_v"] == 3.35 and d["figures"]["temperature_max_degc"],
        )
    daemon.stop()
    words = ("export", "--config", config, "-o")
    for suffix in ("csv", "parquet"):
        done = process(*words, tmp_path / f"history.{suffix}")
        assert (done.code, done.err) == (0, "")
    lines = table((tmp_path / "history-alder.csv").read_text())
    records = pq.read_table(tmp_path / "history-alder.parquet").to_pylist()
    assert len(lines) == len(records)
    times = [record["Unix Time / s"] for record in records]
    assert began - 0.1 <= times[0] <= times[-1] <= time.time()
    assert all(a < b for a, b in pairwise(times))
    amps = [record["Current / A"] for record in records]
    assert list(dict.fromkeys(amps)) == [-document["amps_out"] for document in sent]
    for line, record in zip(lines, records, strict=True):
        document = next(d for d in sent if d["amps_out"] == -record["Current / A"])
        assert record["Voltage / V"] == document["volts"]
        assert record["State of Charge / %"] == pytest.approx(document["soc"], abs=0.005)
        assert record["Charge Allowed / 1"] == 1
        volts = [record[f"Cell {n} Voltage / V"] for n in range(1, 17)]
        assert volts == pytest.approx([mv / 1000 for mv in document["mv"]], abs=0.00005)
        assert [record[f"Surface Temperature T{n} / degC"] for n in (1, 2)] == document["temps"]
        assert {k: number(v) for k, v in line.items() if k != "Protection Events"} == {
            k: v for k, v in record.items() if k != "Protection Events"
        }
    birch = pq.read_table(tmp_path / "history-birch.parquet").to_pylist()[-1]
    assert birch["Current / A"] == 5.0
    assert [birch[f"Cell {n} Voltage / V"] for n in range(1, 17)] == cells(3.35)
    assert birch["Surface Temperature T1 / degC"] == 17.5
    (whole,) = table(process(*words, "-", "--pack", "birch", "--resolution", "day").out)[-1:]
    assert whole["Highest Cell Voltage / V"] == "3.35"
