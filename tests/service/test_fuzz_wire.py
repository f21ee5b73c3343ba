"""Payloads that nobody should send, through a real broker, to a daemon that then does its job."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.scene import cells, leading, pack
from tests.security.hostile import Stranger
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.commandline import process
from tests.service.daemon import Start
from tests.service.faults.table import Record
from tests.service.hut import ALARM, AMPS, FIGURES, write_config

pytestmark = pytest.mark.broker

GOOD: dict[str, list[Any]] = {
    "hut/alder/state": [pack(), pack(cell_v=cells())],
    "hut/birch/volts": [53.2],
    "hut/birch/cell/{level}": [3.31],
    "hut/birch/temperature/{level}": [17.5],
    "hut/{level}/state": [pack()],
    "watchd/request": [
        {"do": "list"},
        {"do": "why", "alarm": "cell-high/alder"},
        {"do": "audit"},
        {"do": "list", "reply_to": "watchd/response/\ud800"},
    ],
    "watchd/request/{level}": [{"do": "list"}],
    "watchd/alarm/{level}/pack/alder": [{"rule": "cell-high"}],
    "watchd/figures/pack/{level}": [{"figures": {}}],
}
# What the client refuses to send, or the broker to take, is not sent.
_UNSENDABLE = ("+", "#", "\0", "/", "\x1b", "\uffff", "\ufeff")


def resident_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    line = next(x for x in status.splitlines() if x.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


@pytest.mark.parametrize("number", [500, pytest.param(10_000, marks=pytest.mark.long)])
def test_it_does_its_job_afterwards(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, number: int, record: Record
) -> None:
    telemetry = {"stale_after": "10 h", "figures_every": "1 s"}
    config = write_config(
        tmp_path, broker.port, telemetry=telemetry, requests={"most_a_minute": 1000}
    )
    daemon = watchd(config, "--verbose")
    daemon.works()
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=pack(cell_v=cells()), birch=pack(cell_v=cells()))
        listener(FIGURES, lambda d: d["figures"]["cell_max_v"] == 3.33)
        strangers = {topic: Stranger(n, good) for n, (topic, good) in enumerate(GOOD.items())}
        rng = strangers["hut/alder/state"].rng
        before_mb = resident_mb(daemon.process.pid)
        for index in range(number):
            topic = rng.choice(list(GOOD))
            stranger = strangers[topic]
            level = "".join(c for c in stranger.text() if c not in _UNSENDABLE) or "x"
            reply_to = rng.choice([None, "answers/me", "hut/alder/state", "watchd/service"])
            topic = topic.format(level=level)
            if index % 20:
                listener.send_fast(topic, stranger.payload())
                continue
            listener.send(
                topic,
                stranger.payload(),
                retain=rng.random() < 0.5,
                reply_to=reply_to if topic.startswith("watchd/request") else None,
                correlation=stranger.rng.randbytes(rng.choice([0, 8, 2000])),
            )
        # Who has a name of its own is heard, whatever the others have asked.
        asked = {"do": "list"}
        listener.send("watchd/request/me", asked, reply_to="answers/me", correlation=b"me")
        assert listener.answer(b"me")["ok"] is True
        grown_mb = resident_mb(daemon.process.pid) - before_mb
        assert grown_mb < 40
        # Now a cell runs ahead.
        at = listener.now
        bridge.says(alder=pack(cell_v=leading(3.42, by_mv=60)), birch=pack(cell_v=cells()))
        listener(ALARM, lambda d: d and "unacknowledged" in d["state"], since=at)
        # Advice may be withheld for a while: a temperature jumped. It is never too high.
        assert all(0 <= h.data <= 200 for h in listener.on(AMPS) if h.payload)
        done = process("alarms", "ack", "cell-high/alder", "--config", config)
        assert (done.code, done.out) == (0, "cell-high/pack/alder: acknowledged\n")
    assert daemon.process.poll() is None
    assert daemon.stop()[0] == 0
    record(f"{number:,} messages of nonsense: {grown_mb:+.0f} MB", "nothing", None)
    # The daemon's log is looked into by the fixture: no line is a mistake of its own.


def test_a_reply_topic_that_is_no_topic_does_not_end_the_service(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    """A lone surrogate in JSON is text to Python, and no UTF-8; a broker ends the connection of
    who publishes on a topic with U+FFFF.
    """
    daemon = watchd(write_config(tmp_path, broker.port))
    daemon.works()
    with Listener(broker.port) as listener:
        for end in (rb"\ud800", rb"\uffff", rb"\u0001", rb"\u0000", b"+", b"#"):
            listener.send(
                "watchd/request", b'{"do": "list", "reply_to": "watchd/response/' + end + b'"}'
            )
        listener.hear_all()
    assert daemon.process.poll() is None
    assert len(daemon.log("publishing")) == 1, "it kept its connection"


def test_a_source_that_catches_watchds_own_topics_does_not_ask_twice(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    """`+/request` of a source brings watchd's own requests over the other link as well."""
    source = {"topic": "{pack}/request", "json": {"voltage_v": "$.volts"}}
    config = write_config(tmp_path, broker.port, sources=[source])
    daemon = watchd(config)
    daemon.works()
    answers = "watchd/response/me"
    with Listener(broker.port) as listener:
        # MQTT 3.1.1, over which telemetry comes, has no response topic: the payload names it.
        for _ in range(5):
            listener.send("watchd/request", {"do": "list", "reply_to": answers})
        for _ in range(3):
            listener.hear_all()
        assert len(listener.on(answers)) == 5
    assert daemon.log("bad payload") == []
