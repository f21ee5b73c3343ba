"""The commands as a person or a script meets them: exit codes, messages, output that parses."""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from io import BufferedReader, BytesIO, TextIOWrapper
from pathlib import Path
from typing import Any

import pytest

from tests.scene import START, cells, leading, pack
from tests.service.daemon import WATCHD
from tests.service.hut import RULES, write_config, write_rules
from watchd.commands import main

HIGH = pack(cell_v=leading(3.42, by_mv=60))
EVEN = pack(cell_v=cells())


@dataclass(frozen=True, slots=True)
class Done:
    """How a command ended, and what it said."""

    code: int
    out: str
    err: str


Run = Callable[..., Done]


@pytest.fixture
def watchd(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs a command in this process, which is quick; an exception would end the test."""

    def run(*words: str | Path, given: str | bytes = b"") -> Done:
        raw = given.encode() if isinstance(given, str) else given
        stdin = TextIOWrapper(BufferedReader(BytesIO(raw)))
        monkeypatch.setattr(sys, "stdin", stdin)
        try:
            code = main([str(word) for word in words])
        except SystemExit as end:
            code = int(end.code or 0)
        return Done(code, *capsys.readouterr())

    return run


def process(
    *words: str | Path, given: bytes = b"", environment: dict[str, str] | None = None
) -> Done:
    """Runs a command as people do."""
    done = subprocess.run(
        [WATCHD, *words],
        input=given,
        capture_output=True,
        timeout=60,
        check=False,
        env={**os.environ, **(environment or {})},
    )
    return Done(done.returncode, done.stdout.decode(), done.stderr.decode())


def line(t: float, document: Any, name: str = "alder") -> str:
    return json.dumps({"t": t, "topic": f"hut/{name}/state", "payload": document}) + "\n"


# A minute of telemetry: the cell is high from 20 s to 40 s.
DAY = "".join(
    line(START + second, HIGH if 20 <= second < 40 else EVEN) for second in range(0, 60, 5)
)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return write_config(tmp_path, 1883)


# --- check ---


def test_check_of_what_is_right(watchd: Run, config: Path) -> None:
    done = watchd("check", "--config", config)
    assert done.code == 0
    assert done.err == ""
    assert "loads" in done.out
    found = json.loads(watchd("check", "--config", config, "--json").out)
    assert found["packs"] == 2
    assert found["rules"] == ["cell-high"]
    assert found["failed"] == []


def test_check_of_an_example_that_does_not_hold(watchd: Run, config: Path) -> None:
    example = """  examples:
    - {given: {cell_max_v: 3.40}, lasting: 1 min, expect: raised}
"""
    write_rules(config.parent, RULES + example)
    done = watchd("check", "--config", config)
    assert done.code == 1
    assert "rules.yaml:2" in done.out
    assert "is quiet; expected: raised" in done.out
    done = watchd("check", "--config", config, "--json")
    assert done.code == 1
    assert json.loads(done.out)["failed"][0]["rule"] == "cell-high"


def test_check_of_rules_that_do_not_load_names_every_mistake(watchd: Run, config: Path) -> None:
    write_rules(config.parent, RULES.replace("cell_max_v > 3", "cell_mx_v > 3") + RULES)
    done = watchd("check", "--config", config)
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
@pytest.mark.parametrize("command", ["check", "run", "replay"])
def test_a_config_that_does_not_load(
    watchd: Run, config: Path, command: str, content: bytes, where: str, what: str
) -> None:
    config.write_bytes(content)
    done = watchd(command, "--config", config, *(["-"] if command == "replay" else []))
    assert done.code == 2
    assert done.out == ""
    assert done.err.startswith(f"{config}{where}")
    assert what in done.err


def test_a_config_that_is_not_there(watchd: Run) -> None:
    done = watchd("check", "--config", "/nowhere/config.yaml")
    assert done.code == 2
    assert done.err == "/nowhere/config.yaml: cannot be read: No such file or directory\n"


# --- fields ---


def test_fields(watchd: Run) -> None:
    done = watchd("fields")
    assert done.code == 0
    assert "cell_spread_mv" in done.out
    listed = [json.loads(x) for x in watchd("fields", "--json").out.splitlines()]
    units = {(x["about"], x["name"]): x["unit"] for x in listed}
    assert units["pack", "cell_spread_mv"] == "mv"
    only = [json.loads(x) for x in watchd("fields", "--json", "spread").out.splitlines()]
    assert 0 < len(only) < len(listed)


def test_fields_without_a_match(watchd: Run) -> None:
    assert watchd("fields", "no-such-name").code == 1
    assert watchd("fields", "--json", "no-such-name").code == 1


# --- replay ---


def states(output: str) -> list[str]:
    found = [json.loads(x) for x in output.splitlines()]
    assert found[-1]["kind"] == "figures"
    return [x["state"] for x in found if x["kind"] == "alarm"]


def test_replay_reads_files_gzip_and_standard_input(
    watchd: Run, config: Path, tmp_path: Path
) -> None:
    plain, packed = tmp_path / "day.jsonl", tmp_path / "day.jsonl.gz"
    plain.write_text(DAY)
    packed.write_bytes(gzip.compress(DAY.encode()))
    command = ("replay", "--config", config, "--json")
    outputs = [
        watchd(*command, plain),
        watchd(*command, packed),
        watchd(*command, "-", given=DAY),
        watchd(*command, "-", given=packed.read_bytes()),
        process(*command, "-", given=DAY.encode()),
        process(*command, "-", given=packed.read_bytes()),
        process(*command, "/dev/stdin", given=DAY.encode()),  # cannot be wound back
    ]
    for done in outputs:
        assert done.code == 0, done.err
        assert states(done.out) == ["unacknowledged", "returned_unacknowledged"]
        assert done.out == outputs[0].out, "byte for byte"


def test_replay_of_several_recordings_is_as_of_one(
    watchd: Run, config: Path, tmp_path: Path
) -> None:
    lines = DAY.splitlines(keepends=True)
    parts = [tmp_path / "first.jsonl", tmp_path / "second.jsonl.gz"]
    parts[0].write_text("".join(lines[:5]))
    parts[1].write_bytes(gzip.compress("".join(lines[5:]).encode()))
    command = ("replay", "--config", config, "--json")
    assert watchd(*command, *parts).out == watchd(*command, "-", given=DAY).out


def test_replay_for_people(watchd: Run, config: Path) -> None:
    done = watchd("replay", "--config", config, "-", given=DAY)
    assert done.code == 0
    assert "cell-high" in done.out
    assert "alder: cell 7 is at 3.480 V" in done.out
    assert "12 messages" in done.out


def test_replay_with_other_rules(watchd: Run, config: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(RULES.replace("cell-high", "cell-higher").replace("3.45", "3.47"))
    done = watchd("replay", "--config", config, "--rules", other, "--json", "-", given=DAY)
    assert '"rule": "cell-higher"' in done.out
    assert '"rule": "cell-high"' not in done.out


def damaged(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 0xFF]) + data[at + 1 :]


PACKED = gzip.compress(DAY.encode())
T = f"{START:.0f}"


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (b"", "holds no message"),
        (b"\n\n", "holds no message"),
        (b"no JSON\n", "-:1: not a line of JSON"),
        (DAY.encode() + b"{", "-:13: not a line of JSON"),
        (b"\xff\n", "-:1: not a line of JSON"),
        (b"[" * 100_000, "-:1: not a line of JSON"),
        (b"[1, 2]\n", '-:1: not an object with "t", "topic" and "payload"'),
        (b'{"topic": "a", "payload": 1}\n', '-:1: "t" is missing or not Unix seconds'),
        (b'{"t": "noon", "topic": "a", "payload": 1}\n', '-:1: "t" is missing or not Unix'),
        (b'{"t": true, "topic": "a", "payload": 1}\n', '-:1: "t" is missing or not Unix'),
        (b'{"t": NaN, "topic": "a", "payload": 1}\n', '-:1: "t" is missing or not Unix'),
        (b'{"t": 1e400, "topic": "a", "payload": 1}\n', '-:1: "t" is missing or not Unix'),
        (b'{"t": -9e10, "topic": "a", "payload": 1}\n', '-:1: "t" is missing or not Unix'),
        (f'{{"t": {T}, "payload": 1}}\n'.encode(), '-:1: "topic" is missing or not text'),
        (f'{{"t": {T}, "topic": 7, "payload": 1}}\n'.encode(), '-:1: "topic" is missing'),
        (f'{{"t": {T}, "topic": "a"}}\n'.encode(), '-:1: "payload" is missing'),
        (
            line(START, EVEN) + line(START + 60, EVEN) + line(START + 10, EVEN),
            "-:3: t goes back by 50 s; a recording is in the order of time",
        ),
        (PACKED[:-20], "-: cannot be read:"),
        (damaged(PACKED, 20), "-: cannot be read:"),
        (damaged(PACKED, len(PACKED) - 6), "-: cannot be read:"),
    ],
)
def test_replay_of_what_is_no_recording(
    watchd: Run, config: Path, given: str | bytes, says: str
) -> None:
    done = watchd("replay", "--config", config, "-", given=given)
    assert done.code == 2
    assert says in done.err
    assert len(done.err.splitlines()) == 1


@pytest.mark.parametrize("path", ["/nowhere/day.jsonl", "/"])
def test_replay_of_what_cannot_be_read(watchd: Run, config: Path, path: str) -> None:
    done = watchd("replay", "--config", config, path)
    assert done.code == 2
    assert done.err.startswith(f"{path}: cannot be read: ")


def test_replay_refuses_bad_telemetry_as_the_daemon_does(watchd: Run, config: Path) -> None:
    bad = line(START + 70, "{\ud800") + line(START + 71, pack(cell_v=[3.3] * 17))
    done = watchd("replay", "--config", config, "-", given=DAY + bad)
    assert done.code == 0
    assert "note: bad payload: hut/alder/state: cell_v: 17 values for 16 cells" in done.err


def test_standard_input_given_twice_is_empty_the_second_time(watchd: Run, config: Path) -> None:
    assert watchd("replay", "--config", config, "-", "-", given=DAY).code == 0


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
def test_usage_that_is_wrong(watchd: Run, words: list[str]) -> None:
    done = watchd(*words)
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


@pytest.mark.parametrize("command", ["run", "check", "fields", "replay"])
def test_each_command_has_help(watchd: Run, command: str) -> None:
    done = watchd(command, "--help")
    assert done.code == 0
    assert f"watchd {command}" in done.out
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
