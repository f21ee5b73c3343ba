"""SIGHUP: config and rules read anew by a daemon that goes on watching."""

from __future__ import annotations

import re
import shutil
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.scene import cells, leading, pack
from tests.service import brokers
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener, retained
from tests.service.daemon import Daemon, Start
from tests.service.faults.table import Record, Stopwatch
from tests.service.hut import (
    ALARM,
    AMPS,
    ANNUNCIATION,
    CONFIG,
    FIGURES,
    REQUEST,
    RULES,
    SERVICE,
    write_config,
    write_rules,
)
from tests.service.manager import Manager
from tests.service.patience import until

pytestmark = pytest.mark.broker

HIGH = pack(cell_v=leading(3.42, by_mv=60))
EVEN = pack(cell_v=cells())
FAULT = "watchd/alarm/config-not-loaded/service/watchd"
RULES_FAULT = "watchd/alarm/rules-not-loaded/service/watchd"
BIRCH = "watchd/alarm/cell-high/pack/birch"


def section(name: str) -> Any:
    """A section of the config, to be changed."""
    return yaml.safe_load(CONFIG)[name]


@contextmanager
def listening(port: int, *filters: str) -> Iterator[Listener]:
    """Has heard that a cell of each pack is high."""
    with Listener(port, *filters) as listener, Bridge(port) as bridge:
        bridge.says(alder=HIGH, birch=HIGH)
        listener(ALARM)
        listener(BIRCH)
        listener("watchd/figures/pack/birch")
        listener(AMPS, bool)
        yield listener


@pytest.fixture
def daemon(broker: BrokerProcess, watchd: Start, tmp_path: Path) -> Daemon:
    """Watches with `RULES`."""
    return watchd(write_config(tmp_path, broker.port))


@pytest.fixture
def listener(broker: BrokerProcess, daemon: Daemon) -> Iterator[Listener]:
    """Has heard that both packs are high."""
    del daemon
    with listening(broker.port) as listener:
        yield listener


def hang_up(daemon: Daemon, event: str = "config loaded") -> None:
    """SIGHUP, and wait until it has been dealt with."""
    daemon.works()
    before = len(daemon.log(event))
    daemon.process.send_signal(signal.SIGHUP)
    until(lambda: len(daemon.log(event)) > before, event, seen=lambda: daemon.text)


def breaks(config: Path) -> None:
    config.write_text(config.read_text().replace("max_charge_a: 200", "max_chrge_a: 200\n    x: 1"))


def annunciated(listener: Listener, rule: str) -> int:
    listener.hear_all()
    return sum(h.data["alarm"].startswith(f"{rule}/") for h in listener.on(ANNUNCIATION))


def test_the_manager_is_told_when_it_begins_and_when_it_is_done(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    """sd_notify(3): RELOADING=1 with the time of CLOCK_MONOTONIC, then READY=1."""
    with Manager() as manager:
        config = write_config(tmp_path, broker.port)
        daemon = watchd(config, environment=manager.environment)
        manager.hears("READY=1")
        for mend_or_break in (lambda _: None, breaks):
            since = len(manager.told)
            mend_or_break(config)
            daemon.process.send_signal(signal.SIGHUP)
            begun = manager.hears("RELOADING=1", since=since)
            found = re.fullmatch(r"RELOADING=1\nMONOTONIC_USEC=(\d+)", begun.text)
            assert found is not None
            # Not before it was asked for, not after it was told: systemd holds it against both.
            assert begun.at - 5 < int(found[1]) / 1e6 <= begun.at
            done = manager.hears("READY=1", since=since)
            assert manager.told.index(begun) < manager.told.index(done)


def test_a_changed_config_is_in_force_and_nothing_is_lost(
    broker: BrokerProcess, daemon: Daemon, listener: Listener, tmp_path: Path
) -> None:
    listener.send(REQUEST, {"do": "acknowledge", "alarm": "cell-high/pack/alder"})
    listener(ALARM, lambda d: d["state"] == "acknowledged")
    assert annunciated(listener, "cell-high") == 2
    at = listener.now
    packs = section("packs")
    packs["alder"]["nameplate_ah"] = 300
    write_config(tmp_path, broker.port, packs=packs)
    hang_up(daemon)
    listener(FIGURES, lambda d: d["figures"]["nameplate_ah"] == 300, since=at)
    assert annunciated(listener, "cell-high") == 2, "not again"
    assert all(h.data["state"] == "acknowledged" for h in listener.on(ALARM, since=at))
    assert len(daemon.log("receiving telemetry")) == len(daemon.log("publishing")) == 1
    assert not any(h.data["state"] != "running" for h in listener.on(SERVICE))


def test_no_message_is_lost_while_it_reads_anew(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, broker.port))
    daemon.works()
    with Listener(broker.port) as listener:
        sent = 0
        for reloads in (1, 2, 3):
            daemon.process.send_signal(signal.SIGHUP)
            # A few at least, however soon it is done on a busy machine.
            while sent < 300 * reloads - 290 or len(daemon.log("config loaded")) < reloads:
                # No flood, of which older ones would be dropped on purpose.
                if sent < 300 * reloads:
                    listener.send("hut/alder/state", EVEN)
                    sent += 1

        def counts() -> dict[str, int]:
            at = listener.now
            hang_up(daemon)  # the record of the service comes anew, with its counts
            found: dict[str, int] = listener(SERVICE, since=at).data["counts"]
            return found

        until(
            lambda: counts().get("messages") == sent, "all are counted", seen=lambda: str(counts())
        )
        assert "dropped" not in counts()


