"""Reading ahead in a process of its own, so that who reads has its core to itself."""

from __future__ import annotations

import marshal
import os
import pickle
from collections.abc import Iterator
from contextlib import suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import TypeAlias

from watchd.errors import WatchdError

Given: TypeAlias = tuple[float, str, bytes, bool]  # time (Unix s), topic, payload, retained
# Together with how far the reading is by then.
Rows: TypeAlias = tuple[int, list[Given]]
LEAST_ROWS = 500  # messages that go over together; fewer, and the way takes more than the work


def cores() -> int:
    """How many cores this process may use."""
    return len(os.sched_getaffinity(0))


def ahead(rows: Iterator[Rows]) -> Iterator[Rows]:
    """The same, computed in another process; it waits where it is a pipe's width ahead.

    Raises the WatchdError that it raises. It must not have begun.
    """
    # What it reads from is open already, or is read by functions that cannot be sent.
    context = get_context("fork")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_send, args=(rows, here, there), daemon=True)
    process.start()
    there.close()
    try:
        while data := here.recv_bytes():
            yield marshal.loads(data)  # noqa: S302 - from our own process
        problems = pickle.loads(here.recv_bytes())  # noqa: S301
    except EOFError:
        raise WatchdError("the process that reads the recording has ended") from None
    finally:
        here.close()
        process.join()
    if problems:
        raise WatchdError(problems)


def _send(rows: Iterator[Rows], here: Connection, there: Connection) -> None:
    here.close()  # or nobody would notice that the other side has gone
    problems = None
    with suppress(BrokenPipeError, KeyboardInterrupt):
        try:
            for row in _together(rows):
                there.send_bytes(marshal.dumps(row))
        except WatchdError as error:
            problems = error.problems
        there.send_bytes(b"")
        there.send_bytes(pickle.dumps(problems))


def _together(rows: Iterator[Rows]) -> Iterator[Rows]:
    """Small rows put together; what is before an error comes before it."""
    position, waiting = 0, list[Given]()
    try:
        for position, row in rows:
            waiting += row
            if len(waiting) >= LEAST_ROWS:
                yield position, waiting
                waiting = []
    except WatchdError:
        yield position, waiting
        raise
    yield position, waiting
