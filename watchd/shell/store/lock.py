"""One daemon to a store: two would write over each other's state, and call people twice."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from watchd.errors import WatchdError


def hold(store: Path) -> None:
    """Have the store to ourselves until this process ends, however it ends.

    Raises WatchdError where another process has it. Where no lock can be had, such as on a disk
    that takes nothing, the watching goes on: it matters more.
    """
    try:
        store.parent.mkdir(parents=True, exist_ok=True)
        lock = os.open(f"{store}.lock", os.O_RDWR | os.O_CREAT, 0o600)
    except OSError:
        return
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        other = os.read(lock, 20).decode("ascii", "replace").strip()
        os.close(lock)
        raise WatchdError(
            f"{store}: another watchd has this store"
            + (f" (process {other})" if other.isdecimal() else "")
            + "; end that one, or give this one a store and a prefix of its own"
        ) from None
    except OSError:
        os.close(lock)
        return
    # Left open: closed, it would be free.
    try:
        os.truncate(lock, 0)
        os.write(lock, f"{os.getpid()}\n".encode())
    except OSError:
        return
