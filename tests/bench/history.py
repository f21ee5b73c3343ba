"""What the history takes: bytes a sample, time a block, time to condense a day, bytes an exported
row. Prints, asserts nothing; run it from the project's root with `python -m tests.bench.history`.
"""

from __future__ import annotations

import sqlite3
import statistics
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.history.measurements import MIDNIGHT, day
from watchd.commands.export_files import write_csv, write_parquet
from watchd.history.recorder import SampleBlock, block_of
from watchd.history.tables import Resolution, headings, row_values
from watchd.shell.store import Kept, Store, samples
from watchd.shell.store.history import ALWAYS, History

SECONDS = 86_400
PACKS, GOAL_MB = 4, 6.0
PLENTY = 10**12


@contextmanager
def timed(found: list[float]) -> Iterator[None]:
    """Adds the time spent, in ms."""
    begin = time.perf_counter()
    yield
    found.append((time.perf_counter() - begin) * 1000)


def main() -> None:
    """Print the table for one pack's day at 1 Hz; a noisier one with a number behind the name."""
    noise = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    rows = list(day(SECONDS, noise=noise))
    encode: list[float] = []
    blocks = []
    for first in range(0, SECONDS, 300):
        with timed(encode):
            blocks.append(block_of("alder", rows[first : first + 300]))
    size = sum(len(b.data) for b in blocks)
    print(
        f"a sample:  {size / SECONDS:6.2f} bytes, {PACKS} packs {size * PACKS / 1e6:.2f} MB a day"
    )
    print(f"           (goal: at most {GOAL_MB:g} MB)")
    print(f"a block:   {statistics.fmean(encode):6.2f} ms to pack 300 samples")
    with TemporaryDirectory() as folder:
        path = Path(folder) / "watchd.db"
        store = Store(path)
        _write(store, path, blocks)
        _condense(store)
        with closing(sqlite3.connect(path)) as db:
            sizes = samples.sizes(db)
        for name in ("minutes", "days"):
            number = sizes[name]
            yearly = number * PACKS * 365.25 / 1e6
            print(f"{name + ':':10} {number:6} bytes a day, {PACKS} packs {yearly:.2f} MB a year")
        store.close()
        _export(path, Path(folder))


def _write(store: Store, path: Path, blocks: list[SampleBlock]) -> None:
    """As the service does: every five minutes a block of each pack."""
    store._db.execute("PRAGMA wal_autocheckpoint = 0")
    for block in blocks:
        store.keep(
            Kept(
                None,
                0,
                0.0,
                PLENTY,
                [replace(block, pack=name) for name in ("alder", *"bcd")[:PACKS]],
            )
        )
    log = path.with_name("watchd.db-wal").stat().st_size
    store._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    size = path.stat().st_size
    print(f"{PACKS} packs:   {log / 1e6:6.1f} MB a day written ahead, {size / 1e6:.1f} MB of file")


def _condense(store: Store) -> None:
    steps: list[float] = []
    condensing = store.next_waiting(())
    if condensing is None:
        return
    more = True
    while more:
        with timed(steps):
            more = store.condense(condensing)
    *blocks, last = steps
    print(f"a day:     {sum(steps):6.0f} ms to condense, by {len(blocks)} steps of")
    longest = max(blocks)
    print(f"           {statistics.fmean(blocks):6.2f} ms (longest {longest:.1f}), then {last:.0f}")


def _export(path: Path, folder: Path) -> None:
    columns = headings(Resolution.RAW, 16, 4)
    for name in ("csv", "parquet"):
        target = folder / f"alder.{name}"
        spent: list[float] = []
        with timed(spent), History(path) as history:
            rows = (row_values(r, MIDNIGHT, 16, 4) for r in history.raw("alder", *ALWAYS))
            if name == "csv":
                with target.open("w", encoding="utf-8") as stream:
                    write_csv(stream, columns, rows)
            else:
                with target.open("wb") as raw:
                    write_parquet(raw, columns, rows, {})
        size = target.stat().st_size / SECONDS
        print(f"{name + ':':10} {size:6.1f} bytes a row, {spent[0] / SECONDS * 1000:.0f} us a row")


if __name__ == "__main__":
    main()
