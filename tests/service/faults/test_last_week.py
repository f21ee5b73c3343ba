"""What the broker kept from last week is never taken for now, and goes where it is ours."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from tests.scene import leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener, retained
from tests.service.daemon import Start
from tests.service.faults.bank import EVEN, HIGH, config_of, is_watched
from tests.service.faults.table import Record, Stopwatch
from tests.service.hut import (
    ALARM,
    AMPS,
    FIGURES,
    LIMIT,
    REQUEST,
    SERVICE,
    value_per_topic,
)
from tests.service.patience import until

pytestmark = pytest.mark.broker

WEEK_S = 7 * 86400.0
ALDER, BIRCH = "hut/alder/state", "hut/birch/state"
OLD_RECORD = {"rule": "cell-high", "state": "unacknowledged", "since": "2026-01-01T00:00:00.000Z"}
OURS = {
    ALARM: OLD_RECORD,
    "watchd/alarm/cell-high/pack/elm": OLD_RECORD,
    "watchd/alarm/gone/bank/hut": OLD_RECORD,
    LIMIT: {"limit_a": 200.0, "until": "2026-01-01T00:00:00.000Z"},
    AMPS: 200.0,
    "watchd/discharge-limit/hut/amps": 200.0,
    "watchd/charge-voltage/hut/volts": 56.0,
    "watchd/figures/pack/elm": {"figures": {}},
    "watchd/reanchor/elm": {"step": "ready"},
}
REQUESTS = {
    REQUEST: {"do": "shelve", "alarm": "cell-high/pack/birch", "for": "8 h", "by": "last week"},
}


def test_nothing_of_it_is_fresh(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, record: Record
) -> None:
    dangerous = pack(cell_v=leading(3.60, by_mv=100), protection=1)
    others = {
        ALDER: {**dangerous, "t": time.time() - WEEK_S},
        BIRCH: dangerous,  # without a time of measurement
        **value_per_topic(leading(3.60, by_mv=100), current_a=90.0),
    }
    with Listener(broker.port) as sender:
        for topic, payload in {**others, **OURS, **REQUESTS}.items():
            sender.send(topic, payload, retain=True)
        sender.send("watchd/annunciation", {"alarm": "cell-high/pack/alder"}, retain=True)
    lasting = {"stale_after": "10 min", "figures_every": "1 s"}
    watch = Stopwatch()
    daemon = watchd(config_of(tmp_path, broker.port, telemetry=lasting))
    until(
        lambda: not OURS.keys() & retained(broker.port, "watchd/#").keys(),
        "what was ours is gone",
        seen=lambda: str(retained(broker.port, "watchd/#").keys()),
    )
    seconds = watch.seconds
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        listener.hear_all()
        for name in ("alder", "birch"):
            figures = listener(f"watchd/figures/pack/{name}").data["figures"]
            known = {n for n in ("cell_max_v", "current_a", "soc_pct") if figures[n] is not None}
            assert not known, figures
        assert not daemon.log("alarm"), "an alarm because of what was last week"
        counts = listener(SERVICE, bool).data["counts"]
        assert "bad" not in counts, "what is old is no mistake of the sender's"
        assert others.keys() <= retained(broker.port, "hut/#").keys(), "those are not ours"
        # Telemetry of now counts, also beside the old; and nobody has shelved the alarm.
        bridge.says(alder=EVEN)
        listener(FIGURES, lambda d: d["figures"]["cell_max_v"] == EVEN["mv"][0] / 1000)
        is_watched(listener, bridge)
        bridge.says(alder=HIGH)
        listener(ALARM, lambda d: d and d["state"] == "unacknowledged", since=0)
    record("retained messages of last week at the start", "nothing", seconds)
