"""Every command's help: it fits a terminal, has an example that works, and names defaults."""

from __future__ import annotations

import argparse
import gzip
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.scene import CONFIG
from tests.service.commandline import DAY
from watchd.commands import build_parser, main
from watchd.loading import shipped

Named = tuple[str, argparse.ArgumentParser]
WIDE = 80
_NEEDS_MORE = ("alarms", "reanchor", "run", "backup", "export", "bridge", "digest", "report")


def parsers(parser: argparse.ArgumentParser, name: str = "watchd") -> Iterator[Named]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for word, inner in action.choices.items():
                yield f"{name} {word}", inner
                yield from parsers(inner, f"{name} {word}")


ALL = dict(parsers(build_parser()))


def helped(name: str, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("COLUMNS", str(WIDE))
    return ALL[name].format_help()


def examples(text: str) -> list[str]:
    """The lines that a person would copy, without what the shell does with them."""
    return [
        line.strip().partition(" > ")[0]
        for line in re.findall(r"^  watchd .*$", text, re.MULTILINE)
    ]


@pytest.mark.parametrize("name", ALL)
def test_it_fits_and_ends_in_an_example(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    text = helped(name, monkeypatch)
    assert [line for line in text.splitlines() if len(line) > WIDE] == []
    assert "Example:\n  watchd" in text
    about = ALL[name].description or ""
    assert about[0].isupper()
    assert about.rstrip().endswith(".")


@pytest.mark.parametrize("name", ALL)
def test_every_example_is_understood(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    found = examples(helped(name, monkeypatch))
    assert found
    for line in found:
        program, *words = shlex.split(line)
        assert program == "watchd"
        assert build_parser().parse_args(words).run
        # An alias shows the example of the word that it stands for.
        assert line.startswith((name, name.replace(" ack", " acknowledge")))


@pytest.mark.parametrize("name", ALL)
def test_every_option_says_what_it_is_and_its_default(name: str) -> None:
    for action in ALL[name]._actions:
        if isinstance(action, argparse._SubParsersAction):
            continue
        assert action.help, action
        takes = action.option_strings and action.nargs != 0 and not action.required
        exclusive = any(
            action in group._group_actions and group.required
            for group in ALL[name]._mutually_exclusive_groups
        )
        if takes and not exclusive:
            said = f"{action.option_strings}: {action.help}"
            assert "default: " in action.help or "may be given again" in action.help, said


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """What the examples name."""
    (tmp_path / "config.yaml").write_text(CONFIG)
    (tmp_path / "july.jsonl").write_text(DAY)
    (tmp_path / "july.jsonl.gz").write_bytes(gzip.compress(DAY.encode()))
    (tmp_path / "new-rules").symlink_to(shipped("rules"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    "line",
    [
        line
        for name, parser in ALL.items()
        if name.split()[1] not in _NEEDS_MORE
        for line in examples(parser.format_help())
        if not {"--live", "--host", "--dask", "history"} & set(shlex.split(line))
    ],
)
def test_what_needs_nothing_else_runs(
    line: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = shlex.split(line.replace("/etc/watchd/config.yaml", f"{folder}/config.yaml"))
    code = main(words[1:])
    said = capsys.readouterr()
    assert said.err == ""
    # This day has no whole pack for `setup`, and the config of the tests no fault for `audit`.
    assert code in (0, 1), said
    assert said.out


def test_the_help_of_all_is_grouped(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(WIDE))
    with pytest.raises(SystemExit):
        main(["--help"])
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= WIDE
    places = [text.index(f"\n{title}:\n") for title in ("set it up", "every day")]
    assert places == sorted(places)
    for name in ALL:
        if name.count(" ") == 1:
            assert re.search(rf"^  {name.split()[1]} +[a-z]", text, re.MULTILINE), name


@pytest.mark.parametrize(("told", "instance"), [("3", 3), ("", None)])
def test_the_environment_names_the_instance(
    monkeypatch: pytest.MonkeyPatch, told: str, instance: int | None
) -> None:
    monkeypatch.setenv("WATCHD_INSTANCE", told)
    assert build_parser().parse_args(["run"]).instance == instance
    assert build_parser().parse_args(["run", "--instance", "4"]).instance == 4


def test_an_instance_that_is_no_number_is_not_all_of_them(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("WATCHD_INSTANCE", "four")
    with pytest.raises(SystemExit):
        build_parser().parse_args(["run"])
    assert "'four'" in capsys.readouterr().err
