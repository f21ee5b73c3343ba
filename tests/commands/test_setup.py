"""`watchd setup` from a recording, as a person or a script meets it."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.proposal.layouts import LAYOUTS, house
from tests.proposal.minute import minute
from watchd.commands import main

WATCHD = Path(sys.executable).parent / "watchd"
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")

    def run(*words: str) -> tuple[int, str, str]:
        try:
            code = main(list(words))
        except SystemExit as end:
            code = int(end.code or 0)
        return code, *capsys.readouterr()

    return run


@pytest.fixture
def recording(tmp_path: Path) -> str:
    lines = [
        json.dumps({"t": at, "topic": topic, "payload": json.loads(payload)})
        for at, topic, payload in LAYOUTS["beside a house"].messages()
    ]
    (tmp_path / "minute.jsonl").write_text("\n".join(lines) + "\n")
    return "minute.jsonl"


def test_it_shows_each_guess_with_its_reason_and_writes_a_config_that_loads(
    run: Run, recording: str
) -> None:
    code, out, err = run("setup", "--from", recording, "--yes")
    assert (code, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    assert "2 packs, 1 bank" in out
    assert "Pack alder: 16 cells" in out
    assert "hut/{pack}/bms $.pack.i" in out
    assert "sure" in out
    assert "nameplate_ah (line" in out
    assert "config.yaml: written" in out
    code, out, err = run("check")
    assert (code, err) == (0, "")
    assert "7 values still to be entered by you:" in out
    written = Path("config.yaml").read_text().splitlines()
    for line in out.splitlines():
        if "# ENTER" in line:
            _, number, text = line.split(":", 2)
            assert written[int(number) - 1].strip() == text.strip()
    assert run("check", "--strict")[0] == 1
    told = json.loads(run("check", "--json")[1])
    assert len(told["to_enter"]) == 7
    path = Path("config.yaml")
    path.write_text(path.read_text().replace("# ENTER", "# from the sheet,"))
    code, out, _ = run("check", "--strict")
    assert code == 0
    assert "to be entered" not in out


def test_it_never_overwrites(run: Run, recording: str) -> None:
    Path("config.yaml").write_text("mine")
    Path("config-1.yaml").write_text("mine too")
    for words in ((), ("--yes",), ("--yes", "--json")):
        assert run("setup", "--from", recording, *words) == (
            2,
            "",
            "config.yaml: is there already, and is never overwritten; -o config-2.yaml is free\n",
        )
    assert Path("config.yaml").read_text() == "mine"


def test_it_prints_and_writes_nothing(run: Run, recording: str, tmp_path: Path) -> None:
    code, out, err = run("setup", "--from", recording, "-o", "-")
    assert (code, err) == (0, "")
    assert out.startswith("# Proposed by")
    assert list(tmp_path.iterdir()) == [tmp_path / recording]
    Path("printed.yaml").write_text(out)
    assert run("check", "--config", "printed.yaml")[0] == 0


def test_without_a_terminal_it_asks_nobody(run: Run, recording: str) -> None:
    code, out, err = run("setup", "--from", recording)
    assert code == 1
    assert "Pack alder" in out
    assert err.count("\n") == 2
    assert "--yes writes it" in err
    assert not Path("config.yaml").exists()


def test_as_json(run: Run, recording: str) -> None:
    code, out, _ = run("setup", "--from", recording, "--json")
    assert code == 0
    data = json.loads(out)
    assert list(data["packs"]) == ["alder", "birch"]
    (layout,) = data["layouts"]
    found = {m["name"]: m for m in layout["mapped"]}
    assert found["cell_v"]["scale"] == 0.001
    assert found["cell_v"]["where"] == "hut/{pack}/bms $.cells.mv[*]"
    assert found["cell_v"]["certainty"] == "sure"
    assert data["config"].startswith("# Proposed by")
    assert not Path("config.yaml").exists()
    assert run("setup", "--from", recording, "--json", "--yes")[0] == 0
    assert Path("config.yaml").read_text() == data["config"]


@pytest.mark.parametrize("words", [(), ("--yes",), ("-o", "-")], ids=" ".join)
def test_nothing_that_is_a_pack(run: Run, tmp_path: Path, words: tuple[str, ...]) -> None:
    lines = [
        json.dumps({"t": t.at, "topic": topic, "payload": value})
        for t in minute(["x"])
        for topic, value in house(t)
    ]
    (tmp_path / "house.jsonl").write_text("\n".join(lines))
    code, out, err = run("setup", "--from", "house.jsonl", *words)
    assert code == 1
    said, nothing = (err, out) if "-" in words else (out, err)
    assert nothing == ""
    assert "inverter/status" in said
    assert "None of it looks like the cells of a pack" in said
    assert not Path("config.yaml").exists()
    code, out, _ = run("setup", "--from", "house.jsonl", "--json")
    assert code == 1
    assert json.loads(out)["config"] is None


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--from", "nowhere.jsonl"), "nowhere.jsonl: cannot be read: No such file or directory"),
        (("--host", "me@broker"), "--host: a host is a name or an address alone"),
        (("--port", "0"), "--port: "),
        (("--password-file", "x"), "a password needs a user"),
        (("--listen", "soon"), "argument --listen: "),
        (("--listen", "2 h"), "--listen: more than 0 s, and 1 h at most"),
        (("-o", "nowhere/config.yaml"), "nowhere/config.yaml: there is no folder nowhere"),
    ],
    ids=lambda v: " ".join(v) if isinstance(v, tuple) else "",
)
def test_what_it_refuses(run: Run, words: tuple[str, ...], says: str) -> None:
    code, out, err = run("setup", *words)
    assert (code, out) == (2, "")
    assert says in err.splitlines()[-1]


@pytest.mark.parametrize(("answer", "code"), [("y", 0), ("n", 1), ("", 1)])
def test_on_a_terminal_it_asks(tmp_path: Path, recording: str, answer: str, code: int) -> None:
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [WATCHD, "setup", "--from", recording],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        cwd=tmp_path,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80"},
        start_new_session=True,
    )
    os.close(theirs)
    seen = b""
    while b"[y/N] " not in seen:
        seen += os.read(ours, 4096)
    os.write(ours, f"{answer}\n".encode())
    assert process.wait(60) == code
    assert b"Write config.yaml? [y/N] " in seen
    assert (tmp_path / "config.yaml").exists() is (code == 0)
    os.close(ours)
