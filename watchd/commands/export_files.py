"""Tables as files: CSV with the standard library, Parquet with pyarrow; row by row, little held."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from watchd.errors import Place, Problem, WatchdError
from watchd.history.tables import Heading, Kind, Value

ROWS_AT_ONCE = 16_384  # of a row group; of 16 cells about 15 MB while it is written
Rows = Iterable[Sequence[Value]]


def check_parquet() -> None:
    """Raises WatchdError, with what to do, where pyarrow is not installed."""
    try:
        import pyarrow.parquet  # noqa: F401
    except ImportError:
        raise WatchdError(
            "Parquet needs the package pyarrow: pip install 'watchd[export]'; CSV needs nothing"
        ) from None


def write_csv(stream: IO[str], columns: Sequence[Heading], rows: Rows) -> int:
    """A header and the rows, unknown as an empty field; how many rows."""
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([c.label for c in columns])
    number = 0
    for row in rows:
        writer.writerow(row)
        number += 1
    return number


def write_parquet(
    stream: IO[bytes], columns: Sequence[Heading], rows: Rows, about: dict[str, str]
) -> int:
    """A file of row groups packed with zstd, unknown as null; how many rows.

    `about` goes into the metadata of its schema.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {Kind.NUMBER: pa.float64(), Kind.WHOLE: pa.int64(), Kind.TEXT: pa.string()}
    schema = pa.schema([(c.label, kinds[c.kind]) for c in columns], metadata=about)
    number = 0
    with pq.ParquetWriter(stream, schema, compression="zstd") as writer:
        for some in _batches(rows):
            arrays = [
                pa.array(values, field.type)
                for values, field in zip(zip(*some, strict=True), schema, strict=True)
            ]
            writer.write_batch(pa.record_batch(arrays, schema=schema), row_group_size=ROWS_AT_ONCE)
            number += len(some)
    return number


def _batches(rows: Rows) -> Iterator[list[Sequence[Value]]]:
    some: list[Sequence[Value]] = []
    for row in rows:
        some.append(row)
        if len(some) == ROWS_AT_ONCE:
            yield some
            some = []
    if some:
        yield some


@contextmanager
def new_file(path: Path, *, force: bool) -> Iterator[IO[bytes]]:
    """A file that is there whole or not at all. Raises WatchdError."""
    check_is_free(path, force=force)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            with part.open("xb") as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        reason = error.strerror or str(error)
        raise WatchdError(Problem(f"cannot be written: {reason}", Place(str(path)))) from error


def check_is_free(path: Path, *, force: bool) -> None:
    """Raises WatchdError where a file is in the way."""
    if path.exists() and not force:
        raise WatchdError(Problem("is there already; --force overwrites it", Place(str(path))))
