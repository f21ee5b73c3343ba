"""`watchd report` at the command line: a page from a store, and what it says when it cannot."""

from __future__ import annotations

import builtins
import json
import sqlite3
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.scene import CONFIG, START, config_of, leading, pack
from watchd.commands import main
from watchd.engine import Engine
from watchd.loading import load_rules, shipped
from watchd.shell.store import Store
from watchd.shell.store.keeping import Keeping

HOURS = 2


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a config, and a store with two hours of alder and birch."""
    folder = tmp_path_factory.mktemp("hut")
    text = CONFIG + f"store: {{path: {folder / 'watchd.db'}}}\ntimezone: UTC\n"
    (folder / "config.yaml").write_text(text, "utf-8")
    config = config_of(text)
    engine = Engine(config, load_rules(shipped("rules")), tells_samples=True, tells_trends=True)
    with Keeping(folder / "watchd.db", config) as keeping:
        for step in range(HOURS * 120):
            at = START + step * 30.0
            trips = 1 if 200 <= step < 204 else 0
            alder = pack(cell_v=leading(3.46, by_mv=60), current_a=40.0 if step % 9 else 5.0)
            birch = pack(current_a=30.0, protection=trips, soc_pct=50.0)
            for name, document in (("alder", alder), ("birch", birch)):
                engine.feed(f"hut/{name}/state", json.dumps(document).encode(), at)
            engine.tick(at + 1)
            keeping.take(engine)
        keeping.end(engine)
    return folder


@pytest.fixture
def here(kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return kept / "config.yaml"


def report(capsys: pytest.CaptureFixture[str], config: Path, *words: str) -> tuple[int, str, str]:
    code = main(["report", "--config", str(config), *words])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_a_page(here: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = report(capsys, here)
    assert (code, err) == (0, "")
    assert out.startswith("report.html: 2026-09-21T14:13Z to 2026-09-21T16:12Z; ")
    page = (tmp_path / "report.html").read_text("utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert page.endswith("</html>\n")
    for words in ("Pack</small> alder", "Pack</small> birch", "birch: protection trip", "<svg"):
        assert words in page
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_written_again_it_is_the_same(
    here: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "page.html"
    target.write_text("what was there before")
    assert report(capsys, here, "-o", str(target))[0] == 0
    first = target.read_bytes()
    assert report(capsys, here, "-o", str(target))[0] == 0
    assert target.read_bytes() == first
    code, out, _ = report(capsys, here, "-o", "-")
    assert (code, out.encode()) == (0, first)


def test_json_has_the_findings(
    here: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = report(capsys, here, "--json", "--pack", "birch")
    assert (code, err) == (0, "")
    data = json.loads(out)
    assert [s["subject"] for s in data["subjects"]] == ["bank/hut", "pack/birch"]
    trips = next(f for f in data["subjects"][1]["findings"] if f["finding"] == "trips")
    assert trips["standing"] == "act"
    assert trips["numbers"] == {"trips": 1.0}
    assert trips["caution"]
    assert trips in data["first"]
    assert list(tmp_path.iterdir()) == []
    assert report(capsys, here, "--json", "-o", "both.html")[0] == 0
    assert (tmp_path / "both.html").exists()


def test_the_last_hour_alone(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = report(capsys, here, "--json", "--since", "1 h")
    assert json.loads(out)["from"] == "2026-09-21T15:12:51.000Z"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--pack", "aldr"], "no pack is called 'aldr'; did you mean 'alder'?"),
        (["--store", "none.db"], "none.db: there is no such store; the service begins it"),
        (["-o", "nowhere/r.html"], "nowhere/r.html: there is no folder nowhere"),
        (["-o", "."], ".: is a folder; name a file in it"),
        (["--config", "none.yaml"], "none.yaml: cannot be read: No such file"),
    ],
)
def test_what_cannot_be_is_said_in_a_line(
    here: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    code, out, err = report(capsys, here, *words)
    assert (code, out) == (2, "")
    assert err.startswith(said)
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("since", "said"),
    [("a month", "'a month' is not a duration"), ("0 d", "a report of no time has nothing")],
)
def test_a_span_that_is_none(
    here: Path, capsys: pytest.CaptureFixture[str], since: str, said: str
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["report", "--config", str(here), "--since", since])
    assert stopped.value.code == 2
    assert said in capsys.readouterr().err


def test_stores_that_hold_nothing(
    here: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    empty = tmp_path / "empty.db"
    Store(empty).close()
    code, _, err = report(capsys, here, "--store", str(empty))
    assert (code, err) == (2, f"{empty}: nothing is kept of alder and birch yet\n")
    other = tmp_path / "other.db"
    sqlite3.connect(other).close()
    code, _, err = report(capsys, here, "--store", str(other))
    assert (code, err.count("\n")) == (2, 1)
    assert "no history is kept here yet" in err
    other.write_text("this is a letter" * 100)
    code, _, err = report(capsys, here, "--store", str(other))
    assert (code, err.count("\n")) == (2, 1)


def test_without_matplotlib_it_says_what_to_install(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    imported = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name.split(".", maxsplit=1)[0] == "matplotlib":
            raise ImportError(name)
        return imported(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    code, _, err = report(capsys, here)
    assert code == 2
    assert err.count("\n") == 1
    assert "pip install 'watchd[report]'" in err
    assert report(capsys, here, "--json")[0] == 0


def test_progress_is_for_a_terminal_and_leaves_nothing(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    code, _, err = report(capsys, here)
    assert code == 0
    assert "reading birch" in err
    assert "drawing 2 of " in err
    assert "\n" not in err
    shown = ""
    for part in err.split("\r"):
        shown = part + shown[len(part) :]
    assert not shown.strip()
