"""The system's clock of one process, set at will, by libfaketime."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import pytest

from tests.conftest import ROOT

WHERE = "*/faketime/libfaketimeMT.so.1"  # lib/ARCHITECTURE/faketime


def library() -> Path:
    """Where it is. Installs it where that can be done, else skips."""
    found = _found()
    if found is None:
        done = subprocess.run(
            [ROOT / "scripts" / "apt-install", "libfaketime"],
            capture_output=True,
            text=True,
            check=False,
        )
        found = _found()
        if found is None:
            why = done.stdout.strip()
            pytest.skip(f"no libfaketime here, and it could not be installed ({why})")
    return found


def _found() -> Path | None:
    folders = (Path("/usr/lib"), Path("/usr/lib64"), Path("/usr/local/lib"))
    return next((path for folder in folders for path in sorted(folder.glob(WHERE))), None)


class FakedClock:
    """Shows `by_s` more than the true one; monotonic time runs on as it does."""

    def __init__(self, folder: Path, by_s: float = 0.0) -> None:
        self._file = folder / "clock"
        self.environment = {
            "LD_PRELOAD": str(library()),
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            # Older versions know this name of it alone.
            "DONT_FAKE_MONOTONIC": "1",
        }
        self.by_s = 0.0
        self.set(by_s)

    def set(self, by_s: float) -> None:
        """From now on it shows that much more than the true one."""
        new = self._file.with_suffix(".new")
        new.write_text(f"{by_s:+.0f}\n")
        new.rename(self._file)
        self.by_s = by_s

    def now(self) -> float:
        """What it shows."""
        return time.time() + self.by_s
