"""Many banks through a real broker: load, latency and loss, with one daemon and with several.

Prints, asserts nothing; run it from the project's root, nothing else running:

    python -m tests.bench.fleet     a thousand banks, a minute with one daemon and one with two
    python -m tests.bench.fleet --banks 200 --seconds 20 --instances 1 2 4 --every 10 --alarms 40

Each bank has four packs of 16 cells, and each pack sends a JSON document every ten seconds. Some
packs trip: their alarm's record and its annunciation are timed from the message that says so,
beside an echo of the broker alone. All is on this one machine, the sender too; the telemetry is
invented.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.service.brokers import HOST, BrokerProcess, mosquitto
from tests.service.daemon import WATCHD
from tests.service.patience import until

PACKS = ("alder", "birch", "rowan", "oak")
UP_WITHIN_S = 400.0
COUNTED_WITHIN_S = 90.0
STOPS_WITHIN_S = 240.0
RULES = Path(__file__).parents[2] / "rules"
CONFIG = """
broker: {{host: {host}, port: {port}}}
kinds:
  cabin:
    bank: {{charge_voltage_v: 56.0}}
    packs:
{packs}
banks_from: banks.yaml
share: {{of: {of}}}
store: {{path: {folder}/watchd.db, keep_raw: {keep_raw}}}
rules: {rules}
sources:
  - topic: site/{{bank}}/{{pack}}/state
    json:
      voltage_v: $.volts
      current_a: $.amps
      soc_pct: $.soc
      temperature_degc: $.temp
      cell_v: {{path: "$.mv[*]", scale: 0.001}}
      charge_allowed: $.chg
      protection: {{path: $.prot, bits: {{0: OVER_VOLT}}}}
