"""How the log reads: in the journal, on a terminal, as JSON. The journal is a socket here."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.service.brokers import free_port
from tests.service.daemon import Start
from tests.service.hut import RULES, write_config, write_rules
from tests.service.patience import until
from watchd.shell.lines import _state_text

SAYS = """
import logging, sys
import structlog
from watchd.shell.log import set_up_log
set_up_log(as_json="json" in sys.argv, verbose=False)
log = structlog.get_logger("watchd")
log.info("watchd starts", packs=["alder"], tls=False)
log.warning("no link to the broker", link="out")
log.warning("no link to the broker", link="out")
log.error("rules do not load; the old ones stay", problem="rules.yaml:4:9: what\\n    x\\n    ^")
logging.getLogger("some.library").error("it says %d", 7)
try:
    raise ArithmeticError("made up")
except ArithmeticError:
    log.exception("a tick failed")
"""


def said(*words: str, journal: bool, environment: dict[str, str] | None = None) -> list[str]:
    """Lines on standard error, which is the journal's or is not."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        found = os.fstat(theirs.fileno())
        # A variable that was handed on from elsewhere names another stream.
        inode = found.st_ino if journal else found.st_ino + 1
        subprocess.run(
            [sys.executable, "-c", SAYS, *words],
            stderr=theirs.fileno(),
            check=True,
            timeout=60,
            env={
                **os.environ,
                "JOURNAL_STREAM": f"{found.st_dev}:{inode}",
                **(environment or {}),
            },
        )
        theirs.shutdown(socket.SHUT_WR)
        with ours.makefile("r") as stream:
            return stream.read().splitlines()


def test_in_the_journal_each_line_has_its_priority_and_no_time() -> None:
    lines = said(journal=True)
    assert lines[:7] == [
        "<6>watchd starts packs=['alder'] tls=False",
        "<4>no link to the broker link=out",
        "<3>rules do not load; the old ones stay problem='rules.yaml:4:9: what\\n    x\\n    ^'",
        "<3>it says 7 library=some.library",
        "<3>a tick failed",
        "<3>Traceback (most recent call last):",
        '<3>  File "<string>", line 13, in <module>',
    ]
    assert lines[-1] == "<3>ArithmeticError: made up"


def test_json_in_the_journal_has_its_priority_too() -> None:
    lines = said("json", journal=True)
    assert [x[:3] for x in lines] == ["<6>", "<4>", "<3>", "<3>", "<3>"]
    data = [json.loads(x[3:]) for x in lines]
    assert data[0]["event"] == "watchd starts"
    assert data[0]["level"] == "info"
    assert "ArithmeticError" in data[4]["exception"]


def test_elsewhere_lines_have_a_time_and_a_level() -> None:
    lines = said(journal=False)
    stamped = r"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d\.\d+Z \[warning *\] no link to the broker link=out"
    assert re.fullmatch(stamped, lines[1])
    assert not any(x.startswith("<") for x in lines)
    assert "\x1b" not in "".join(lines), "no colours where there is no terminal"


@pytest.mark.parametrize("variable", ["", "8:1:2"])
def test_a_variable_that_is_none_is_no_journal(variable: str) -> None:
    lines = said(journal=True, environment={"JOURNAL_STREAM": variable})
    assert lines[0].startswith("20")


def test_the_first_line_says_all_that_matters(watchd: Start, tmp_path: Path) -> None:
    port = free_port()
    config = write_config(tmp_path, port)
    line = watchd(config).logs("watchd starts")
    assert line == {
        **line,
        "python": ".".join(map(str, sys.version_info[:3])),
        "config": str(config),
        "rules": 1,
        "folder": str(tmp_path / "rules"),
        "banks": ["hut"],
        "packs": ["alder", "birch"],
        "broker": f"127.0.0.1:{port}",
        "mqtt": "5",
        "tls": False,
        "prefix": "watchd",
        "store": str(tmp_path / "store" / "watchd.db"),
        "state": "fresh",
    }
    assert set(line) == {
        *("event", "level", "timestamp", "version", "python", "config", "rules", "folder"),
        *("banks", "packs", "broker", "mqtt", "tls", "prefix", "store", "store_mb", "state"),
        *("spool", "told_again"),
    }


@pytest.mark.parametrize(
    ("state", "says"),
    [
        (None, "fresh"),
        ({}, "fresh"),
        ({"at": 1_790_000_000.0, "step_s": 60.0}, "restored, of 2026-09-21T14:14:20.000Z"),
        ({"at": "noon"}, "saved, but not to be read"),
    ],
)
def test_what_is_said_of_the_saved_state(state: dict[str, Any] | None, says: str) -> None:
    assert _state_text(state) == says


@pytest.mark.long
def test_a_second_start_says_from_when_its_state_is(watchd: Start, tmp_path: Path) -> None:
    config = write_config(tmp_path, free_port())
    first = watchd(config)
    first.logs("no link to the broker")
    assert first.stop()[0] == 0
    line = watchd(config).logs("watchd starts")
    assert re.fullmatch(r"restored, of 20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d\.\d\d\dZ", line["state"])
    assert line["store_mb"] > 0


def test_the_same_mistake_is_told_each_time_that_somebody_edits(
    watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, free_port()))
    daemon.logs("watchd starts")
    for edits in (1, 2):
        write_rules(tmp_path, RULES.replace("cell_max_v >", "cell_mx_v >") + "#" * edits)
        until(
            lambda edits=edits: (  # type: ignore[misc]
                len(daemon.log("rules do not load; the old ones stay")) == edits
            ),
            "it is told",
            seen=lambda: daemon.text,
        )
