"""A recording replayed in one process and in several: the same, byte for byte."""

from __future__ import annotations

import gzip
import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.core.three_banks import RULES_TEXT, TEXT, messages
from tests.scene import START
from tests.service.commandline import DAY, Done, process
from tests.service.daemon import WATCHD
from tests.service.hut import write_config
from watchd.commands import main


def lines(seed: int) -> Iterator[str]:
    """Three banks with floods, silences, requests that came to nothing, and nonsense; invented."""
    for at, topic, payload, retained in messages(seed):
        document = {"t": at, "topic": topic, "payload": payload.decode(), "retained": retained}
        yield json.dumps(document) + "\n"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "config.yaml"
    (tmp_path / "rules.yaml").write_text(RULES_TEXT)
    path.write_text(f"{TEXT}rules: rules.yaml\n")
    return path


def replays(config: Path, recording: Path, *more: str) -> list[Done]:
    """In one process, and in several."""
    words: list[str | Path] = ["replay", "--config", config, recording, *more, "--processes"]
    return [process(*words, number) for number in ("1", "3")]


@pytest.mark.parametrize(
    "form", ["--json", *(pytest.param(f, marks=pytest.mark.long) for f in ("--summary", None))]
)
def test_banks_side_by_side_are_as_one_after_the_other(
    config: Path, tmp_path: Path, form: str | None
) -> None:
    recording = tmp_path / "site.jsonl.gz"
    recording.write_bytes(gzip.compress("".join(lines(2)).encode()))
    one, several = replays(config, recording, *([form] if form else []))
    assert one.code == 0, one.err
    assert several == one
    assert "cell-high" in one.out


ACKNOWLEDGE = {"do": "acknowledge", "alarm": "low/pack/fir"}


@pytest.mark.parametrize(
    ("piece", "says"),
    [
        # A request may be about any bank: from there on, one engine has all.
        ({"t": START, "topic": "watchd/request", "payload": ACKNOWLEDGE}, ""),
        pytest.param(
            {"t": START, "topic": "site/both", "payload": "60"}, "", marks=pytest.mark.long
        ),
        ("nonsense", "not a line of JSON"),
        pytest.param(
            {"t": START - 100, "topic": "a", "payload": 1},
            "t goes back by",
            marks=pytest.mark.long,
        ),
    ],
)
def test_what_came_before_is_told_once(
    config: Path, tmp_path: Path, piece: object, says: str
) -> None:
    recording = tmp_path / "site.jsonl"
    told = list(lines(4))
    if isinstance(piece, dict) and piece["t"] >= START:
        piece = {**piece, "t": json.loads(told[150])["t"]}
    told.insert(150, (piece if isinstance(piece, str) else json.dumps(piece)) + "\n")
    recording.write_text("".join(told))
    one, several = replays(config, recording, "--json")
    assert several == one
    assert says in one.err
    assert one.out.count('"alarm"') > 20
    assert one.code == (2 if says else 0)


def test_of_one_bank_the_reading_is_in_a_process_of_its_own(tmp_path: Path) -> None:
    config, recording = write_config(tmp_path, 1883), tmp_path / "day.jsonl"
    recording.write_text(DAY)
    one, several = replays(config, recording, "--json")
    assert one.code == 0, one.err
    assert several == one
    recording.write_text(DAY + "nonsense\n")
    broken, in_two = replays(config, recording, "--json")
    assert in_two == broken
    assert broken.err == f"{recording}:13: not a line of JSON\n"
    assert one.out.startswith(broken.out)


@pytest.mark.parametrize("path", ["-", "/dev/stdin"])
def test_standard_input_is_read_by_this_process(tmp_path: Path, path: str) -> None:
    """Another would have none."""
    (tmp_path / "day.jsonl").write_text(DAY)
    config = write_config(tmp_path, 1883)
    words: list[str | Path] = [WATCHD, "replay", "--config", config, path, "--processes", "2"]
    with (tmp_path / "day.jsonl").open("rb") as stream:
        assert b"12 messages" in subprocess.check_output(words, stdin=stream)


@pytest.mark.parametrize("number", ["0", "-1", "two", "1000"])
def test_a_number_of_processes(number: str) -> None:
    done = process("replay", "-", "--processes", number)
    assert done.code == 2
    assert f"'{number}' is not a number from 1 to 64" in done.err


@pytest.mark.parametrize("processes", ["1", "2"])
@pytest.mark.parametrize(
    "words",
    [
        ("replay", "--summary"),
        ("replay", "--json"),
        ("replay", "--against", "{folder}/rules.yaml"),
        ("tune", "spread", "--vary", "cell_spread_mv 20..60 step 20"),
    ],
)
def test_the_recording_of_another_bank_is_noticed(
    words: tuple[str, ...],
    processes: str,
    config: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    own, strange = tmp_path / "own.jsonl", tmp_path / "strange.jsonl"
    of_site = [text for text in lines(2) if '"site/' in text][:30]
    own.write_text("".join(of_site))
    strange.write_text("".join(text.replace('"site/', '"elsewhere/') for text in of_site))
    command, *rest = (word.format(folder=tmp_path) for word in words)
    note = f"note: none of the 30 messages is on a topic of the sources in {config}: is it the "
    for recording, is_noticed in ((own, False), (strange, True)):
        given = ["--config", str(config), "--processes", processes, str(recording)]
        assert main([command, *rest, *given]) == 0
        assert (note in capsys.readouterr().err) is is_noticed
