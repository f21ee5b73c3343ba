"""A recording of what the daemon was sent, replayed, gives what the daemon published.

And so does the history that it keeps itself.
"""

from __future__ import annotations

import gzip
import json
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.scene import cells, leading, pack
from tests.service.brokers import HOST, BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.commandline import process
from tests.service.daemon import WATCHD, Start
from tests.service.hut import REQUEST, value_per_topic, write_config
from tests.service.patience import until

pytestmark = pytest.mark.broker

RULES = """
- rule: cell-spread-wide
  about: pack
  when: cell_spread_mv > 40 and cell_max_v > 3.40 and current_a > 0
  on_delay: 30 s
  off_delay: 60 s
  deadband: {cell_spread_mv: 10}
  priority: medium
  say: "{pack}: cells {cell_spread_mv:.0f} mV apart"
  charge_limit: 0.1 * nameplate_ah
- rule: silent
  about: pack
  when: telemetry_quality == "stale"
  priority: medium
  say: "{pack}: no fresh {telemetry_overdue}"
"""
FORMAT = '{"t":%U,"topic":"%t","payload":%p,"retained":%r}'
WIDE = pack(cell_v=leading(3.42, by_mv=60))
NARROW = pack(cell_v=leading(3.42, by_mv=35))  # within the deadband
EVEN = pack(cell_v=cells())
ALDER, BIRCH = "cell-spread-wide/pack/alder", "cell-spread-wide/pack/birch"


@contextmanager
def recorder(port: int, path: Path) -> Iterator[None]:
    """Any MQTT client can record; this is the one that comes with the broker."""
    program = shutil.which("mosquitto_sub")
    if program is None:
        pytest.skip("no mosquitto_sub on this machine")
    command = [program, "-h", HOST, "-p", str(port), "-F", FORMAT]
    with path.open("wb") as stream:
        process = subprocess.Popen([*command, "-t", "hut/#", "-t", REQUEST], stdout=stream)
    try:
        yield
    finally:
        process.terminate()
        process.wait()


def published(listener: Listener) -> list[tuple[str, str]]:
    """Each change of an alarm, by its records: RULE/SUBJECT and state."""
    found: list[tuple[str, str]] = []
    states: dict[str, str] = {}
    for heard in listener.on("watchd/alarm"):
        key = heard.topic.removeprefix("watchd/alarm/")
        state = heard.data["state"] if heard.payload else "normal"
        if states.get(key, "normal") != state:  # a record may come again for another reason
            found.append((key, state))
        states[key] = state
    return found


def comes(listener: Listener, key: str, state: str, times: int = 1) -> None:
    until(
        lambda: published(listener).count((key, state)) >= times,
        f"{key} is {state}, time {times}",
        seen=lambda: str(published(listener)),
    )


def test_the_same_alarms_in_the_same_order(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    telemetry = {"stale_after": "5 min", "parts_within": "2 min"}
    config = write_config(tmp_path, broker.port, rules=RULES, telemetry=telemetry)
    zero_s = f"{time.time():.3f}"
    start = "2026-06-21T10:00:00Z"
    clock = ["--clock-speed", "60", "--clock-start", start, "--clock-zero", zero_s]
    recording = tmp_path / "day.jsonl"
    with recorder(broker.port, recording), Listener(broker.port) as listener:
        daemon = watchd(config, *clock)
        daemon.works()
        listener.send("hut/ready", 1)
        until(lambda: "hut/ready" in recording.read_text(), "the recorder is there")
        with Bridge(broker.port) as bridge:
            bridge.says(alder=WIDE)
            bridge.says_on(value_per_topic(cells(3.35), current_a=20))
            comes(listener, ALDER, "unacknowledged")
            listener.send(REQUEST, {"do": "acknowledge", "alarm": ALDER})
            comes(listener, ALDER, "acknowledged")
            bridge.says(alder=NARROW)
            bridge.says_on(value_per_topic(leading(3.41, by_mv=55, cell=2), current_a=20))
            comes(listener, BIRCH, "unacknowledged")
            bridge.says(alder=EVEN)
            comes(listener, ALDER, "normal")
            bridge.says(alder=WIDE)
            comes(listener, ALDER, "unacknowledged", times=2)
            bridge.falls_silent()
            bridge.says_on(value_per_topic(cells(3.35), current_a=20))
            comes(listener, BIRCH, "returned_unacknowledged")
            comes(listener, "silent/pack/alder", "unacknowledged")
            bridge.says(alder=EVEN)
            comes(listener, "silent/pack/alder", "returned_unacknowledged")
            comes(listener, ALDER, "returned_unacknowledged")
            listener.send("hut/end", 1)
            until(lambda: "hut/end" in recording.read_text(), "the recorder has all")
        live = published(listener)
    assert daemon.process.poll() is None
    done = process("alarms", "--config", config, "history", "--since", "365 d", "--json")
    journal = [
        (entry["at"], entry["alarm"], entry["event"], entry["state"], entry["told"])
        for entry in json.loads(done.out)["entries"]
    ]
    daemon.stop()

    # What the daemon kept of its own telemetry and requests gives its own journal, to the ms.
    done = process("replay", "--config", config, "--json", "history")
    assert [
        (
            round(x["at"], 3),
            f"{x['rule']}/{x['subject']}",
            x["event"],
            x["state"],
            x["told"],
        )
        for x in map(json.loads, done.out.splitlines())
        if x["kind"] == "alarm"
    ] == journal
    assert len(journal) >= len(live)

    command: list[str | Path] = [WATCHD, "replay", "--config", config, "--json", *clock]
    replayed = transitions(subprocess.check_output([*command, recording], text=True))
    assert replayed == live
    packed = gzip.compress(recording.read_bytes())
    (tmp_path / "day.jsonl.gz").write_bytes(packed)
    for again in (
        subprocess.check_output([*command, tmp_path / "day.jsonl.gz"], text=True),
        subprocess.check_output([*command, "-"], input=packed),
    ):
        assert transitions(again) == live


def transitions(output: str | bytes) -> list[tuple[str, str]]:
    lines = [json.loads(line) for line in output.splitlines()]
    return [(f"{x['rule']}/{x['subject']}", x["state"]) for x in lines if x["kind"] == "alarm"]
