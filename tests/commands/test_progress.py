"""The line of long work, as a terminal gets it."""

from __future__ import annotations

import gzip
import io
import json
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.scene import CONFIG, START, pack
from watchd.commands import main
from watchd.commands.progress import progress


class Terminal(io.StringIO):
    """Standard error that says it is a terminal, or not."""

    def __init__(self, *, is_one: bool = True) -> None:
        super().__init__()
        self._is_one = is_one

    def isatty(self) -> bool:
        return self._is_one

    def lines(self) -> list[str]:
        """What stood in the line, one after the other."""
        return [line.rstrip() for line in self.getvalue().split("\r") if line.strip()]


def put_in_place(monkeypatch: pytest.MonkeyPatch, terminal: Terminal) -> None:
    """pytest sets the real one anew before the test begins."""
    monkeypatch.setattr("watchd.commands.progress.sys", SimpleNamespace(stderr=terminal))


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    found = Terminal()
    put_in_place(monkeypatch, found)
    monkeypatch.setattr("watchd.commands.progress.AFTER_S", 0.0)
    monkeypatch.setattr("watchd.commands.progress.EVERY_S", 0.0)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    return found


def test_it_tells_how_much_is_done_and_where(terminal: Terminal) -> None:
    with progress("replaying", 200) as done:
        done(50, "2026-07-03")
        done(100, "2026-07-05")
    first, *_, half = terminal.lines()
    assert first == "replaying   0 % [                    ] ? left"
    assert half.startswith("replaying  50 % [##########          ] ")
    assert half.endswith(" left, 2026-07-05")
    assert all(len(line) < 80 for line in terminal.lines())


def test_without_a_total_it_counts(terminal: Terminal) -> None:
    with progress("replaying") as done:
        done(20_000, "2026-07-03")
    assert terminal.lines()[-1] == "replaying 20,000, 2026-07-03"


def test_the_line_is_gone_at_the_end_and_leaves_no_thread(terminal: Terminal) -> None:
    before = threading.active_count()
    with progress("replaying", 2) as done:
        done(1)
        assert threading.active_count() == before
    assert terminal.getvalue().endswith("\r")
    assert "\n" not in terminal.getvalue()
    assert not terminal.getvalue().split("\r")[-2].strip()


def test_it_is_gone_after_an_error_too(terminal: Terminal) -> None:
    with pytest.raises(KeyboardInterrupt), progress("replaying", 2):
        raise KeyboardInterrupt
    assert not terminal.getvalue().split("\r")[-2].strip()


def test_it_writes_seldom(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("watchd.commands.progress.EVERY_S", 3600.0)
    with progress("replaying", 10_000) as done:
        for number in range(10_000):
            done(number)
    assert len(terminal.lines()) == 1


@pytest.mark.parametrize("case", ["no terminal", "dumb", "hidden"])
def test_where_nobody_looks_nothing_is_written(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch, case: str
) -> None:
    if case == "no terminal":
        terminal = Terminal(is_one=False)
        put_in_place(monkeypatch, terminal)
    if case == "dumb":
        monkeypatch.setenv("TERM", "dumb")
    with progress("replaying", 10, hidden=case == "hidden") as done:
        done(5, "somewhere")
    assert terminal.getvalue() == ""


def test_what_is_done_at_once_needs_no_line(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("watchd.commands.progress.AFTER_S", 3600.0)
    with progress("replaying", 2) as done:
        done(1)
    assert terminal.getvalue() == ""


@pytest.mark.parametrize("name", ["july.jsonl", "july.jsonl.gz"])
def test_a_replay_tells_how_much_of_the_files_is_read(
    terminal: Terminal, tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = "".join(
        json.dumps({"t": START + n, "topic": "hut/alder/state", "payload": pack()}) + "\n"
        for n in range(3000)
    ).encode()
    (tmp_path / name).write_bytes(gzip.compress(lines) if name.endswith(".gz") else lines)
    (tmp_path / "config.yaml").write_text(CONFIG)
    words = ["replay", "--config", str(tmp_path / "config.yaml"), "--summary"]
    assert main([*words, str(tmp_path / name)]) == 0
    shares = [int(line.split()[1]) for line in terminal.lines()]
    assert shares == sorted(shares)
    assert 20 < shares[1] <= 100
    assert shares[-1] == 100
    assert terminal.lines()[-1].endswith(", 2026-09-21")
    assert "reading" not in capsys.readouterr().out
