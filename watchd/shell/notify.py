"""Tells the service manager how the service is: systemd's sd_notify protocol, one datagram."""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping

LONGEST_S = 0.2


def notify(state: str) -> None:
    """Send `READY=1`, `STOPPING=1` or `STATUS=...`; nothing happens without a manager."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    # A manager that is not there, or does not listen, must not stop the service.
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.settimeout(LONGEST_S)
        sock.sendto(state.encode(), address)


def reloading(steady_ns: int) -> str:
    """What says that a reload begins, at this time of CLOCK_MONOTONIC: sd_notify(3)."""
    return f"RELOADING=1\nMONOTONIC_USEC={steady_ns // 1000}"


class Watchdog:
    """The service manager ends a service that has not said `WATCHDOG=1` for a while.

    It names the while and the process that it means in WATCHDOG_USEC and WATCHDOG_PID, see
    sd_watchdog_enabled(3). Times are seconds of the monotonic clock.
    """

    def __init__(self, environment: Mapping[str, str], pid: int) -> None:
        usec = environment.get("WATCHDOG_USEC", "")
        meant = environment.get("WATCHDOG_PID", str(pid)) == str(pid)
        self.patience_s = int(usec) / 1e6 if meant and usec.isdecimal() and int(usec) else None
        self._said_at = float("-inf")

    @property
    def rhythm_s(self) -> float:
        """How often `well` is to be called at least: with its own wait, twice within the while."""
        return float("inf") if self.patience_s is None else self.patience_s / 4

    def well(self, at: float) -> None:
        """The service has done its work once more."""
        if self.patience_s is not None and at - self._said_at >= self.patience_s / 4:
            self._said_at = at
            notify("WATCHDOG=1")