def test_a_config_that_does_not_load_leaves_the_old_one_and_is_told(
    daemon: Daemon, listener: Listener, tmp_path: Path, record: Record
) -> None:
    config = tmp_path / "config.yaml"
    whole = config.read_text()
    breaks(config)
    hang_up(daemon, "the config does not load; the old one stays")
    fault = listener(FAULT).data
    assert fault["state"] == "unacknowledged"
    line = whole[: whole.index("max_charge_a: 200")].count("\n") + 1
    assert f"config.yaml:{line}:" in fault["text"]
    assert "did you mean 'max_charge_a'?" in fault["text"]
    told = daemon.log("the config does not load; the old one stays")
    assert len(told) == 2, "each problem"
    listener(ANNUNCIATION, lambda d: d["alarm"] == "config-not-loaded/service/watchd")

    # The watch goes on, and an edit of the rules takes nothing back.
    at = listener.now
    write_rules(tmp_path, RULES.replace("3.45", "3.55"))
    listener(ALARM, lambda d: d is None, since=at)
    assert annunciated(listener, "config-not-loaded") == 1
    assert not any(h.data["state"] != "unacknowledged" for h in listener.on(FAULT))

    at, mended = listener.now, Stopwatch()
    config.write_text(whole)
    hang_up(daemon)
    listener(FAULT, lambda d: d["state"] == "returned_unacknowledged", since=at)
    record("a config that does not load, at a reload", "nothing", mended.seconds)


@pytest.mark.parametrize(
    ("harm", "says"),
    [
        (lambda folder: shutil.rmtree(folder / "rules"), "there is no such folder of rules"),
        pytest.param(  # without SIGHUP, test_rules_edited.py always has it
            lambda folder: write_rules(folder, "- rule: ["),
            "rules.yaml:1:",
            marks=pytest.mark.long,
        ),
        (lambda folder: (folder / "config.yaml").write_bytes(b"\xff\xfe"), "not UTF-8"),
        pytest.param(
            lambda folder: (folder / "config.yaml").unlink(),
            "cannot be read",
            marks=pytest.mark.long,
        ),
    ],
    ids=["no rules", "broken rules", "broken config", "no config"],
)
def test_whatever_is_missing_it_goes_on_watching(
    harm: Callable[[Path], object], says: str, daemon: Daemon, listener: Listener, tmp_path: Path
) -> None:
    harm(tmp_path)
    daemon.process.send_signal(signal.SIGHUP)
    fault = RULES_FAULT if "rules" in says else FAULT
    assert says in listener(fault).data["text"]
    at = listener.now
    listener(FIGURES, since=at)
    assert daemon.process.poll() is None


def test_a_good_config_is_taken_beside_broken_rules(
    broker: BrokerProcess, daemon: Daemon, listener: Listener, tmp_path: Path
) -> None:
    at = listener.now
    packs = section("packs")
    packs["alder"]["nameplate_ah"] = 300
    write_config(tmp_path, broker.port, packs=packs, rules="- rule: [")
    hang_up(daemon)
    listener(FIGURES, lambda d: d["figures"]["nameplate_ah"] == 300, since=at)
    listener(RULES_FAULT, lambda d: d["state"] == "unacknowledged")
    assert annunciated(listener, "cell-high") == 2, "by the old rules, and not again"


