"""`watchd schema` prints the documents, and says what is wrong in one line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.schemas.files import ROOT
from watchd.commands import main
from watchd.config import parse_config
from watchd.documents import parse_document
from watchd.schemas.config import config_schema
from watchd.schemas.rules import rules_schema
from watchd.schemas.topics import topics_document

EXAMPLE = ROOT / "config.example.yaml"


@pytest.mark.parametrize(
    ("of", "document"),
    [("config", config_schema()), ("rules", rules_schema()), ("topics", topics_document())],
)
def test_it_prints_the_document(
    of: str, document: object, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["schema", of]) == 0
    assert json.loads(capsys.readouterr().out) == document


def test_topics_of_a_config(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema", "topics", "--config", str(EXAMPLE)]) == 0
    config = parse_config(parse_document(EXAMPLE.read_text("utf-8"), "config.yaml"))
    assert json.loads(capsys.readouterr().out) == topics_document(config)


def test_a_config_that_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["schema", "topics", "--config", "config.yaml"]) == 2
    assert capsys.readouterr().err == "config.yaml: cannot be read: No such file or directory\n"


@pytest.mark.parametrize("words", [["schema"], ["schema", "all"]])
def test_what_to_print_must_be_said(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(words)
    assert end.value.code == 2
    assert "config" in capsys.readouterr().err


def test_the_help_says_how_an_editor_is_tied(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["schema", "--help"])
    assert end.value.code == 0
    told = capsys.readouterr().out
    assert "watchd schema config > config.schema.json" in told
    assert EXAMPLE.read_text("utf-8").split("\n", 1)[0] in told
