"""The commands as a person or a script meets them: exit codes, messages, output that parses."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import pytest

from tests.scene import START
from tests.service.commandline import DAY, EVEN, HIGH, Run, line, process
from tests.service.daemon import WATCHD
from tests.service.hut import RULES, write_config, write_rules


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return write_config(tmp_path, 1883)


# --- check ---


def test_check_of_what_is_right(command: Run, config: Path) -> None:
    done = command("check", "--config", config)
    assert done.code == 0
    assert done.err == ""
    assert "loads" in done.out
    found = json.loads(command("check", "--config", config, "--json").out)
    assert found["packs"] == 2
    assert found["rules"] == ["cell-high"]
    assert found["failed"] == []


def test_check_of_an_example_that_does_not_hold(command: Run, config: Path) -> None:
    example = """  examples:
    - {given: {cell_max_v: 3.40}, lasting: 1 min, expect: raised}
"""
    write_rules(config.parent, RULES + example)
    done = command("check", "--config", config)
    assert done.code == 1
    assert "rules.yaml:2" in done.out
    assert "is quiet; expected: raised" in done.out
    done = command("check", "--config", config, "--json")
    assert done.code == 1
    assert json.loads(done.out)["failed"][0]["rule"] == "cell-high"


def test_check_of_rules_that_do_not_load_names_every_mistake(command: Run, config: Path) -> None:
    write_rules(config.parent, RULES.replace("cell_max_v > 3", "cell_mx_v > 3") + RULES)
    done = command("check", "--config", config)
    assert done.code == 2
    assert done.out == ""
    assert "rules.yaml:4:" in done.err
    assert "did you mean 'cell_max_v'?" in done.err


@pytest.mark.parametrize(
    ("content", "where", "what"),
    [
        (b"", "", ""),
        (b"banks: [", ":1:", ""),
        (b"\xff\xfe", "", "UTF-8"),
        (b"- a list", "", "banks"),
        (b"pakcs: {}", ":1:1", "did you mean 'packs'?"),
        (b"a" * 1_000_001, "", "larger than 1,000,000 bytes"),
    ],
    ids=["empty", "no YAML", "no text", "a list", "a misspelt key", "too large"],
)
@pytest.mark.parametrize("name", ["check", "run", "replay"])
def test_a_config_that_does_not_load(
    command: Run, config: Path, name: str, content: bytes, where: str, what: str
) -> None:
    config.write_bytes(content)
    done = command(name, "--config", config, *(["-"] if name == "replay" else []))
    assert done.code == 2
    assert done.out == ""
    assert done.err.startswith(f"{config}{where}")
    assert what in done.err


def test_a_config_that_is_not_there(command: Run) -> None:
    done = command("check", "--config", "/nowhere/config.yaml")
    assert done.code == 2
    assert done.err == "/nowhere/config.yaml: cannot be read: No such file or directory\n"


# --- fields ---


def test_fields(command: Run) -> None:
    done = command("fields")
    assert done.code == 0
    assert "cell_spread_mv" in done.out
    listed = [json.loads(x) for x in command("fields", "--json").out.splitlines()]
    units = {(x["about"], x["name"]): x["unit"] for x in listed}
    assert units["pack", "cell_spread_mv"] == "mv"
    only = [json.loads(x) for x in command("fields", "--json", "spread").out.splitlines()]
    assert 0 < len(only) < len(listed)


def test_fields_without_a_match(command: Run) -> None:
    assert command("fields", "no-such-name").code == 1
    assert command("fields", "--json", "no-such-name").code == 1


# --- usage, and readers that leave ---


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["dance"],
        ["check", "--no-such-option"],
        ["fields", "--about", "moon"],
        ["run", "--log", "xml"],
        ["run", "--clock-speed", "0"],
        ["run", "--clock-speed", "nan"],
        ["run", "--clock-start", "noon"],
        ["run", "--clock-start", "2026-06-21T10:00:00"],
        ["run", "--clock-zero", "nan"],
        ["run", "--clock-zero", "inf"],
        ["replay"],
    ],
    ids=" ".join,
)
def test_usage_that_is_wrong(command: Run, words: list[str]) -> None:
    done = command(*words)
    assert done.code == 2
    assert done.out == ""
    assert done.err.startswith("usage: watchd")
    assert "error: " in done.err


def test_exit_codes_reach_the_shell(config: Path) -> None:
    assert process("check", "--config", config).code == 0
    assert process("fields", "no-such-name").code == 1
    assert process("check", "--config", "/nowhere/config.yaml").code == 2
    assert process("dance").code == 2


def test_a_clock_beyond_all_dates_is_refused(config: Path) -> None:
    done = process("run", "--config", config, "--clock-zero", "0", "--clock-speed", "1000")
    assert done.code == 2
    assert done.err == "the options of the clock put it before 1970 or after 9000\n"


@pytest.mark.parametrize("name", ["run", "check", "fields", "replay"])
def test_each_command_has_help(command: Run, name: str) -> None:
    done = command(name, "--help")
    assert done.code == 0
    assert f"watchd {name}" in done.out
    assert "Example:" in done.out


@pytest.mark.parametrize(
    "words",
    [
        ["fields"],
        ["fields", "--json"],
        ["check", "--config", "config.yaml"],
        ["replay", "--config", "config.yaml", "--json", "long.jsonl"],
        ["replay", "--config", "config.yaml", "long.jsonl"],
        ["--help"],
    ],
    ids=" ".join,
)
def test_a_reader_that_has_seen_enough_is_no_mistake(config: Path, words: list[str]) -> None:
    long = "".join(line(START + n, EVEN if n % 20 < 10 else HIGH) for n in range(0, 20_000, 10))
    (config.parent / "long.jsonl").write_text(long)
    process = subprocess.Popen(
        [WATCHD, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=config.parent,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},  # each line is a write of its own
    )
    assert process.stdout
    assert process.stderr
    assert process.stdout.readline()
    process.stdout.close()
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait(60) == 0


def test_output_in_a_locale_without_utf_8(config: Path) -> None:
    rules = RULES.replace("{pack}: cell", "{pack} °: cell")
    write_rules(config.parent, rules)
    latin = {"LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"}
    done = process("replay", "--config", config, "-", given=DAY.encode(), environment=latin)
    assert done.code == 0, done.err
