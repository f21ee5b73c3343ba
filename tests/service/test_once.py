"""`watchd run --once` against a real broker."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.scene import cells, leading, pack
from tests.service import brokers
from tests.service.brokers import BrokerProcess, free_port
from tests.service.clients import Bridge, Listener
from tests.service.commandline import Done, Run
from tests.service.daemon import Start
from tests.service.hut import ALARM, FIGURES, SERVICE, value_per_topic, write_config
from watchd.trial.heard import Hearing

pytestmark = pytest.mark.broker

EVEN = pack(cell_v=cells())
HIGH = pack(cell_v=leading(3.42, by_mv=60))
# More than telemetry of 0.2 s takes to come; what never comes costs a test so much.
SHORT = "1 s"
ACCESS = """
user watchd
topic read hut/#
topic {publishing} watchd/#
user bridge
topic readwrite #
"""


@pytest.fixture
def both(broker: BrokerProcess) -> Iterator[Bridge]:
    """Both packs send."""
    with Bridge(broker.port) as bridge:
        bridge.says(alder=pack(cell_v=leading(3.33, by_mv=20), current_a=-20))
        bridge.says_on(value_per_topic(cells(), current_a=-25))
        yield bridge


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is mapped for all packs and some do not have is not waited for here."""
    monkeypatch.setattr("watchd.trial.heard.GRACE_S", 0.5)


def once(command: Run, config: Path, *words: str) -> tuple[Done, dict[str, Any]]:
    done = command("run", "--once", "--config", config, "--json", *words)
    return done, json.loads(done.out) if done.out else {}


def test_it_prints_what_it_understood(
    broker: BrokerProcess, both: Bridge, command: Run, tmp_path: Path
) -> None:
    del both
    done, found = once(command, write_config(tmp_path, broker.port))
    assert (done.code, done.err) == (0, ""), done.out
    assert found["missing"] == []
    alder, birch = found["packs"]
    assert (alder["current_a"], birch["current_a"]) == (-20, -25)
    assert alder["cells"] == {
        "sum_v": pytest.approx(53.3),
        "lowest_v": 3.33,
        "lowest_no": 1,
        "highest_v": 3.35,
        "highest_no": 7,
    }
    assert birch["cells"]["sum_v"] == pytest.approx(53.28)
    assert alder["look"] == birch["look"] == found["look"] == []
    assert alder["age_s"] < 30
    assert found["broker"]["mqtt"] == "5"
    assert not (tmp_path / "store").exists()
    text = command("run", "--once", "--config", tmp_path / "config.yaml").out
    assert "current        20 A, discharge" in text
    assert text.endswith("Nothing is missing.\n")


def test_beside_a_running_daemon_it_changes_nothing(
    broker: BrokerProcess, both: Bridge, watchd: Start, command: Run, tmp_path: Path
) -> None:
    both.says(alder=HIGH)
    config = write_config(tmp_path, broker.port)
    daemon = watchd(config)
    with Listener(broker.port, "watchd/#") as listener:
        listener(ALARM)
        listener(FIGURES)
        at = listener.now
        done, _ = once(command, config)
        assert done.code == 0, done.out
        listener.hear_all()
        probes = {h.topic for h in listener.heard[at:] if "probe" in h.topic}
        assert len(probes) == 1
        assert probes.pop().startswith("watchd/response/probe-")
        assert not listener.on(ALARM, since=at)
        assert all(h.data["state"] == "running" for h in listener.on(SERVICE))
    assert len(daemon.log("publishing")) == len(daemon.log("receiving telemetry")) == 1
    assert not daemon.log("the link to the broker is lost")


def test_a_pack_that_sends_on_another_topic(
    broker: BrokerProcess, command: Run, tmp_path: Path
) -> None:
    with Bridge(broker.port) as bridge:
        bridge.says(alder=EVEN)
        bridge.says_on({"hut/Birch/volts": 53.2, "cabin/weather": 12})
        done, found = once(command, write_config(tmp_path, broker.port), "--patience", SHORT)
    assert done.code == 1
    (missing,) = found["missing"]
    assert missing.startswith("birch: nothing came on hut/birch/state, hut/birch/volts, ")
    assert "nearest that came: hut/Birch/volts;" in missing


