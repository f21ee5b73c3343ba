"""Standard output and input that are full or closed: a line and a code, and no traceback."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.service.commandline import DAY
from tests.service.daemon import WATCHD
from tests.service.hut import write_config


@pytest.mark.parametrize(
    ("redirected", "code", "says"),
    [
        ("--summary >/dev/full", 2, "cannot be written: No space left on device"),
        ("--json >/dev/full", 2, "cannot be written: No space left on device"),
        ("--summary >&-", 0, ""),
        ("- <&-", 2, "-: cannot be read: standard input is closed"),
    ],
)
def test_a_stream_that_takes_or_gives_nothing(
    redirected: str, code: int, says: str, tmp_path: Path
) -> None:
    config, recording = write_config(tmp_path, 1883), tmp_path / "day.jsonl"
    recording.write_text(DAY)
    words = [str(WATCHD), "replay", "--config", str(config)]
    if not redirected.startswith("- "):
        words.append(str(recording))
    script = f'exec "$@" {redirected}'
    done = subprocess.run(
        ["sh", "-c", script, "sh", *words], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr.strip()) == (code, says)
