"""The keeper's time zone: that of the config, else the computer's."""

from __future__ import annotations

from datetime import UTC, tzinfo
from zoneinfo import ZoneInfo

import structlog
from tzlocal import get_localzone

log = structlog.get_logger("watchd")


def zone_of(timezone: str | None) -> tzinfo:
    """A zone with its rules, not today's distance from UTC. `timezone`: the config's name of it.

    UTC where the computer's is set to something that is none.
    """
    if timezone is not None:
        return ZoneInfo(timezone)
    try:
        return get_localzone()
    except Exception as error:  # noqa: BLE001 - it raises whatever it meets
        log.warning("the computer's time zone is not known; UTC counts", reason=str(error))
        return UTC