def test_a_pack_that_is_taken_out_leaves_nothing_behind(
    broker: BrokerProcess, daemon: Daemon, listener: Listener, tmp_path: Path
) -> None:
    at = listener.now
    packs = section("packs")
    del packs["birch"]
    write_config(tmp_path, broker.port, packs=packs, sources=section("sources")[:1])
    hang_up(daemon)
    listener(BIRCH, lambda d: d is None, since=at)
    listener("watchd/figures/pack/birch", lambda d: d is None, since=at)
    listener(AMPS, bool, since=at)
    left = retained(broker.port, "watchd/#")
    assert not [topic for topic in left if "birch" in topic]
    assert {ALARM, FIGURES, SERVICE} <= left.keys()
    assert annunciated(listener, "cell-high") == 2, "alder's is not told again"


def test_another_prefix_leaves_nothing_under_the_old_one(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, broker.port))
    with listening(broker.port, "watchd/#", "shed/#") as listener:
        write_config(tmp_path, broker.port, prefix="shed")
        hang_up(daemon)
        listener("shed/alarm/cell-high/pack/alder", lambda d: d["state"] == "unacknowledged")
        listener("shed/service", lambda d: d["state"] == "running")
        listener(SERVICE, lambda d: d is None)
        old = "watchd/#"
        until(
            lambda: not retained(broker.port, old),
            "nothing is left",
            seen=lambda: str(retained(broker.port, old)),
        )
        listener.send(
            "shed/request", {"do": "list"}, reply_to="answers/me", correlation=b"after the change"
        )
        assert listener.answer(b"after the change")["ok"]
    assert daemon.stop()[0] == 0
    assert retained(broker.port, "shed/service")["shed/service"].data["state"] == "stopped"


def test_other_sources_are_subscribed(
    broker: BrokerProcess, daemon: Daemon, listener: Listener, tmp_path: Path
) -> None:
    sources = section("sources")
    sources[0]["topic"] = "cabin/{pack}/state"
    write_config(tmp_path, broker.port, sources=sources)
    hang_up(daemon)
    with Bridge(broker.port) as bridge:
        bridge.says_on({"cabin/alder/state": EVEN})
        listener(ALARM, lambda d: d["state"] == "returned_unacknowledged")


def test_another_broker(
    broker: BrokerProcess, mosquitto_path: Path, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, broker.port))
    (tmp_path / "other").mkdir()
    with (
        brokers.mosquitto(mosquitto_path, tmp_path / "other") as other,
        listening(broker.port) as listener,
        Listener(other.port) as there,
    ):
        write_config(tmp_path, other.port)
        hang_up(daemon)
        there(SERVICE, lambda d: d["state"] == "running")
        there(ALARM, lambda d: d["state"] == "unacknowledged")
        listener(SERVICE, lambda d: d is None)
        until(lambda: not retained(broker.port, "watchd/#"), "nothing is left on the old one")
        assert not any(h.data and h.data["state"] == "lost" for h in listener.on(SERVICE))
        with Bridge(other.port) as bridge:
            bridge.says(alder=EVEN)
            there(ALARM, lambda d: d["state"] == "returned_unacknowledged")


@pytest.mark.long
def test_a_broker_that_is_gone_is_left_all_the_same(
    broker: BrokerProcess, mosquitto_path: Path, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, broker.port))
    daemon.works()
    (tmp_path / "other").mkdir()
    broker.hang()
    with (
        brokers.mosquitto(mosquitto_path, tmp_path / "other") as other,
        Listener(other.port) as there,
    ):
        write_config(tmp_path, other.port)
        hang_up(daemon)
        there(SERVICE, lambda d: d["state"] == "running")
        daemon.logs("the broker of before did not take back what stood there")
    broker.go_on()


def test_another_store_is_for_the_next_start(
    broker: BrokerProcess, daemon: Daemon, tmp_path: Path
) -> None:
    daemon.works()
    write_config(tmp_path, broker.port, store={"path": str(tmp_path / "elsewhere.db")})
    hang_up(daemon)
    line = daemon.logs("changes of the store are taken at the next start")
    assert line["store"].endswith("elsewhere.db")
    assert not (tmp_path / "elsewhere.db").exists()
