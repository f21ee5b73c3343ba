"""How long the daemon takes from its start to READY=1, and to the first evaluated telemetry.

Evaluated: the charge limit of a bank of four packs is published, which needs a sample of each; they
come every 20 ms from before the start on. Wall time, and the CPU time of the process until then:
the first start is with nothing saved, the others go on from a saved state. Prints, asserts nothing;
run it from the project's root with `python -m tests.bench.start [STARTS]`.
"""

from __future__ import annotations

import os
import shutil
import socket
import sys
import threading
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from paho.mqtt import client as paho

from tests.bench.bank_of_packs import Bridge, write_config
from tests.bench.processes import PYTHON, Child, publisher
from tests.service.brokers import mosquitto

PACKS, STARTS, GOAL_S, EVERY_S = 4, 5, 1.0, 0.02
LIMIT = "watchd/charge-limit/bank000/amps"


class Sign:
    """When something was heard of."""

    def __init__(self) -> None:
        self.at: float | None = None
        self._event = threading.Event()

    def seen(self, *_: object) -> None:
        """It is heard of now."""
        if self.at is None:
            self.at = time.monotonic()
        self._event.set()

    def wait(self) -> float:
        """When that was."""
        assert self._event.wait(60), "waited in vain"
        assert self.at is not None
        return self.at


def main() -> None:
    """Print the table."""
    starts = int(sys.argv[1]) if len(sys.argv) > 1 else STARTS
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin")
    assert program is not None, "mosquitto is not installed"
    with (
        TemporaryDirectory() as name,
        mosquitto(Path(program), Path(name)) as broker,
        publisher(broker.port) as client,
    ):
        folder = Path(name)
        config = write_config(folder, broker.port, PACKS)
        end = threading.Event()
        sending = threading.Thread(target=_send, args=(client, end))
        sending.start()
        client.subscribe(LIMIT)
        try:
            for number in range(starts):
                _start(folder, config, client, "fresh" if number == 0 else "restored")
        finally:
            end.set()
            sending.join()


def _send(client: paho.Client, end: threading.Event) -> None:
    messages = Bridge(PACKS).messages()
    while not end.wait(EVERY_S):
        for _ in range(PACKS):
            client.publish(*next(messages))


def _start(folder: Path, config: Path, client: paho.Client, what: str) -> None:
    limited = Sign()

    def on_message(_client: object, _data: object, message: paho.MQTTMessage) -> None:
        if message.payload:
            limited.seen()

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(folder / "notify"))
        os.environ["NOTIFY_SOCKET"] = str(folder / "notify")
        client.on_message = on_message
        begin = time.monotonic()
        child = Child(
            [PYTHON, "-m", "watchd", "run", "--config", str(config)],
            log=folder / "watchd.log",
            spool=folder / "spool",
        )
        manager.settimeout(60)
        while b"READY=1" not in manager.recv(4096):
            pass
        ready, ready_cpu = time.monotonic(), child.cpu_s()
        evaluated = limited.wait()
        cpu = child.cpu_s()
        print(
            f"{what:<8} ready after {ready - begin:5.2f} s ({ready_cpu:4.2f} s of CPU), first "
            f"evaluation after {evaluated - begin:5.2f} s ({cpu:4.2f} s; goal {GOAL_S:.0f} s), "
            f"{child.rss_mb():5.1f} MB",
            flush=True,
        )
        child.stop()
    (folder / "notify").unlink()
    client.publish(LIMIT, b"", retain=True)


if __name__ == "__main__":
    main()
