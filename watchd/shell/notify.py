"""Tells the service manager how the service is: systemd's sd_notify protocol, one datagram."""

from __future__ import annotations

import contextlib
import os
import socket


def notify(state: str) -> None:
    """Send `READY=1`, `STOPPING=1` or `STATUS=...`; nothing happens without a manager."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    # A manager that does not listen must not stop the service.
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.sendto(state.encode(), address)
