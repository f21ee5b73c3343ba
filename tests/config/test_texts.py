"""The words that a keeper reads where a file does not load.

Each broken file in `texts_approved` has the approved text beside it. After a change of wording
that is meant, write them anew, and read every one that differs before it is kept:

    WATCHD_APPROVE=1 python -m pytest tests/config/test_texts.py
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from watchd import load
from watchd.errors import WatchdError
from watchd.loading import load_rules

HERE = Path(__file__).parent
APPROVED = HERE.parent / "texts_approved"
APPROVE = "WATCHD_APPROVE" in os.environ
BROKEN = sorted(p for folder in ("config", "rules") for p in (APPROVED / folder).glob("*.yaml"))


def error_of(broken: Path, monkeypatch: pytest.MonkeyPatch) -> WatchdError:
    """What is said of a broken file, from its own folder, so that no path is in it."""
    monkeypatch.chdir(broken.parent)
    try:
        if broken.parent.name == "config":
            load(broken.name, rules=HERE / "rules")
        else:
            load_rules(Path(broken.name))
    except WatchdError as error:
        return error
    pytest.fail(f"{broken.name} loads")


def test_there_are_enough() -> None:
    assert len(BROKEN) >= 25
    texts = {p for folder in ("config", "rules") for p in (APPROVED / folder).glob("*.txt")}
    assert {path.with_suffix(".yaml") for path in texts} <= set(BROKEN)


@pytest.mark.parametrize("broken", BROKEN, ids=lambda p: f"{p.parent.name}/{p.stem}")
def test_text(broken: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    approved = broken.with_suffix(".txt")
    text = f"{error_of(broken, monkeypatch)}\n"
    if APPROVE:
        approved.write_text(text, encoding="utf-8")
    assert text == approved.read_text(encoding="utf-8")


@pytest.mark.parametrize("broken", BROKEN, ids=lambda p: f"{p.parent.name}/{p.stem}")
def test_every_problem_says_where(broken: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = broken.read_bytes().count(b"\n") + 1
    for problem in error_of(broken, monkeypatch).problems:
        assert problem.place is not None
        assert problem.place.source == broken.name
        assert problem.place.line is not None
        assert 1 <= problem.place.line <= lines
        assert len(problem.what) < 300
        assert not re.search(r"[<>]class|Traceback|pydantic|0x[0-9a-f]{6}|\bNone\b", problem.what)
