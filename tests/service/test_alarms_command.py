"""`watchd alarms`, of a daemon that runs: what stands, why, and what a person does about it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.commandline import Done, process
from tests.service.daemon import Daemon, Start
from tests.service.hut import ALARM, ANNUNCIATION, write_config, write_rules
from tests.service.patience import until

pytestmark = pytest.mark.broker

RULES = """
- rule: cell-high
  about: pack
  when: cell_max_v > 3.45 and (current_a > 0 or soc_pct > 99)
  deadband: {cell_max_v: 0.02}
  off_delay: 1 s
  latching: yes
  priority: high
  group: top
  say: "{pack}: cell {cell_max_no:.0f} is at {cell_max_v:.3f} V"
  response: Charge with less current.
- rule: cell-v-high
  about: cell
  when: cell_v > 3.45
  group: top
  priority: low
  say: "{pack}: cell {cell} is at {cell_v:.3f} V"
- rule: warm
  about: pack
  when: temperature_max_degc > 10
  annunciate: no
  priority: low
  say: "{pack}: {temperature_max_degc:.0f} °C"
"""
HIGH = pack(cell_v=leading(3.42, by_mv=60), current_a=20)
EVEN = pack(cell_v=cells(), current_a=-20)
FAULT = "rules-not-loaded/service/watchd"
KEY, CELL = "cell-high/pack/alder", "cell-v-high/cell/alder/7"
Alarms = Callable[..., Done]


@pytest.fixture
def config(broker: BrokerProcess, tmp_path: Path) -> Path:
    """A hut with a rule that latches."""
    return write_config(tmp_path, broker.port, rules=RULES)


@pytest.fixture
def alarms(config: Path) -> Alarms:
    """`watchd alarms`, with these words."""

    def run(*words: str) -> Done:
        return process("alarms", "--config", config, *words)

    return run


@pytest.fixture
def listener(broker: BrokerProcess, daemon: Daemon, bridge: Bridge) -> Iterator[Listener]:
    """Has heard that a cell of alder is high."""
    daemon.works()
    with Listener(broker.port) as listener:
        bridge.says(alder=HIGH)
        listener(ALARM, lambda d: d["state"] == "unacknowledged")
        yield listener


def journal(alarms: Alarms, *words: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(alarms("history", *words, "--json").out)["entries"]
    return found


def test_a_latched_alarm_from_the_list_to_the_reset(
    bridge: Bridge, listener: Listener, alarms: Alarms
) -> None:
    listed = alarms()
    assert listed.code == 0
    # The most urgent first; what is silent stands there as well.
    heads = [line for line in listed.out.splitlines() if line.endswith(("  (high)", "  (low)"))]
    # Of a group the most urgent leads, and what came with it stands below.
    assert heads == [f"{KEY}  (high)", f"    {CELL}  (low)", "warm/pack/alder  (low)"]
    assert f"after {KEY}" in listed.out or f"after {CELL}" in listed.out
    assert "alder: cell 7 is at 3.480 V" in listed.out
    (silent,) = [line for line in listed.out.splitlines() if line.endswith(", silent")]
    assert silent.strip().startswith("unacknowledged, raised ")

    refused = alarms("reset", "cell-high/alder")
    assert (refused.code, refused.out) == (1, "")
    assert refused.err == f"{KEY} is unacknowledged: its condition still stands\n"

    done = alarms("ack", "cell-high/alder")
    assert (done.code, done.out) == (0, f"{KEY}: acknowledged\n")
    at = listener.now
    bridge.says(alder=EVEN)
    listener(ALARM, lambda d: d["state"] == "latched_acknowledged", since=at)
    done = alarms("reset", KEY)
    assert (done.code, done.out) == (0, f"{KEY}: normal\n")
    assert listener(ALARM, lambda d: d is None, since=at).retain

    happened = [(e["event"], e["before"], e["state"], e["told"]) for e in journal(alarms, KEY)]
    assert happened == [
        ("raised", "normal", "unacknowledged", "yes"),
        ("acknowledged", "unacknowledged", "acknowledged", "no"),
        ("returned", "acknowledged", "latched_acknowledged", "no"),
        ("reset", "latched_acknowledged", "normal", "no"),
    ]
    raised, _, returned, reset = journal(alarms, KEY)
    assert raised["values"]["cell_max_v"] == 3.48
    assert returned["values"]["cell_max_v"] == 3.33, "the values that caused it"
    assert reset["by"], "who asked"
    text = alarms("history", KEY).out
    assert "raised: normal -> unacknowledged, told" in text
    assert f"reset by {reset['by']} (its own word): latched acknowledged -> normal" in text


def test_why(listener: Listener, alarms: Alarms) -> None:
    del listener
    told = alarms("why", "cell-high/alder")
    assert told.code == 0
    lines = told.out.splitlines()
    assert lines[0] == f"{KEY}: unacknowledged, priority high"
    # Ages and delays are as they are; the rest stands still.
    said = [line.split(", for ")[0].rstrip() for line in lines if line.startswith("  ")]
    assert said == [
        "  yes      cell_max_v is 3.48 V, above 3.43 V",
        "           (with the deadband of 0.02 V)",
        "  yes      any of these holds:",
        "    yes      current_a is 20 A, above 0 A",
        "    no       soc_pct is 60 %, not above 99 %",
    ]
    assert "It stays raised while all of these hold:" in lines

    told = alarms("why", "warm/birch")
    assert "unknown  temperature_max_degc is unknown; limit: above 10 °C" in told.out
    assert told.out.rstrip().endswith("No delay runs.")

    refused = alarms("why", "cell-hihg")
    assert refused.code == 1
    assert "no alarm is called 'cell-hihg'" in refused.err


def test_a_shelved_alarm_is_recorded_and_tells_nobody(
    bridge: Bridge, listener: Listener, alarms: Alarms
) -> None:
    done = alarms("shelve", KEY, "--until-cleared")
    assert (done.code, done.out) == (0, f"{KEY}: shelved\n")
    record = listener(ALARM, lambda d: d["state"] == "shelved").data
    assert record["condition"] == "unacknowledged"
    assert record["until_cleared"] is True
    at = listener.now
    bridge.says(alder=EVEN)
    # It latches, so its clearing does not end it; the shelf it does.
    listener(ALARM, lambda d: d["state"] == "latched_unacknowledged", since=at)
    events = [e["event"] for e in journal(alarms, KEY)]
    assert events == ["raised", "shelved", "returned", "unshelved"]

    done = alarms("shelve", KEY, "--for", "8 d")
    assert done.code == 1
    assert done.err == "8 d is longer than alarms: longest_shelve allows (7 d)\n"
    assert alarms("unshelve", KEY).err == (f"{KEY} is latched unacknowledged: it is not shelved\n")
    done = alarms("out-of-service", KEY)
    assert done.out == f"{KEY}: out of service\n"
    told = len(listener.on(ANNUNCIATION))
    bridge.says(alder=HIGH)
    until(
        lambda: journal(alarms, KEY)[-1]["event"] == "raised",
        "it is evaluated and recorded out of service as well",
    )
    assert journal(alarms, KEY)[-1]["told"] == "withheld"
    listener.hear_all()
    later = [h.data["alarm"] for h in listener.on(ANNUNCIATION)[told:]]
    assert KEY not in later
    assert alarms("in-service", KEY).out == f"{KEY}: unacknowledged\n"
    listener(ANNUNCIATION, lambda d: d["event"] == "returned_to_service")


def test_all_are_acknowledged_at_once(listener: Listener, alarms: Alarms) -> None:
    del listener
    done = alarms("ack", "--all")
    assert done.code == 0
    assert sorted(done.out.splitlines()) == [
        f"{KEY}: acknowledged",
        f"{CELL}: acknowledged",
    ]
    again = alarms("ack", "--all")
    assert (again.code, again.out) == (0, "nothing waits to be acknowledged\n")


def test_the_journal_and_what_people_decided_survive_a_restart(
    config: Path, watchd: Start, daemon: Daemon, listener: Listener, alarms: Alarms
) -> None:
    alarms("ack", KEY)
    alarms("shelve", CELL, "--for", "8 h")
    before = journal(alarms)
    told = len(listener.on(ANNUNCIATION))
    daemon.stop()
    watchd(config).works()
    assert journal(alarms) == before
    states = {a["alarm"]: a["state"] for a in json.loads(alarms("list", "--json").out)["alarms"]}
    assert states == {KEY: "acknowledged", CELL: "shelved", "warm/pack/alder": "unacknowledged"}
    listener.hear_all()
    assert len(listener.on(ANNUNCIATION)) == told, "nobody is told twice"


def test_rules_that_do_not_load_are_no_reason_not_to_tell(
    listener: Listener, alarms: Alarms, tmp_path: Path
) -> None:
    write_rules(tmp_path, "- rule: [")
    listener(f"watchd/alarm/{FAULT}", bool)
    asked = alarms()
    assert asked.code == 0
    assert f"{FAULT}  (medium)" in asked.out
    assert f"{KEY}  (high)" in asked.out


def test_over_3_1_1_the_answer_comes_too(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    config = write_config(tmp_path, broker.port, rules=RULES, broker={"protocol": "3.1.1"})
    watchd(config).works()
    with Bridge(broker.port) as bridge, Listener(broker.port) as listener:
        bridge.says(alder=HIGH)
        listener(ALARM)
    done = process("alarms", "--config", config, "ack", "cell-high/alder")
    assert (done.code, done.out) == (0, f"{KEY}: acknowledged\n")


def test_nobody_answers(config: Path, alarms: Alarms, daemon: Daemon) -> None:
    del config
    daemon.works()
    daemon.stop()
    done = alarms()
    assert done.code == 2
    assert "watchd does not answer on watchd/request within 5 s" in done.err
    assert "watchd/service says: stopped since " in done.err


def test_no_broker(tmp_path: Path) -> None:
    config = write_config(tmp_path, 1, rules=RULES)
    done = process("alarms", "--config", config)
    assert done.code == 2
    assert done.err.startswith("no link to the broker at 127.0.0.1:1: ")
    assert len(done.err.splitlines()) == 1
