"""A link that is slow: what is urgent passes before figures, and of those the newest counts."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.scene import cells, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.daemon import Start
from tests.service.faults.bank import EVEN, HIGH, annunciations, config_of
from tests.service.faults.link import OUT, Link
from tests.service.faults.table import Record, Stopwatch
from tests.service.hut import ALARM, ANNUNCIATION, FIGURES
from tests.service.patience import until

pytestmark = pytest.mark.broker

SLOW_S = 300.0
MOST_PASSED = 20  # figures; three come each second
# The link is slow, not dead: with a keepalive as it ships.
PATIENT = {"keepalive": "30 s"}
LASTING = {"stale_after": "10 min", "figures_every": "1 s"}


@pytest.mark.parametrize(
    ("latency_s", "rate", "seconds"),
    [
        pytest.param(0.2, 8000, 2, id="slow"),
        pytest.param(2.0, 2000, 40, id="very slow", marks=pytest.mark.long),
    ],
)
def test_annunciations_pass_before_figures(
    broker: BrokerProcess,
    link: Link,
    watchd: Start,
    tmp_path: Path,
    record: Record,
    latency_s: float,
    rate: int,
    seconds: float,
) -> None:
    daemon = watchd(config_of(tmp_path, link.port, broker=PATIENT, telemetry=LASTING))
    daemon.works()
    with Listener(broker.port) as listener, Bridge(broker.port, every_s=1.0) as bridge:
        bridge.says(alder=EVEN, birch=EVEN)
        listener(FIGURES)
        link.slow_down(latency_s, rate)
        # Until figures are behind: they come faster than the link carries them.
        before, watch = link.carried[OUT], Stopwatch()
        until(lambda: watch.seconds > seconds, "figures queue", within_s=SLOW_S)
        carried = (link.carried[OUT] - before) / watch.seconds
        at = listener.now
        bridge.says(alder=HIGH)
        daemon.logs("alarm", rule="cell-high", subject="pack/alder")
        watch = Stopwatch()
        until(
            lambda: annunciations(listener, "cell-high/pack/alder"),
            "the annunciation",
            within_s=SLOW_S,
        )
        told_s = watch.seconds
        until(lambda: listener.on(ALARM), "its record", within_s=SLOW_S)
        passed = len([h for h in listener.on("watchd/figures", since=at) if h.payload])
        # Only what was on its way already, or passed while telemetry did not tell of it yet.
        assert passed <= MOST_PASSED
        print(f"{passed} figures and {told_s:.1f} s before the annunciation, {carried:.0f} B/s")
        # The newest counts: what arrives is as old as the link is slow, however long it lasted.
        bridge.says(alder=pack(cell_v=cells(3.40), soc_pct=77.0))
        watch = Stopwatch()
        until(
            lambda: any(h.data["figures"]["soc_pct"] == 77.0 for h in listener.on(FIGURES)),
            "the newest figures",
            within_s=SLOW_S,
        )
        newest_s = watch.seconds
        print(f"{newest_s:.1f} s until the newest figures")
        assert not daemon.log("no link to the broker"), "slow is not dead"
        figures = listener.on(FIGURES, since=at)
        stamps = [datetime.fromisoformat(h.data["at"]) for h in figures]
        assert stamps == sorted(stamps)
        link.slow_down(0.0, None)
        watch = Stopwatch()
        listener(
            FIGURES,
            lambda d: (datetime.now(UTC) - datetime.fromisoformat(d["at"])).total_seconds() < 2.5,
            since=listener.now,
        )
        assert len(annunciations(listener, "cell-high/pack/alder")) == 1
        assert len(listener.on(ANNUNCIATION)) == 1
    record(
        f"link of {latency_s:g} s each way and {rate / 1000:g} kB/s: annunciation after "
        f"{told_s:.0f} s, newest figures after {newest_s:.0f} s",
        "older figures",
        watch.seconds,
    )
