"""What CI makes of a look for known holes in the pinned packages."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

SCRIPT = Path(__file__).parents[2] / "scripts" / "audit-report"
# The form of pip-audit's JSON (pip-audit 2, README, "--format json"); the names are invented.
GOOD = {"name": "good", "version": "1.0", "vulns": []}
HOLED = {
    "name": "holed",
    "version": "2.0",
    "vulns": [{"id": "PYSEC-0000-1", "fix_versions": ["2.1"], "aliases": [], "description": ""}],
}
UNKNOWN = {"name": "unknown", "skip_reason": "Dependency not found"}


@pytest.mark.parametrize(
    ("report", "code", "says"),
    [
        ([GOOD], 0, "1 pinned packages looked up, 0 with known holes"),
        ([GOOD, HOLED], 1, "holed 2.0: PYSEC-0000-1 (fixed in: 2.1)"),
        ([HOLED, UNKNOWN], 1, "not looked up: 1 (unknown, ...), such as: Dependency not found"),
        ([UNKNOWN], 0, "NOT DONE: the index that was asked knows of no holes in any of them"),
        (None, 0, "NOT DONE: the database of known holes could not be asked: no route to host"),
    ],
)
def test_report(tmp_path: Path, report: Any, code: int, says: str) -> None:
    (tmp_path / "log").write_text("asking\nno route to host\n")
    if report is not None:
        (tmp_path / "report").write_text(json.dumps({"dependencies": report, "fixes": []}))
    done = subprocess.run(
        [sys.executable, SCRIPT, tmp_path / "report", tmp_path / "log"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (code, "")
    assert says in done.stdout
