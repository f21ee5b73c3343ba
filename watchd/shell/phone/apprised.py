"""Hands one message on to one URL with apprise: in a thread, with a limit, and without its words.

What the library logs and raises may hold a URL or a part of it, so none of that leaves this file:
only whether it went well, and of a failure the code of HTTP or that there was no connection.
"""

from __future__ import annotations

import asyncio
import logging
import re
import threading
from contextvars import ContextVar
from dataclasses import dataclass
from typing import TYPE_CHECKING

from watchd.errors import WatchdError
from watchd.phone.texts import Message
from watchd.phone.urls import Url

if TYPE_CHECKING:
    from apprise import Apprise

# The library gives a service 4 s to connect and 4 s for each answer, where a URL says no more.
LIMIT_S = 60.0
# A thread cannot be ended. Until then its late success still counts; beyond, it is tried anew.
LATE_S = 600.0
_CODE = re.compile(r"\berror=(\d{3})\b|\b(?:HTTP|status)[ :=]+(\d{3})\b")
_QUIET = ("apprise", "urllib3", "requests", "requests_oauthlib", "charset_normalizer", "markdown")


@dataclass(frozen=True, slots=True)
class Outcome:
    """How it went; `why` not, in words without a secret."""

    ok: bool
    why: str = ""


def keep_secrets() -> None:
    """Let no library speak of itself: a URL may be in what it says. For the whole process."""
    logging.getLogger().setLevel(logging.CRITICAL + 1)
    for name in _QUIET:
        logger = logging.getLogger(name)
        logger.handlers.clear()
        logger.addHandler(logging.NullHandler())
        logger.propagate = False
        logger.setLevel(logging.CRITICAL + 10)
    library = logging.getLogger("apprise")
    library.handlers[:] = [_Listener()]
    library.setLevel(logging.WARNING)


class Apprised:
    """One URL. Raises WatchdError where the library knows no such URL."""

    def __init__(self, url: Url) -> None:
        import apprise  # noqa: PLC0415 - 20 MB, which only this process needs

        keep_secrets()
        self.url = url
        asset = apprise.AppriseAsset(
            app_id="watchd",
            app_desc="watchd",
            async_mode=False,
            # Nothing is written anywhere: a cache on the disk would hold tokens.
            storage_mode=apprise.PersistentStoreMode.MEMORY,
        )
        self._apprise: Apprise = apprise.Apprise(asset=asset)
        if not self._apprise.add(url.url) or len(self._apprise) != 1:
            raise WatchdError(
                f"the phone's URLs: {url.shown} is none that apprise understands (its scheme, or "
                "what has to follow)"
            )

    async def hand_on(self, message: Message, priority: str) -> Outcome:
        """Try once."""
        loop = asyncio.get_running_loop()
        done: asyncio.Future[Outcome] = loop.create_future()

        def finish(outcome: Outcome) -> None:
            if not done.done():
                done.set_result(outcome)

        def work() -> None:
            outcome = self._notify(message, priority)
            try:
                loop.call_soon_threadsafe(finish, outcome)
            except RuntimeError:
                return  # the process ends, and the loop is closed

        # Not of a pool: its threads are waited for when the process ends.
        threading.Thread(target=work, name="apprise", daemon=True).start()
        for limit_s in (LIMIT_S, LATE_S - LIMIT_S):
            await asyncio.wait({done}, timeout=limit_s)
            if done.done():
                return done.result()
        return Outcome(False, f"no answer within {LATE_S:.0f} s")

    def _notify(self, message: Message, priority: str) -> Outcome:
        import apprise  # noqa: PLC0415

        urgency = {
            "critical": apprise.NotifyType.FAILURE,
            "high": apprise.NotifyType.WARNING,
            "medium": apprise.NotifyType.WARNING,
        }.get(priority, apprise.NotifyType.INFO)
        heard = _Heard()
        # The library works in threads of its own, which it gives this one's context.
        _HEARD.set(heard)
        try:
            ok = self._apprise.notify(
                title=message.title,
                body=message.body or message.title,
                notify_type=urgency,
                body_format=apprise.NotifyFormat.TEXT,
            )
        except Exception as error:  # noqa: BLE001 - of its plugins, which may raise anything
            # Its text may hold the URL.
            return Outcome(False, f"the library failed ({type(error).__name__})")
        return Outcome(True) if ok else Outcome(False, heard.why)


@dataclass(slots=True)
class _Heard:
    """What one attempt let be heard."""

    why: str = "it was not taken"


_HEARD: ContextVar[_Heard | None] = ContextVar("heard", default=None)


class _Listener(logging.Handler):
    """Listens to the library, passes nothing on and keeps no text."""

    def emit(self, record: logging.LogRecord) -> None:
        """Take from it what is no secret."""
        heard = _HEARD.get()
        if heard is None:
            return
        try:
            said = record.getMessage()
        except (TypeError, ValueError):
            return
        code = _CODE.search(said)
        if code is not None:
            heard.why = f"the service answers {code[1] or code[2]}"
        elif "onnection" in said or "imed out" in said:
            heard.why = "no connection"
