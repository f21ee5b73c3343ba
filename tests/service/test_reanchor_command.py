"""`watchd reanchor`, of a daemon that runs, and is killed in the middle of it."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.scene import leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.commandline import Done, process
from tests.service.daemon import Daemon, Start
from tests.service.hut import ANNUNCIATION, FIGURES, write_config
from tests.service.patience import until
from watchd.shell.store.contents import unpack_state

pytestmark = pytest.mark.broker

TOPIC = "watchd/reanchor/alder"
TEMPORARY = "watchd/alarm/protection-setting-temporary/pack/alder"
TOP: dict[str, Any] = {"cell_v": leading(3.498, by_mv=24), "current_a": 4.0}
LOW, ANCHORED = pack(**TOP, soc_pct=88.0), pack(**TOP, soc_pct=100.0)
TRIPPED = pack(**TOP, soc_pct=88.0, protection=1)
BIRCH = pack(current_a=8.0)
Reanchor = Callable[..., Done]


@pytest.fixture
def config(broker: BrokerProcess, tmp_path: Path) -> Path:
    """A hut with the rules that ship, in which a pack is full at once."""
    bank = {"charge_voltage_v": 56.0, "max_charge_a": 200, "full_hold": "0 s"}
    return write_config(tmp_path, broker.port, rules=None, banks={"hut": bank})


@pytest.fixture
def reanchor(config: Path) -> Reanchor:
    """`watchd reanchor`, with these words, on a terminal of 60 columns."""

    def run(*words: str) -> Done:
        environment = {"COLUMNS": "60"}
        return process("reanchor", "--config", config, *words, environment=environment)

    return run


@pytest.fixture
def listener(broker: BrokerProcess, daemon: Daemon, bridge: Bridge) -> Iterator[Listener]:
    """Has heard that the BMS of alder shows too little."""
    daemon.works()
    with Listener(broker.port) as listener:
        bridge.says(alder=LOW, birch=BIRCH)
        listener(FIGURES, lambda d: (d["figures"]["soc_error_pct"] or 0) < -5)
        yield listener


def step_of(listener: Listener, step: str, since: int = 0) -> dict[str, Any]:
    found: dict[str, Any] = listener(TOPIC, lambda d: d and d["step"] == step, since=since).data
    return found


def saved(config: Path, step: str) -> bool:
    with closing(sqlite3.connect(config.parent / "store" / "watchd.db", timeout=10)) as db:
        row = db.execute("SELECT state FROM snapshot").fetchone()
    if row is None:
        return False
    engine = (unpack_state(row[0]) or {})["engine"]
    procedure = engine.get("reanchor", {}).get("alder", {}).get("procedure")
    return procedure is not None and procedure["step"] == step


def test_the_whole_of_it_with_a_kill_in_the_middle(
    config: Path,
    watchd: Start,
    daemon: Daemon,
    bridge: Bridge,
    listener: Listener,
    reanchor: Reanchor,
) -> None:
    looked = reanchor("alder")
    assert looked.code == 0
    assert looked.out.startswith("alder: to be re-anchored\n")
    assert "1. absorption: open" in looked.out
    assert max(len(line) for line in looked.out.splitlines()) <= 60

    warned = reanchor("alder", "begin", "--way", "threshold")
    assert warned.code == 1
    assert "- Nothing has begun." in warned.out
    assert listener.on(TOPIC) == []

    begun = reanchor("alder", "begin", "--way", "threshold", "--yes")
    assert begun.code == 0
    assert begun.out.startswith("alder: threshold, waiting for setting\nsince ")
    assert "never leave" in begun.out.replace("\n ", "").lower()
    until(lambda: saved(config, "waiting_for_setting"), "the state")
    daemon.kill()
    at = listener.now
    again = watchd(config)
    again.works()
    step_of(listener, "waiting_for_setting", since=at)
    listener(TEMPORARY, lambda d: d["state"] == "unacknowledged")

    assert reanchor("alder", "set").code == 0
    bridge.says(alder=TRIPPED)
    step_of(listener, "tripped")
    until(lambda: saved(config, "tripped"), "the state")
    again.kill()
    at = listener.now
    third = watchd(config)
    third.works()
    step_of(listener, "tripped", since=at)

    bridge.says(alder=ANCHORED)
    assert "back to 3.650 V" in step_of(listener, "put_back")["do"]
    listener(ANNUNCIATION, lambda d: d.get("step") == "put_back")
    cancelled = reanchor("alder", "cancel")
    assert (cancelled.code, cancelled.out) == (1, "")
    assert cancelled.err.startswith("it cannot be left now: put the threshold back first")
    assert reanchor("alder", "restored").code == 0
    listener(TEMPORARY, lambda d: d is None or d["state"].startswith("returned"))
    told = json.loads(reanchor("alder", "--json").out)["reanchor"]
    assert told["step"]["step"] == "checking"


def test_where_nothing_is_needed_the_answer_is_no(
    bridge: Bridge, listener: Listener, reanchor: Reanchor
) -> None:
    at = listener.now
    bridge.says(alder=ANCHORED)
    listener(FIGURES, lambda d: (d["figures"]["soc_error_pct"] or -9) > -1, since=at)
    looked = reanchor("alder")
    assert (looked.code, looked.err) == (1, "")
    assert looked.out.startswith("alder: nothing to re-anchor\n")
    refused = reanchor("alder", "begin")
    assert (refused.code, refused.out) == (1, "")
    assert "Nothing is to be re-anchored" in refused.err


def test_a_pack_that_there_is_not(listener: Listener, reanchor: Reanchor) -> None:
    del listener
    refused = reanchor("alter", "begin")
    assert (refused.code, refused.out) == (1, "")
    assert refused.err == "no pack in service is called 'alter'; did you mean 'alder'?\n"


def test_words_that_there_are_not_are_usage(config: Path, reanchor: Reanchor) -> None:
    del config
    assert reanchor("alder", "open").code == 2
    assert reanchor("alder", "begin", "--way", "force").code == 2
    for volts in ("56.3", "high", "nan"):
        refused = reanchor("alder", "set", "--volts", volts)
        assert (refused.code, refused.out) == (2, "")
        assert "Traceback" not in refused.err
