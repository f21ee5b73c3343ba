"""From telemetry in to alarm out, beside a bare echo by an aiomqtt client.

Four packs of 16 cells, 200 messages a second, all shipped rules and one more without a delay. One
message in each fifty raises that rule's alarm, and the next of its pack lets it return; broker and
asking client are the same for both. The echo receives each message with `async for`, decodes it,
and publishes at once. Prints, asserts nothing; run it from the project's root with
`python -m tests.bench.latency [RAISED]`.

What is waited for is the alarm's record: it goes out in the same breath, and just before, the
annunciation, which a flood and chatter hold back where an alarm comes every quarter of a second.
"""

from __future__ import annotations

import json
import shutil
import statistics
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from paho.mqtt import client as paho

from tests.bench.bank_of_packs import Bridge, write_config
from tests.bench.processes import Child, daemon, publisher, subscriber_program
from tests.service.brokers import HOST, mosquitto

PACKS, RATE, RAISE_EVERY = 4, 200.0, 50
RAISED, GOAL_MS = 200, 5.0
ALARM = "watchd/alarm/bench-cell-high"
# Alone in its folder: the shipped rules are added to it.
RULE = """
- rule: bench-cell-high
  about: pack
  when: cell_max_v > 3.60
  priority: high
  say: "{pack}: {cell_max_v:.3f} V"
  cause: A benchmark.
  consequence: None.
  response: None.
"""
ECHO = subscriber_program("""
            if max(document["mv"]) > 3600:
                await client.publish("echo", message.payload, qos=1)
""")


class Waits:
    """How long what was sent took to come back (ms), by the topic on which it comes."""

    def __init__(self, client: paho.Client, topics: Sequence[str]) -> None:
        self.ms: dict[str, list[float]] = {topic: [] for topic in topics}
        self.sent_at = 0.0
        self._waits = set[str]()
        self._all = threading.Event()
        client.on_message = self._on_message
        client.subscribe([(f"{topic}/#", 0) for topic in topics])

    def expect(self) -> None:
        """Something is sent now."""
        self._waits = set(self.ms)
        self._all.clear()
        self.sent_at = time.perf_counter()

    def are_back(self) -> bool:
        """Whether all has come back, within a while."""
        return self._all.wait(10)

    def _on_message(self, _client: object, _data: object, message: paho.MQTTMessage) -> None:
        topic = message.topic.partition("/pack/")[0]
        if topic in self._waits:
            self.ms[topic].append((time.perf_counter() - self.sent_at) * 1000)
            self._waits.discard(topic)
            if not self._waits:
                self._all.set()


def raised(payload: bytes) -> bytes:
    """The same document with a cell that is far too high."""
    document = json.loads(payload)
    document["mv"][0] = 3650
    return json.dumps(document).encode()


def measure(client: paho.Client, waits: Waits, number: int) -> None:
    """Send at the rate, and raise so many times."""
    begin, found = time.monotonic(), 0
    for sent, (topic, payload) in enumerate(Bridge(PACKS).messages(), 1):
        time.sleep(max(0.0, begin + sent / RATE - time.monotonic()))
        if sent % RAISE_EVERY == 0 and sent > RATE * 5:
            if found == number:
                return
            found += 1
            waits.expect()
            client.publish(topic, raised(payload))
            assert waits.are_back(), f"the {found}th did not come back: {waits.ms}"
            begin = time.monotonic() - sent / RATE
        else:
            client.publish(topic, payload)


def main() -> None:
    """Print the table."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else RAISED
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin")
    assert program is not None, "mosquitto is not installed"
    with TemporaryDirectory() as name, mosquitto(Path(program), Path(name)) as broker:
        folder = Path(name)
        shutil.copytree(Path(__file__).parents[2] / "rules", folder / "rules")
        (folder / "rules" / "bench.yaml").write_text(RULE)
        config = write_config(folder, broker.port, PACKS, "rules: rules/")
        echo = Child([sys.executable, "-c", ECHO, HOST, str(broker.port)])
        try:
            assert echo.says_line() == "ready"
            with daemon(config), publisher(broker.port) as client:
                waits = Waits(client, ["echo", ALARM])
                measure(client, waits, number)
        finally:
            echo.stop()
        print(f"{number} alarms among {RATE:.0f} messages a second, {PACKS} packs; ms")
        p99 = {}
        for topic, ms in waits.ms.items():
            p99[topic] = statistics.quantiles(ms, n=100)[98]
            print(f"{topic:<28} p50 {statistics.median(ms):6.2f}, p99 {p99[topic]:6.2f}")
        more = p99[ALARM] - p99["echo"]
        print(f"p99 is {more:.2f} ms more than the echo's (goal {GOAL_MS:.0f} ms)")


if __name__ == "__main__":
    main()
