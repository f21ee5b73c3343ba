"""Processes that are measured from outside: the daemon, and a bare subscriber beside it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from pathlib import Path

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.service.brokers import HOST

# The daemon's Python: for memory one that has watchd alone, without what the tests bring in.
PYTHON = os.environ.get("WATCHD_BENCH_PYTHON", sys.executable)
TICKS_S = 1 / os.sysconf("SC_CLK_TCK")
CHUNK_S = 0.01  # what is due in it is sent together
QUIET_S = 0.3
_SUBSCRIBER = """
import asyncio, sys
import aiomqtt, msgspec
from socket import IPPROTO_TCP, TCP_NODELAY

async def main():
    decode = msgspec.json.Decoder().decode
    options = [(IPPROTO_TCP, TCP_NODELAY, 1)]
    async with aiomqtt.Client(sys.argv[1], int(sys.argv[2]), socket_options=options) as client:
        await client.subscribe("hut/#")
        print("ready", flush=True)
        async for message in client.messages:
            document = decode(message.payload)
            EACH

asyncio.run(main())
"""


def subscriber_program(each: str = "") -> str:
    """A program: a client that decodes what comes, and then does this with each `document`."""
    return _SUBSCRIBER.replace("EACH", each)


# What is left of the daemon where the engine takes nothing.
SHELL_ALONE = """
import sys
from watchd.commands import main
from watchd.engine import Engine

Engine.feed = lambda *_: []
sys.exit(main())
"""


class Child:
    """A process and what it takes."""

    def __init__(
        self, command: Sequence[str | Path], *, log: Path | None = None, spool: Path | None = None
    ) -> None:
        environment = dict(os.environ)
        if spool is not None:
            environment["RUNTIME_DIRECTORY"] = str(spool)
        with (log or Path(os.devnull)).open("wb") as stream:
            self.process = subprocess.Popen(
                command, stdout=subprocess.PIPE, stderr=stream, env=environment
            )
        self._log = log

    def cpu_s(self) -> float:
        """CPU time until now, of all its threads, in user and kernel."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) * TICKS_S

    def rss_mb(self) -> float:
        """Its resident memory now."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        line = next(x for x in status.splitlines() if x.startswith("VmRSS"))
        return int(line.split()[1]) / 1024

    def logs(self, text: str, within_s: float = 120.0) -> None:
        """Wait for a text in its log."""
        assert self._log is not None
        end = time.monotonic() + within_s
        while text not in self._log.read_text():
            if self.process.poll() is not None or time.monotonic() > end:
                raise SystemExit(f"it does not say '{text}':\n{self._log.read_text()}")
            time.sleep(0.01)

    def says_line(self) -> str:
        """Its next line on standard output."""
        assert self.process.stdout is not None
        return self.process.stdout.readline().decode().strip()

    def becomes_quiet(self) -> None:
        """Wait until it does next to nothing."""
        while True:
            before = self.cpu_s()
            time.sleep(QUIET_S)
            if self.cpu_s() - before <= 0.1 * QUIET_S:
                return

    def stop(self) -> None:
        """SIGTERM, and its end."""
        self.process.terminate()
        self.process.wait(60)


@contextmanager
def daemon(
    config: Path,
    *,
    profile: Path | None = None,
    program: Sequence[str] = ("-m", "watchd"),
    options: Sequence[str] = (),
) -> Iterator[Child]:
    """`watchd run` with both links, its spool in memory where the system has such a folder.

    `program`: what Python is to run instead; `options`: more of them.
    """
    with_profile = ["-m", "cProfile", "-o", str(profile)] if profile is not None else []
    command = [PYTHON, *with_profile, *program, "run", "--config", str(config), *options]
    memory = Path("/dev/shm")  # noqa: S108
    spool = (memory if memory.is_dir() else config.parent) / f"watchd-bench-{os.getpid()}"
    child = Child(command, log=config.parent / "watchd.log", spool=spool)
    try:
        child.logs("receiving telemetry")
        child.logs("publishing")
        yield child
    finally:
        child.stop()
        shutil.rmtree(spool, ignore_errors=True)


@contextmanager
def subscriber(port: int) -> Iterator[Child]:
    """aiomqtt's `async for` around the fastest decoder."""
    child = Child([sys.executable, "-c", subscriber_program(), HOST, str(port)])
    try:
        assert child.says_line() == "ready"
        yield child
    finally:
        child.stop()


@contextmanager
def publisher(port: int) -> Iterator[paho.Client]:
    """A client with a thread of its own."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.max_queued_messages_set(0)
    client.connect(HOST, port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def send(
    client: paho.Client, messages: Iterable[tuple[str, bytes]], number: int, rate: float
) -> float:
    """Publish so many at QoS 0, what is due in 10 ms together; the rate that was reached."""
    begin = time.monotonic()
    sent, of = 0, iter(messages)
    while sent < number:
        due = min(number, round((time.monotonic() - begin + CHUNK_S) * rate))
        for topic, payload in islice(of, max(0, due - sent)):
            client.publish(topic, payload)
        sent = max(sent, due)
        time.sleep(CHUNK_S)
    return sent / (time.monotonic() - begin)
