"""Messages that come faster than they are handled."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from tests.scene import cells, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.daemon import Daemon, Start
from tests.service.hut import SERVICE, write_config

pytestmark = pytest.mark.broker

FLOOD = 20_000


def resident_mb(daemon: Daemon) -> float:
    status = Path(f"/proc/{daemon.process.pid}/status").read_text()
    line = next(x for x in status.splitlines() if x.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def test_a_flood_is_thinned_out_and_the_newest_of_each_pack_counts(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    telemetry = {"stale_after": "10 h", "figures_every": "1 s", "max_waiting": 50}
    config = write_config(tmp_path, broker.port, telemetry=telemetry)
    # Without a message, figures are looked at again every 10 s of the daemon's clock.
    daemon = watchd(config, "--clock-speed", "20")
    daemon.works()
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        before_mb = resident_mb(daemon)
        daemon.process.send_signal(signal.SIGSTOP)
        # The state of charge tells how far it has come.
        for number in range(FLOOD):
            name = ("alder", "birch")[number % 2]
            bridge.send_fast(
                f"hut/{name}/state", pack(cell_v=cells(), soc_pct=number / FLOOD * 100)
            )
        bridge.send("end/of/flood", b"")  # once the broker has taken it, it has taken all
        at = listener.now
        daemon.process.send_signal(signal.SIGCONT)
        for name, number in (("alder", FLOOD - 2), ("birch", FLOOD - 1)):
            listener(
                f"watchd/figures/pack/{name}",
                lambda d, soc=number / FLOOD * 100: d["figures"]["soc_pct"] == soc,  # type: ignore[misc]
                since=at,
            )
        counts = listener(SERVICE, lambda d: "dropped" in d["counts"], since=at).data["counts"]
        line = daemon.logs("messages come faster than they are handled; older ones were dropped")
        assert line["dropped"] > 0
        grown_mb = resident_mb(daemon) - before_mb
        print(f"{counts['dropped']} dropped so far, memory grew by {grown_mb:.1f} MB")
        assert grown_mb < 20
