"""watchd as a process of its own, as installed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.service.patience import until

WATCHD = Path(sys.executable).parent / "watchd"


class Daemon:
    """`watchd run`, or another `command` that runs on, started; its log is kept as data.

    `under`: a command that becomes it.
    """

    def __init__(
        self,
        config: Path,
        *options: str,
        environment: Mapping[str, str] | None = None,
        log: str = "json",
        under: Sequence[str] = (),
        command: str = "run",
    ) -> None:
        self._log_file = config.parent / f"watchd-{time.monotonic_ns()}.log"
        with self._log_file.open("wb") as stream:
            self.process = subprocess.Popen(
                [*under, WATCHD, command, "--config", config, "--log", log, *options],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=stream,
                env={**os.environ, **(environment or {})},
            )

    @property
    def text(self) -> str:
        """The log."""
        return self._log_file.read_text()

    def log(self, event: str, **fields: Any) -> list[dict[str, Any]]:
        """The lines of this event with these fields."""
        # A line without its end is still being written.
        lines = [json.loads(x) for x in self.text.split("\n")[:-1] if x.startswith("{")]
        return [e for e in lines if e["event"] == event and fields.items() <= e.items()]

    def logs(self, event: str, **fields: Any) -> dict[str, Any]:
        """Wait for a line of this event with these fields."""

        def first() -> dict[str, Any] | None:
            ended = self.process.poll() is not None
            found = next(iter(self.log(event, **fields)), None)
            assert found or not ended, f"it has ended:\n{self.text}"
            return found

        return until(
            first,
            f"a line '{event}' with {fields}",
            seen=lambda: self.text,
        )

    def works(self) -> None:
        """Wait until it has both links to the broker."""
        self.logs("receiving telemetry")
        self.logs("publishing")

    def stop(self) -> tuple[int, float]:
        """SIGTERM; its exit code, and how long that took, in s."""
        begin = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(30)
        return code, time.monotonic() - begin

    def kill(self) -> None:
        """SIGKILL."""
        self.process.kill()
        self.process.wait()  # that of one that has ended is known already

    def has_no_mistakes(self) -> None:
        """Nothing in the log is a mistake of its own."""
        text = self.text
        for word in ("Traceback", "could not be handled", "a tick failed"):
            assert word not in text, text


Start = Callable[..., Daemon]


@contextmanager
def daemons() -> Iterator[Start]:
    """Gives what starts a `Daemon`; ends all of them afterwards, and looks into their logs."""
    started: list[Daemon] = []

    def start(config: Path, *options: str, **more: Any) -> Daemon:
        started.append(Daemon(config, *options, **more))
        return started[-1]

    try:
        yield start
    finally:
        for daemon in started:
            daemon.kill()
    for daemon in started:
        daemon.has_no_mistakes()