@pytest.mark.long
def test_a_retained_message_is_no_sample(
    broker: BrokerProcess, command: Run, tmp_path: Path
) -> None:
    with Bridge(broker.port) as bridge:
        bridge.says(birch=EVEN)
        bridge.send("hut/alder/state", EVEN, retain=True)
        done, found = once(command, write_config(tmp_path, broker.port), "--patience", SHORT)
    assert done.code == 1
    assert found["missing"][0].startswith("alder: on hut/alder/state came only what the broker had")
    assert found["packs"][0] == {
        "pack": "alder",
        "heard": False,
        "retained_only": ["hut/alder/state"],
    }


@pytest.mark.long
def test_what_cannot_be_used_is_named(broker: BrokerProcess, command: Run, tmp_path: Path) -> None:
    with Bridge(broker.port) as bridge:
        bridge.says(alder=pack(cell_v=cells(count=15)), birch=EVEN)
        done, found = once(command, write_config(tmp_path, broker.port), "--patience", SHORT)
    assert done.code == 1
    why = "cell_v: 15 values for 16 cells"
    assert found["not_used"] == [{"topic": "hut/alder/state", "why": why}]
    assert why in found["missing"][0]


def test_no_broker(command: Run, tmp_path: Path) -> None:
    port = free_port()
    done, found = once(command, write_config(tmp_path, port))
    assert done.code == 1
    (missing,) = found["missing"]
    assert missing.startswith(f"no link to the broker at 127.0.0.1:{port}: ")
    assert missing.endswith("; see host, port, user and tls under broker")


def test_a_broker_that_goes_away_in_the_middle(
    broker: BrokerProcess,
    both: Bridge,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    command: Run,
) -> None:
    del both
    monkeypatch.setattr(Hearing, "take", lambda *_, **__: broker.kill())
    done, found = once(command, write_config(tmp_path, broker.port))
    assert done.code == 1
    assert found["missing"][0].startswith("no link to the broker at")
    assert len(found["missing"]) == 3, "and both packs"


def test_a_broker_of_3_1_1(plain_broker: BrokerProcess, command: Run, tmp_path: Path) -> None:
    with Bridge(plain_broker.port) as bridge:
        bridge.says(alder=EVEN, birch=EVEN)
        done, found = once(command, write_config(tmp_path, plain_broker.port))
    assert done.code == 0, found
    assert found["broker"]["mqtt"] == "3.1.1"


@pytest.mark.parametrize(
    ("protocol", "why"), [("5", "Not authorized"), ("3.1.1", "it hung up at a probe")]
)
def test_a_broker_that_lets_nobody_publish(
    mosquitto_path: Path,
    command: Run,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    protocol: str,
    why: str,
) -> None:
    monkeypatch.setattr("watchd.shell.trial.PROBE_WITHIN_S", 1.0)
    access = tmp_path / "access"
    access.write_text(ACCESS.format(publishing="read"))
    access.chmod(0o600)
    with (
        brokers.mosquitto(mosquitto_path, tmp_path, f"acl_file {access}") as broker,
        Bridge(broker.port, user="bridge") as bridge,
    ):
        bridge.says(alder=EVEN, birch=EVEN)
        more = {"user": "watchd", "protocol": protocol}
        done, found = once(command, write_config(tmp_path, broker.port, broker=more))
    assert done.code == 1
    (missing,) = found["missing"]
    assert missing.startswith(f"the broker does not let watchd publish below watchd/: {why}; see")


@pytest.mark.long
def test_a_broker_that_lets_it_not_read(mosquitto_path: Path, command: Run, tmp_path: Path) -> None:
    access = tmp_path / "access"
    text = ACCESS.format(publishing="readwrite").replace("topic read hut/#\n", "")
    access.write_text(text)
    access.chmod(0o600)
    with (
        brokers.mosquitto(mosquitto_path, tmp_path, f"acl_file {access}") as broker,
        Bridge(broker.port, user="bridge") as bridge,
    ):
        bridge.says(alder=EVEN, birch=EVEN)
        config = write_config(tmp_path, broker.port, broker={"user": "watchd"})
        done, found = once(command, config, "--patience", SHORT)
    assert done.code == 1
    assert len(found["missing"]) == 2
    for missing in found["missing"]:
        assert "access list lets this user read" in missing


def test_a_patience_that_is_none(command: Run, tmp_path: Path) -> None:
    done = command("run", "--once", "--config", tmp_path / "x.yaml", "--patience", "soon")
    assert done.code == 2
    assert "'soon' is not a duration" in done.err
