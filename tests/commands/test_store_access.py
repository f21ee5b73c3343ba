"""Commands that read the store, where it is not there or lies in the service's own folder."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from tests.service.hut import write_config
from watchd.commands import main

COMMANDS = (
    ("backup", "{folder}/copy.db"),
    ("export", "-o", "{folder}/day.csv"),
    ("digest",),
    ("report", "-o", "{folder}/report.html"),
    ("replay", "history"),
)


def said(words: tuple[str, ...], folder: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """What the command says, which is one line."""
    config = write_config(folder, 1883)
    command, *rest = (word.format(folder=folder) for word in words)
    assert main([command, "--config", str(config), *rest]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    return line


@pytest.mark.parametrize("words", COMMANDS)
def test_who_may_not_look_into_the_folder_is_told_to_be_root(
    words: tuple[str, ...],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    store, looks = str(tmp_path / "store"), os.stat

    # As below /var/lib/private; root, who may run this, is never refused.
    def refuses(path: Any, **more: Any) -> os.stat_result:
        if isinstance(path, str | Path) and str(path).startswith(f"{store}/"):
            raise PermissionError(13, "Permission denied", str(path))
        return looks(path, **more)

    monkeypatch.setattr(os, "stat", refuses)
    monkeypatch.setattr(os, "access", lambda _path, _mode: False)
    assert said(words, tmp_path, capsys).endswith("run this as root (sudo)")


@pytest.mark.parametrize("words", COMMANDS)
def test_of_what_is_not_there_nobody_says_that_root_could_read_it(
    words: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = said(words, tmp_path, capsys)
    assert "no such" in line.lower()
    assert "(sudo)" not in line
