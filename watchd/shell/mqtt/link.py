"""One of the connections to the broker: whether it stands, and since when."""

from __future__ import annotations

import time

import structlog

from watchd.durations import show_duration

# Each loss and each return is told, but a link that comes and goes all day must not fill the disk.
MOST_AN_HOUR = 12
log = structlog.get_logger("watchd")


class Link:
    """Tells of its losses and returns. Times are seconds of the monotonic clock."""

    def __init__(self, name: str, host: str, port: int) -> None:
        self.name, self._host, self._port = name, host, port
        self.stands = False
        self.since = time.monotonic()
        self._lost_at: float | None = None

    def up(self) -> None:
        """There is a link now."""
        now = time.monotonic()
        if self._lost_at is not None:
            log.info(
                "the link to the broker is back",
                link=self.name,
                away=show_duration(now - self._lost_at),
                most_an_hour=MOST_AN_HOUR,
            )
        self.stands, self.since, self._lost_at = True, now, None

    def down(self, reason: str, next_try_s: float) -> None:
        """The link broke, or there is still none."""
        fields = {
            "link": self.name,
            "reason": reason,
            "host": self._host,
            "port": self._port,
            "next_try_s": round(next_try_s, 1),
        }
        if not self.stands:
            log.warning("no link to the broker", **fields)
            return
        now = time.monotonic()
        log.warning(
            "the link to the broker is lost",
            **fields,
            stood=show_duration(now - self.since),
            most_an_hour=MOST_AN_HOUR,
        )
        self.stands, self.since, self._lost_at = False, now, now


class Trust:
    """Tells that there is none between watchd and the broker, in one line for both links."""

    def __init__(self, host: str, port: int) -> None:
        self._host, self._port = host, port
        self._said: str | None = None

    def lacks(self, why: str, next_try_s: float) -> None:
        """A link could not be made because of it."""
        if why != self._said:
            self._said = why
            log.error(
                "no trust between watchd and the broker",
                reason=why,
                host=self._host,
                port=self._port,
                next_try_s=round(next_try_s, 1),
            )

    def stands(self) -> None:
        """A link was made."""
        self._said = None
