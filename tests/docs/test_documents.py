"""README and the example files show what is true: each example in them is run."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from pydantic import BaseModel

from watchd.advice.advice import Kind
from watchd.commands import main
from watchd.config import Config
from watchd.documents import parse_document
from watchd.durations import parse_duration
from watchd.errors import WatchdError
from watchd.loading import load, shipped
from watchd.publish import Topics
from watchd.rules.examples import run_examples
from watchd.rules.loader import compile_rules
from watchd.schema import Section

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
EXAMPLE = ROOT / "config.example.yaml"


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.MULTILINE | re.DOTALL)


def models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in getattr(annotation, "__args__", ()):
        yield from models(inner)


def keys(
    model: type[BaseModel], seen: tuple[type[BaseModel], ...] = ()
) -> Iterator[tuple[Any, ...]]:
    """(section, key, default) of every key of the schema."""
    for name, field in model.model_fields.items():
        yield model.__name__, field.alias or name, field.default, field.description
        for inner in models(field.annotation):
            if inner not in seen:
                yield from keys(inner, (*seen, inner))


def test_every_key_of_the_schema_stands_in_the_example_with_its_reason() -> None:
    text = EXAMPLE.read_text("utf-8")
    for section, key, _, description in keys(Config):
        assert description, f"{section}.{key} has no description"
        # Also as a comment, for what is off by default, or inside a { } of one line.
        assert re.search(rf"(^|[\s{{,#-]){re.escape(key)}:", text, re.MULTILINE), f"{section}.{key}"


def test_what_the_example_shows_as_a_default_is_the_default() -> None:
    shown = yaml.safe_load(EXAMPLE.read_text("utf-8"))
    fields = Config.model_fields
    for section in ("broker", "requests", "telemetry", "store", "profile"):
        for key, value in shown[section].items():
            default = getattr(fields[section].default, key)
            as_duration = isinstance(default, float) and isinstance(value, str)
            found = parse_duration(value) if as_duration else value
            if isinstance(default, Section):
                default = default.model_dump()
            assert found == default, f"{section}.{key}"
    assert shown["prefix"] == fields["prefix"].default


@pytest.mark.parametrize("name", ["config.example.yaml", "config.sunspec.example.yaml"])
def test_the_example_files_load_with_the_shipped_rules(name: str) -> None:
    load(ROOT / name, shipped("rules"))


def test_readmes_config_and_rule_are_right(tmp_path: Path) -> None:
    config, rule = blocks("yaml")
    path = tmp_path / "config.yaml"
    path.write_text(config, "utf-8")
    load(path)
    (compiled,) = compile_rules([("README.md", rule)])
    assert [o.passed for o in run_examples(compiled)] == [True, True]


def test_readme_names_the_topics_and_rules_that_there_are() -> None:
    topics = Topics("watchd")
    for topic in (
        topics.annunciation,
        topics.service,
        topics.request,
        topics.request_of("NAME"),
        topics.alarm("RULE", "SUBJECT"),
        *(topics.advice(kind, "BANK") for kind in Kind),
        *(topics.advice_number(kind, "BANK") for kind in Kind),
        topics.figures("pack/PACK"),
        topics.reanchor("PACK"),
    ):
        assert f"`{topic}`" in README
    shipped_rules = {
        r["rule"]
        for p in (ROOT / "rules").glob("*.yaml")
        for r in yaml.safe_load(p.read_text("utf-8"))
    }
    sentence = re.search(r"rules ship: (.*?)\. Copy", README, re.DOTALL)
    assert sentence is not None
    assert set(re.findall(r"`([a-z-]+)`", sentence[1])) == shipped_rules


def commands() -> list[list[str]]:
    lines = [line for block in blocks("sh") for line in block.splitlines()]
    # It makes the config that the others want, and would listen to whatever broker is here.
    return [shlex.split(x) for x in lines if x.startswith("watchd ") and "setup" not in x]


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_readmes_commands_are_understood(words: list[str], tmp_path: Path) -> None:
    """Each is a command with options that exist: what fails is only the missing file."""
    done = subprocess.run(
        [Path(sys.executable).parent / "watchd", *words[1:]],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2
    assert "config.yaml: cannot be read: No such file or directory" in done.stderr
    assert "usage:" not in done.stderr


@pytest.mark.parametrize(
    "command",
    [
        "setup",
        "run",
        "alarms",
        "audit",
        "check",
        "export",
        "fields",
        "replay",
        "tune",
        "backup",
        "schema",
        "completion",
    ],
)
def test_every_command_has_help_with_an_example(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as end:
        main([command, "--help"])
    assert end.value.code == 0
    assert f"Example:\n  watchd {command}" in capsys.readouterr().out
    assert f"`watchd {command}" in README


def test_the_map_of_the_code_names_what_there_is() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    tree = text.split("```")[3]
    for path in sorted((ROOT / "watchd").iterdir()):
        if path.name.startswith("_") or path.name == "py.typed":
            continue
        if path.suffix == ".py" and path.stem in (
            "errors",
            "durations",
            "figures",
            "notes",
            "settings",
            "own_rules",
            "yaml_mistakes",
        ):
            continue  # too small to need a line
        assert path.name in tree, path.name


def test_a_document_that_is_no_config_is_refused() -> None:
    with pytest.raises(WatchdError):
        load(ROOT / "README.md")
    assert parse_document("a: 1", "x").data == {"a": 1}
