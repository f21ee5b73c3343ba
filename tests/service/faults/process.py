"""What a process costs, as the kernel tells it (proc(5))."""

from __future__ import annotations

import os
from pathlib import Path

ESTABLISHED = "01"


def cpu_s(process: int) -> float:
    """CPU time that it has taken until now."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mb(process: int | str = "self") -> float:
    """Memory that it holds now."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGESIZE") / 1e6


def links_to(port: int) -> int:
    """How many connections to a port of this machine live."""
    lines = Path("/proc/net/tcp").read_text().splitlines()[1:]
    return sum(
        1
        for fields in map(str.split, lines)
        if fields[3] == ESTABLISHED and int(fields[2].rpartition(":")[2], 16) == port
    )
