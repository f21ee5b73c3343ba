"""A link that is dead without anybody being told: a modem that lost its state, a cable."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener, retained
from tests.service.daemon import Start
from tests.service.faults.bank import (
    ALDER_SILENT,
    EVEN,
    FOUND_S,
    HIGH,
    KEEPALIVE_S,
    annunciations,
    config_of,
    is_watched,
)
from tests.service.faults.link import IN, OUT, Link
from tests.service.faults.table import Record, Stopwatch
from tests.service.hut import ALARM, ANNUNCIATION, SERVICE
from tests.service.patience import until

pytestmark = pytest.mark.broker

# Which links are found dead: telemetry that arrives all the same is not lost, but its pings are.
BOTH = ("telemetry", "out")


@pytest.mark.parametrize(
    ("directions", "fault"),
    [
        pytest.param((OUT, IN), "link half open, nothing passes", id="both"),
        pytest.param(
            (OUT,), "link half open, nothing reaches the broker", id="out", marks=pytest.mark.long
        ),
        pytest.param(
            (IN,), "link half open, nothing comes from the broker", id="in", marks=pytest.mark.long
        ),
    ],
)
def test_it_is_found_and_nothing_is_lost(
    broker: BrokerProcess,
    link: Link,
    watchd: Start,
    tmp_path: Path,
    record: Record,
    directions: tuple[str, ...],
    fault: str,
) -> None:
    daemon = watchd(config_of(tmp_path, link.port))
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=HIGH, birch=EVEN)
        listener(ALARM, bool)
        listener(ANNUNCIATION)
        at = listener.now
        begin = Stopwatch()
        link.swallow(*directions)
        bridge.falls_silent()
        daemon.logs("alarm", rule="silent", subject="pack/alder")
        until(
            lambda: all(daemon.log("no link to the broker", link=name) for name in BOTH),
            "both dead links are found",
            within_s=FOUND_S,
            seen=lambda: daemon.text,
        )
        found_s = begin.seconds
        back = Stopwatch()
        link.swallow()
        link.cut()  # those that it opened meanwhile and waits for
        listener(SERVICE, lambda d: d["state"] == "running", since=at)
        listener(ALDER_SILENT, bool, since=at)
        is_watched(listener, bridge)
        seconds = back.seconds
        listener.hear_all()
        # Where only the broker's answer was lost, it is said once more: at least once.
        told = len(annunciations(listener, "silent/pack/alder"))
        assert 1 <= told <= (2 if directions == (IN,) else 1), listener.heard
        assert not annunciations(listener, "cell-high/pack/alder", since=at)
        # The broker finds the dead link later than the daemon; its will must not be the last word.
        assert retained(broker.port, SERVICE)[SERVICE].data["state"] == "running"
    lost = "nothing" if told == 1 else "nothing; one annunciation came twice"
    record(f"{fault} (found in {found_s:.0f} s of keepalive {KEEPALIVE_S:.0f} s)", lost, seconds)


def test_the_will_of_a_dead_link_is_not_the_last_word(
    broker: BrokerProcess, link: Link, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(config_of(tmp_path, link.port, broker={"keepalive": "20 s"}))
    daemon.works()
    with Listener(broker.port) as listener:
        listener(SERVICE, lambda d: d["state"] == "running")
        # Only the daemon's side breaks: the broker goes on holding the old link for half a minute.
        link.swallow(OUT, IN)
        link.swallow()
        link.cut_near()
        until(lambda: len(daemon.log("publishing")) == 2, "it has a new link", within_s=FOUND_S)
        listener(SERVICE, lambda d: d["state"] == "lost")
        listener.hear_all()
        last = listener.on(SERVICE)[-1].data["state"]
        assert last == "running", [h.data["state"] for h in listener.on(SERVICE)]
