"""A store that a command cannot open: whether it is there, and whose it is.

The service's folder is its own: who may not look into it is not even told that the file is there.
"""

from __future__ import annotations

import os
from pathlib import Path

NOT_OURS = "; it belongs to the service, so run this as root (sudo)"
NOT_THERE = "; there is no such file: the service begins it when it runs"


def is_missing(store: Path) -> bool:
    """Whether there is no such file, as far as we may look."""
    try:
        store.stat()
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError:
        return False
    return False


def what_to_do(store: Path) -> str:
    """To follow the reason for which it could not be read; empty where that says all."""
    if is_missing(store):
        return NOT_THERE
    return "" if os.access(store, os.R_OK) else NOT_OURS
