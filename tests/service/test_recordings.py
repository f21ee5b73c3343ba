"""`watchd replay` over files, pipes and what is no recording."""

from __future__ import annotations

import bz2
import gzip
import json
import lzma
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from tests.scene import START, pack
from tests.service.commandline import DAY, EVEN, Run, line, process
from tests.service.hut import RULES, write_config
from watchd.shell.store import Block, Kept, Store


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return write_config(tmp_path, 1883)


def states(output: str) -> list[str]:
    found = [json.loads(x) for x in output.splitlines()]
    assert found[-1]["kind"] == "figures"
    return [x["state"] for x in found if x["kind"] == "alarm"]


def test_replay_reads_files_gzip_and_standard_input(
    command: Run, config: Path, tmp_path: Path
) -> None:
    plain, packed = tmp_path / "day.jsonl", tmp_path / "day.jsonl.gz"
    plain.write_text(DAY)
    packed.write_bytes(gzip.compress(DAY.encode()))
    words = ("replay", "--config", config, "--json")
    outputs = [
        command(*words, plain),
        command(*words, packed),
        command(*words, "-", given=DAY),
        command(*words, "-", given=packed.read_bytes()),
        process(*words, "-", given=DAY.encode()),
        process(*words, "-", given=packed.read_bytes()),
        process(*words, "/dev/stdin", given=DAY.encode()),  # cannot be wound back
    ]
    for done in outputs:
        assert done.code == 0, done.err
        assert states(done.out) == ["unacknowledged", "returned_unacknowledged"]
        assert done.out == outputs[0].out, "byte for byte"


def test_replay_of_several_recordings_is_as_of_one(
    command: Run, config: Path, tmp_path: Path
) -> None:
    lines = DAY.splitlines(keepends=True)
    parts = [tmp_path / "first.jsonl", tmp_path / "second.jsonl.gz"]
    parts[0].write_text("".join(lines[:5]))
    parts[1].write_bytes(gzip.compress("".join(lines[5:]).encode()))
    words = ("replay", "--config", config, "--json")
    assert command(*words, *parts).out == command(*words, "-", given=DAY).out


def test_replay_for_people(command: Run, config: Path) -> None:
    done = command("replay", "--config", config, "-", given=DAY)
    assert done.code == 0
    assert "cell-high" in done.out
    assert "alder: cell 7 is at 3.480 V" in done.out
    assert "12 messages" in done.out


def test_replay_with_other_rules(command: Run, config: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(RULES.replace("cell-high", "cell-higher").replace("3.45", "3.47"))
    done = command("replay", "--config", config, "--rules", other, "--json", "-", given=DAY)
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
    command: Run, config: Path, given: str | bytes, says: str
) -> None:
    done = command("replay", "--config", config, "-", given=given)
    assert done.code == 2
    assert says in done.err
    assert len(done.err.splitlines()) == 1


@pytest.mark.parametrize(
    ("pack_up", "program"),
    [
        (lzma.compress, "xz"),
        (bz2.compress, "bzip2"),
        # Its mark, and what does not matter here.
        (lambda data: b"\x28\xb5\x2f\xfd" + data, "zstd"),
    ],
)
def test_replay_of_what_another_program_has_packed(
    command: Run, config: Path, tmp_path: Path, pack_up: Callable[[bytes], bytes], program: str
) -> None:
    path = tmp_path / "day.jsonl.packed"
    path.write_bytes(pack_up(DAY.encode()))
    for done in (
        command("replay", "--config", config, path),
        command("replay", "--config", config, "-", given=path.read_bytes()),
    ):
        assert done.code == 2
        assert f"packed by {program}, and only gzip is read: {program} -dc FILE | " in done.err
        assert len(done.err.splitlines()) == 1


@pytest.mark.parametrize("path", ["/nowhere/day.jsonl", "/"])
def test_replay_of_what_cannot_be_read(command: Run, config: Path, path: str) -> None:
    done = command("replay", "--config", config, path)
    assert done.code == 2
    assert done.err.startswith(f"{path}: cannot be read: ")


def test_replay_refuses_bad_telemetry_as_the_daemon_does(command: Run, config: Path) -> None:
    bad = line(START + 70, "{\ud800") + line(START + 71, pack(cell_v=[3.3] * 17))
    done = command("replay", "--config", config, "-", given=DAY + bad)
    assert done.code == 0
    assert "note: bad payload: hut/alder/state: cell_v: 17 values for 16 cells" in done.err


def test_standard_input_given_twice_is_empty_the_second_time(command: Run, config: Path) -> None:
    assert command("replay", "--config", config, "-", "-", given=DAY).code == 0


def test_the_history_that_the_service_kept(command: Run, config: Path, tmp_path: Path) -> None:
    path = tmp_path / "store" / "watchd.db"
    with closing(Store(path)) as store:
        lines = DAY.splitlines()
        for first in range(0, len(lines), 4):
            block = [text.encode() for text in lines[first : first + 4]]
            last_at = json.loads(block[-1])["t"]
            store.keep(Kept(Block.of(last_at, block), 0, 0.0, 1_000_000))
    day = tmp_path / "day.jsonl"
    day.write_text(DAY)
    of_file = command("replay", "--config", config, day)
    assert command("replay", "--config", config, "history") == of_file
    assert of_file.code == 0
    late = command("replay", "--config", config, "history", "--since", "5 s")
    assert "4 messages" in late.out
    for words, why in (
        (("history", day), "'history' stands alone; a file of that name is ./history"),
        ((day, "--since", "5 s"), "--since goes with the history"),
    ):
        done = command("replay", "--config", config, *words)
        assert (done.code, done.err) == (2, why + "\n")


@pytest.mark.parametrize("content", [None, b"", b"no database" * 1000])
def test_a_history_that_cannot_be_read(
    command: Run, config: Path, tmp_path: Path, content: bytes | None
) -> None:
    path = tmp_path / "store" / "watchd.db"
    if content is not None:
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content)
    done = command("replay", "--config", config, "history")
    assert done.code == 2
    assert f"{path}: the history cannot be read: " in done.err
    assert len(done.err.splitlines()) == 1