"""


@dataclass
class Heard:
    """What came back, by monotonic time (s)."""

    records: dict[str, float] = field(default_factory=dict)
    annunciations: dict[str, float] = field(default_factory=dict)
    echoes: list[float] = field(default_factory=list)
    services: dict[str, dict[str, Any]] = field(default_factory=dict)

    def take(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        now, topic = time.monotonic(), message.topic
        if topic == "echo":
            self.echoes.append(now - float(message.payload))
        elif topic.endswith("/service"):
            record = json.loads(message.payload)
            if record["state"] != "lost":  # by the broker, which knows no counts
                self.services[topic] = record
        elif "/alarm/" in topic:
            if message.payload:
                self.records.setdefault(topic.rpartition("/")[2], now)
        elif message.payload:
            alarm = str(json.loads(message.payload).get("alarm", ""))
            if alarm.startswith("protection-trip/"):
                self.annunciations.setdefault(alarm.rpartition("/")[2], now)


@dataclass(frozen=True)
class Usage:
    """CPU time (s) and resident memory (MB) of a process."""

    cpu_s: float
    resident_mb: float

    @classmethod
    def of(cls, pid: int) -> Usage:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        ticks = int(fields[11]) + int(fields[12])
        pages = int(fields[21])
        return cls(ticks / os.sysconf("SC_CLK_TCK"), pages * os.sysconf("SC_PAGE_SIZE") / 1e6)


class Sender:
    """Every pack in its turn, evenly over the rhythm."""

    def __init__(self, client: paho.Client, banks: list[str], every_s: float) -> None:
        self._client = client
        self._packs = [(b, p) for b in banks for p in PACKS]
        self._gap_s = every_s / len(self._packs)
        self._chance = random.Random(1)
        self.sent = 0
        self.tripped: dict[str, float] = {}
        self.late_s = 0.0

    def send_for(self, seconds: float, alarms: int = 0) -> None:
        """Send so long; so many packs trip meanwhile, one after the other."""
        begin, number = time.monotonic(), 0
        count = int(seconds / self._gap_s)
        trips = set(range(0, count, max(1, count // alarms))) if alarms else set()
        while number < count:
            now = time.monotonic()
            due = begin + number * self._gap_s
            if now < due:
                time.sleep(due - now)
            self.late_s = max(self.late_s, now - due)
            bank, pack = self._packs[self.sent % len(self._packs)]
            name = f"{bank}.{pack}"
            trips_now = number in trips and name not in self.tripped
            self._client.publish(f"site/{bank}/{pack}/state", self._payload(trips=trips_now))
            if trips_now:
                self.tripped[name] = time.monotonic()
                self._client.publish("echo", repr(time.monotonic()))
            self.sent += 1
            number += 1

    def _payload(self, *, trips: bool) -> bytes:
        """A pack in the flat part, with the noise of its sensors."""
        noise = self._chance.randrange
        cells = [3320 + noise(5) for _ in range(16)]
        amps = 20 + noise(10) / 10
        return (
            f'{{"volts":{sum(cells) / 1000:.2f},"amps":{amps},"soc":60,"temp":{15 + noise(3) / 10},'
            f'"mv":{cells},"chg":{"false" if trips else "true"},"prot":{int(trips)}}}'
        ).encode()


@contextmanager
def client_of(port: int, heard: Heard | None = None) -> Iterator[paho.Client]:
    """One that sends, or listens for what is `heard`."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.max_queued_messages_set(0)
    if heard is not None:
        client.on_message = heard.take
        topics = ("echo", "watchd/+/service", "watchd/+/annunciation")
        wanted = [(t, 0) for t in (*topics, "watchd/+/alarm/protection-trip/#")]

        def subscribe(*_: Any) -> None:
            client.subscribe(wanted)

        client.on_connect = subscribe
    client.connect(HOST, port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def configured(folder: Path, port: int, banks: list[str], of: int, keep_raw: str) -> Path:
    """The config of all daemons."""
    packs = "\n".join(f"      {p}: {{nameplate_ah: 280, max_charge_a: 140}}" for p in PACKS)
    (folder / "banks.yaml").write_text("".join(f"{b}: {{like: cabin}}\n" for b in banks))
    path = folder / "config.yaml"
    path.write_text(
        CONFIG.format(
            host=HOST,
            port=port,
            packs=packs,
            of=of,
            folder=folder,
            rules=RULES,
            keep_raw=keep_raw,
        )
    )
    return path


def measure(options: argparse.Namespace, of: int, program: Path, folder: Path) -> None:
    """One run with so many daemons; a block of lines."""
    banks = [f"site-{number:05d}" for number in range(options.banks)]
    heard = Heard()
    with ExitStack() as stack:
        broker: BrokerProcess = stack.enter_context(mosquitto(program, folder))
        config = configured(folder, broker.port, banks, of, options.keep_raw)
        begun = time.monotonic()
        daemons = [started(stack, config, folder, n) for n in range(1, of + 1)]
        stack.enter_context(client_of(broker.port, heard))
        sender = Sender(stack.enter_context(client_of(broker.port)), banks, options.every)
        until(lambda: running(heard) == of, "every daemon is up", within_s=UP_WITHIN_S)
        until(
            lambda: all(subscribed(folder, n) for n in range(1, of + 1)),
            "they receive",
            within_s=UP_WITHIN_S,
        )
        start_s = time.monotonic() - begun
        sender.send_for(2 * options.every)
        pids = [*(d.pid for d in daemons), broker.pid]
        before, sent_before = [Usage.of(pid) for pid in pids], sender.sent
        began = time.monotonic()
        sender.send_for(options.seconds, options.alarms)
        lasted_s = time.monotonic() - began
        after = [Usage.of(pid) for pid in pids]
        # A daemon tells its counts once a minute.
        with suppress(AssertionError):
            until(
                lambda: counted(heard) >= sender.sent, "all is counted", within_s=COUNTED_WITHIN_S
            )
        for daemon in daemons:
            daemon.terminate()
        stopping = time.monotonic()
        for daemon in daemons:
            daemon.wait(STOPS_WITHIN_S)
        stop_s = time.monotonic() - stopping
        time.sleep(1.0)
    messages = sender.sent - sent_before
    used = [a.cpu_s - b.cpu_s for a, b in zip(after, before, strict=True)]
    print(
        f"\n{of} daemon{'s' if of > 1 else ''}, {options.banks:,} banks, {messages:,} messages in",
        end="",
    )
    print(f" {lasted_s:.0f} s ({messages / lasted_s:.0f} a second); up after {start_s:.1f} s")
    for number, (cpu_s, usage) in enumerate(zip(used, after, strict=True), 1):
        who = f"daemon {number}" if number <= of else "broker"
        print(f"  {who:<9} {cpu_s / lasted_s:6.1%} of a core, {usage.resident_mb:5.0f} MB")
    print(f"  all daemons: {sum(used[:of]) / messages * 1e6:.0f} us of CPU a message")
    said("the broker's echo", heard.echoes)
    for what, found in (("alarm's record", heard.records), ("annunciation", heard.annunciations)):
        said(what, [found[n] - t for n, t in sender.tripped.items() if n in found])
    each = [str(service.get("messages", 0)) for service in counts(heard)]
    lost = {k: sum(s.get(k, 0) for s in counts(heard)) for k in ("dropped", "bad", "of_others")}
    print(f"  sent {sender.sent:,}, counted {counted(heard):,} ({', '.join(each)})", end="")
    print("".join(f", {what} {number}" for what, number in lost.items()))
    print(f"  down after {stop_s:.1f} s")
    print(
        f"  tripped {len(sender.tripped)}, records {len(heard.records)}, annunciations "
        f"{len(heard.annunciations)}; the sender was late by {sender.late_s * 1e3:.0f} ms at most"
    )


def started(stack: ExitStack, config: Path, folder: Path, number: int) -> subprocess.Popen[bytes]:
    """A daemon, ended with the stack."""
    log = stack.enter_context(log_of(folder, number).open("wb"))
    command = [str(WATCHD), "run", "--config", str(config), "--instance", str(number)]
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
    stack.callback(process.kill)
    return process


def log_of(folder: Path, number: int) -> Path:
    return folder / f"watchd-{number}.log"


def subscribed(folder: Path, number: int) -> bool:
    return "receiving telemetry" in log_of(folder, number).read_text()


def counts(heard: Heard) -> list[dict[str, Any]]:
    return [s.get("counts", s) for _, s in sorted(heard.services.items())]


def counted(heard: Heard) -> int:
    return sum(int(c.get("messages", 0)) for c in counts(heard))


def running(heard: Heard) -> int:
    return sum(s.get("state") == "running" for s in heard.services.values())


def said(what: str, times: list[float]) -> None:
    """Median and the end of the tail, in ms."""
    if len(times) < 2:
        print(f"  {what}: {len(times)} came")
        return
    shown = [t * 1e3 for t in sorted(times)]
    p99 = statistics.quantiles(shown, n=100, method="inclusive")[98]
    print(f"  {what:<17} p50 {statistics.median(shown):6.1f} ms, p99 {p99:6.1f} ms, n {len(shown)}")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="many banks through a real broker")
    parser.add_argument("--banks", type=int, default=1000)
    parser.add_argument("--every", type=float, default=10.0, help="rhythm of a pack, in s")
    parser.add_argument("--seconds", type=float, default=60.0, help="measured, after the warm-up")
    parser.add_argument("--alarms", type=int, default=100, help="packs that trip meanwhile")
    parser.add_argument("--instances", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--keep-raw", default="90 d", help="as in the config; '0 s' for none")
    options = parser.parse_args()
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if program is None:
        sys.exit("no mosquitto here")
    for of in options.instances:
        with tempfile.TemporaryDirectory() as folder:
            measure(options, of, Path(program), Path(folder))


if __name__ == "__main__":
    main()
