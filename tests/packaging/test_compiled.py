"""The compiled wheel: only for who asks for it, and it says what the pure one says."""

import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = ROOT / "scripts" / "build-compiled"
TOLD = Path(__file__).with_name("told.py")


@pytest.fixture(scope="module")
def hook() -> dict[str, Any]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    found: dict[str, Any] = project["tool"]["hatch"]["build"]["targets"]["wheel"]["hooks"]["mypyc"]
    return found


def test_nobody_gets_it_unasked(hook: dict[str, Any]) -> None:
    assert hook["enable-by-default"] is False


def test_what_is_compiled_is_there_and_is_no_shell(hook: dict[str, Any]) -> None:
    for pattern in hook["include"]:
        assert list(ROOT.glob(pattern.removeprefix("/"))), f"{pattern}: no such module"
        assert not pattern.startswith(("/watchd/shell", "/watchd/commands", "/watchd/config"))


def test_without_a_compiler_it_says_so(tmp_path: Path) -> None:
    done = subprocess.run(
        [SCRIPT, tmp_path / "dist"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "CC": "no-such-compiler"},
    )
    assert done.returncode == 2
    assert "no C compiler here (no-such-compiler)" in done.stderr
    assert not (tmp_path / "dist").exists()


def told_by(folder: Path) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-P", TOLD],
        capture_output=True,
        text=True,
        check=False,
        # Sets print in the order of their hashes.
        env={**os.environ, "PYTHONPATH": str(folder), "PYTHONHASHSEED": "0"},
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout.splitlines()


@pytest.mark.long
@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler on this machine")
def test_it_says_what_the_source_says(tmp_path: Path) -> None:
    built = subprocess.run(
        [SCRIPT, tmp_path / "dist"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHON": sys.executable},
    )
    assert built.returncode == 0, built.stderr[-3000:]
    with zipfile.ZipFile(built.stdout.strip()) as wheel:
        wheel.extractall(tmp_path / "installed")
    source, compiled = told_by(ROOT), told_by(tmp_path / "installed")
    assert (source[0], compiled[0]) == (".py", ".so")
    assert len(source) > 10_000
    for ours, theirs in zip(compiled[1:], source[1:], strict=True):
        assert ours == theirs
