"""Rules that are edited while the daemon runs."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.daemon import Daemon, Start
from tests.service.faults.table import Record, Stopwatch
from tests.service.hut import ALARM, ANNUNCIATION, REQUEST, RULES, write_config, write_rules
from tests.service.patience import until

pytestmark = pytest.mark.broker

HIGH = pack(cell_v=leading(3.42, by_mv=60))
EVEN = pack(cell_v=cells())
FAULT = "watchd/alarm/rules-not-loaded/service/watchd"
WARM = """
- rule: warm
  about: pack
  when: temperature_max_degc > 10
  priority: low
  say: "{pack}: {temperature_max_degc:.0f} °C"
"""
WARM_ALARM = "watchd/alarm/warm/pack/alder"


@pytest.fixture
def daemon(broker: BrokerProcess, watchd: Start, tmp_path: Path) -> Daemon:
    """Watches with `RULES`."""
    return watchd(write_config(tmp_path, broker.port))


@pytest.fixture
def listener(broker: BrokerProcess, daemon: Daemon) -> Iterator[Listener]:
    """Has heard that a cell of alder is high."""
    del daemon
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH, birch=EVEN)
        listener(ALARM)
        listener(ANNUNCIATION)
        yield listener


def annunciated(listener: Listener, rule: str) -> int:
    listener.hear_all()
    return sum(h.data["alarm"].startswith(f"{rule}/") for h in listener.on(ANNUNCIATION))


def test_a_rule_is_added_and_a_raised_alarm_stays_as_it_is(
    daemon: Daemon, listener: Listener, tmp_path: Path
) -> None:
    listener.send(REQUEST, {"do": "acknowledge", "alarm": "cell-high/pack/alder"})
    listener(ALARM, lambda d: d["state"] == "acknowledged")
    at = listener.now
    write_rules(tmp_path, RULES + WARM)
    assert listener(WARM_ALARM, since=at).data["text"] == "alder: 16 °C"
    assert daemon.logs("rules loaded")["rules"] == 2
    assert annunciated(listener, "warm") == 2, "of both packs"
    assert annunciated(listener, "cell-high") == 1, "not again"
    later = [h.data for h in listener.on(ALARM, since=at)]
    assert all(d and d["state"] == "acknowledged" for d in later)


def test_a_raised_alarm_of_a_rule_that_is_taken_out_goes(
    daemon: Daemon, listener: Listener, tmp_path: Path
) -> None:
    at = listener.now
    write_rules(tmp_path, WARM)
    assert listener(ALARM, lambda d: d is None, since=at).retain
    listener(WARM_ALARM, since=at)
    assert daemon.process.poll() is None


def test_a_limit_that_is_edited_takes_effect(
    daemon: Daemon, listener: Listener, tmp_path: Path
) -> None:
    del daemon
    at = listener.now
    write_rules(tmp_path, RULES.replace("3.45", "3.55"))
    # Another limit makes it another rule: the alarm begins anew, and 3.48 V is no longer high.
    listener(ALARM, lambda d: d is None, since=at)
    assert annunciated(listener, "cell-high") == 1


def test_a_second_file_counts_too(daemon: Daemon, listener: Listener, tmp_path: Path) -> None:
    del daemon
    (tmp_path / "rules" / "warm.yaml").write_text(WARM)
    listener(WARM_ALARM)


def test_rules_that_do_not_load_leave_the_old_ones_and_are_told(
    daemon: Daemon, listener: Listener, broker: BrokerProcess, tmp_path: Path
) -> None:
    write_rules(tmp_path, RULES.replace("cell_max_v > 3.45", "cell_mx_v > 3.55"))
    fault = listener(FAULT).data
    assert fault["state"] == "unacknowledged"
    assert "rules.yaml:4:" in fault["text"]
    assert "did you mean 'cell_max_v'?" in fault["text"]
    assert "rules.yaml:4:" in daemon.logs("rules do not load; the old ones stay")["problem"]
    listener(ANNUNCIATION, lambda d: d["alarm"] == "rules-not-loaded/service/watchd")

    # The old rules are at work: birch's cell, too, is above 3.45 V now.
    with Bridge(broker.port) as another:
        another.says(birch=HIGH)
        listener("watchd/alarm/cell-high/pack/birch", bool)

    at = listener.now
    write_rules(tmp_path, RULES)
    listener(FAULT, lambda d: d["state"] == "returned_unacknowledged", since=at)
    listener.send(REQUEST, {"do": "acknowledge", "alarm": "rules-not-loaded/service/watchd"})
    listener(FAULT, lambda d: d is None, since=at)
    assert annunciated(listener, "cell-high") == 2, "once for each pack"


def test_whatever_is_in_the_file_it_goes_on(
    daemon: Daemon, listener: Listener, tmp_path: Path, record: Record
) -> None:
    broken = ["- rule: [", "", "x" * 1_000_001]
    for text in broken:
        told = len(daemon.log("rules do not load; the old ones stay"))
        write_rules(tmp_path, text)
        until(
            lambda told=told: (  # type: ignore[misc]
                len(daemon.log("rules do not load; the old ones stay")) > told
            ),
            f"a line about {text[:20]!r}",
            seen=lambda: daemon.text,
        )
    at, mended = listener.now, Stopwatch()
    write_rules(tmp_path, RULES + WARM)
    listener(WARM_ALARM, since=at)
    listener(FAULT, lambda d: d["state"] == "returned_unacknowledged", since=at)
    record("a file of rules that does not load", "nothing", mended.seconds)


def test_a_folder_that_goes_and_comes_back(
    daemon: Daemon, listener: Listener, tmp_path: Path, record: Record
) -> None:
    folder = tmp_path / "rules"
    shutil.move(folder, tmp_path / "elsewhere")
    assert "there is no such folder of rules" in listener(FAULT).data["text"]
    at, mended = listener.now, Stopwatch()
    shutil.move(tmp_path / "elsewhere", folder)
    listener(FAULT, lambda d: d["state"] == "returned_unacknowledged", since=at)
    record("the folder of rules is gone", "nothing", mended.seconds)
    assert daemon.process.poll() is None
