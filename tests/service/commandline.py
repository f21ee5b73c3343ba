"""Running a command to its end, in this process or as people do."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.scene import START, cells, leading, pack
from tests.service.daemon import WATCHD

HIGH = pack(cell_v=leading(3.42, by_mv=60))
EVEN = pack(cell_v=cells())


@dataclass(frozen=True, slots=True)
class Done:
    """How a command ended, and what it said."""

    code: int
    out: str
    err: str


Run = Callable[..., Done]


def process(
    *words: str | Path, given: bytes = b"", environment: dict[str, str] | None = None
) -> Done:
    """Runs a command as people do."""
    done = subprocess.run(
        [WATCHD, *words],
        input=given,
        capture_output=True,
        timeout=60,
        check=False,
        env={**os.environ, **(environment or {})},
    )
    return Done(done.returncode, done.stdout.decode(), done.stderr.decode())


def line(t: float, document: Any, name: str = "alder") -> str:
    """A line of a recording."""
    return json.dumps({"t": t, "topic": f"hut/{name}/state", "payload": document}) + "\n"


# A minute of telemetry: the cell is high from 20 s to 40 s.
DAY = "".join(
    line(START + second, HIGH if 20 <= second < 40 else EVEN) for second in range(0, 60, 5)
)
