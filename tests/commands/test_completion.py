"""`watchd completion`, in the shells themselves."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from watchd.commands import main

WATCHD = Path(sys.executable).parent / "watchd"
Complete = Callable[[str], list[str]]


@pytest.fixture(scope="module")
def script(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """For bash."""
    path = tmp_path_factory.mktemp("bash") / "watchd"
    with path.open("wb") as stream:
        subprocess.run([WATCHD, "completion", "bash"], stdout=stream, check=True)
    return path


@pytest.fixture
def complete(script: Path, tmp_path: Path) -> Complete:
    """What bash offers for the last word of a line."""
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("no bash on this machine")

    def complete(line: str) -> list[str]:
        words = line.split(" ")
        # As bash itself calls what `complete -F` names (bash(1), Programmable Completion).
        told = f"""
            source {script}
            COMP_WORDS=({" ".join(f"'{word}'" for word in words)})
            COMP_CWORD={len(words) - 1}
            [[ $(complete -p watchd) =~ -F\\ ([^ ]+) ]]
            "${{BASH_REMATCH[1]}}" watchd '{words[-1]}' '{words[-2]}'
            printf '%s\\n' "${{COMPREPLY[@]}}"
        """
        done = subprocess.run(
            [bash, "--norc", "-c", told],
            capture_output=True,
            text=True,
            check=False,
            cwd=tmp_path,
            env={"PATH": os.environ["PATH"], "HOME": str(tmp_path)},
        )
        return sorted({x.strip() for x in done.stdout.splitlines() if x.strip()})

    return complete


def test_commands(complete: Complete) -> None:
    assert {"setup", "run", "alarms", "completion"} <= set(complete("watchd "))
    assert complete("watchd rea") == ["reanchor"]


def test_options(complete: Complete) -> None:
    assert {"--from", "--tls-ca", "--yes"} <= set(complete("watchd setup --"))
    assert complete("watchd check --str") == ["--strict"]


def test_words_below_a_command(complete: Complete) -> None:
    assert {"why", "shelve", "history"} <= set(complete("watchd alarms "))
    assert "--until-cleared" in complete("watchd alarms shelve --")


def test_choices(complete: Complete) -> None:
    assert complete("watchd schema ") == ["config", "rules", "topics"]
    assert complete("watchd export --resolution ") == ["day", "minute", "raw"]
    assert complete("watchd completion z") == ["zsh"]


def test_files_and_folders(complete: Complete, tmp_path: Path) -> None:
    (tmp_path / "hut.yaml").touch()
    (tmp_path / "hut-rules").mkdir()
    assert "hut.yaml" in complete("watchd check --config hut")
    assert "hut.yaml" in complete("watchd replay hut")
    assert complete("watchd check --rules hut") == ["hut-rules"]


@pytest.mark.parametrize("shell", ["bash", "zsh", "tcsh"])
def test_each_shell_takes_it(
    shell: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["completion", shell]) == 0
    text = capsys.readouterr().out
    assert "reanchor" in text
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"no {shell} on this machine")
    path = tmp_path / "watchd"
    path.write_text(text)
    # -n: read, and run nothing.
    subprocess.run([program, "-n", path], check=True)
