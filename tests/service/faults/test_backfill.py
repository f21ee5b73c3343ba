"""Duplicates, gaps, what comes late and what is filled in afterwards: each sample counts once."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from tests.scene import cells, leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Listener
from tests.service.daemon import Start
from tests.service.faults.table import Record
from tests.service.hut import FIGURES, RULES, SERVICE, write_config

pytestmark = pytest.mark.broker

SPEED = 30.0
# A current counts that long without a new one (s of the faster clock).
STALE_S = 60.0
AMPS = (90.0, 30.0, 60.0)
GAP = 12  # after this sample nothing comes for a while
SAMPLES = 20
OLD = pack(cell_v=leading(3.60, by_mv=60), current_a=-95.0, protection=1)


class Sender:
    """Sends documents of alder with times of measurement, and counts by itself."""

    def __init__(self, listener: Listener, zero_s: float) -> None:
        self._listener, self._zero_s = listener, zero_s
        self.times: list[float] = []
        self.amps: list[float] = []

    def now(self) -> float:
        """What the daemon's clock shows."""
        return self._zero_s + (time.time() - self._zero_s) * SPEED

    def send(self, document: dict[str, Any], at: float) -> None:
        """Send this as measured `at`."""
        self._listener.send("hut/alder/state", {**document, "t": at})

    def good(self, amps: float, trip: bool) -> None:
        """A sample of now, that counts."""
        at = self.now()
        self.times.append(at)
        self.amps.append(amps)
        self.send(self.document(amps, trip), at)

    @staticmethod
    def document(amps: float, trip: bool) -> dict[str, Any]:
        return pack(cell_v=cells(), current_a=amps, protection=int(trip))

    def charged_ah(self) -> float:
        """What has gone in: each current holds until the next, at most for `STALE_S`."""
        steps = zip(self.times, self.times[1:], self.amps, strict=False)
        return sum(min(STALE_S, later - at) * amps for at, later, amps in steps) / 3600.0


def test_each_sample_counts_once(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, record: Record
) -> None:
    zero_s = time.time()
    config = write_config(
        tmp_path,
        broker.port,
        rules=RULES,
        telemetry={"stale_after": f"{STALE_S:g} s", "figures_every": "1 s"},
    )
    options = ("--clock-speed", str(SPEED), "--clock-zero", str(zero_s))
    daemon = watchd(config, *options)
    daemon.works()
    with Listener(broker.port) as listener:
        sender = Sender(listener, zero_s)
        false = {"duplicate": 0, "out_of_order": 0, "historical": 0}
        for number in range(SAMPLES):
            # Two trips in all: of one sample, and of three.
            trip = number in (4, 8, 9, 10)
            sender.good(AMPS[number % 3], trip)
            # The same again, as after a link of QoS 1 broke.
            sender.send(sender.document(AMPS[number % 3], trip), sender.times[-1])
            false["duplicate"] += 1
            time.sleep(0.1)
            if number > 1:
                # What came late on the way: it would trip, raise an alarm and take charge out.
                sender.send(OLD, sender.times[-2] + 0.5)
                false["out_of_order"] += 1
            if number == GAP:
                time.sleep(1.3 * STALE_S / SPEED)
                # The bridge is back and fills in what it kept, the oldest first.
                for late in range(20):
                    sender.send(OLD, sender.times[-1] - 3600.0 + late * 60.0)
                    false["out_of_order"] += 1
            time.sleep(0.1)
        sender.good(0.0, False)
        heard = listener(FIGURES, lambda d: d["figures"]["current_a"] == 0.0)
        figures = heard.data["figures"]
        # Late ones that counted would take 2 Ah of this away; messages take their time, too.
        assert figures["charged_ah"] == pytest.approx(sender.charged_ah(), abs=0.7)
        assert figures["discharged_ah"] == 0.0
        assert figures["trips_24h"] == 2
        assert figures["uncounted_h"] * 3600.0 > 0.2 * STALE_S, "the gap"
        assert not daemon.log("alarm"), "an alarm because of what was long ago"
        listener.hear_all()
        counts = listener(
            SERVICE, lambda d: d["counts"].get("out_of_order", 0) == false["out_of_order"]
        ).data["counts"]
        assert counts["duplicate"] == false["duplicate"]
        assert "bad" not in counts
    record("duplicates, gaps, late and backfilled samples", "nothing", None)
