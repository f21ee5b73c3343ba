"""The service's log: key-value text on a terminal and in the journal, or JSON when asked.

In the journal, which stamps each line itself, lines carry no time and no colour but the priority
prefix of sd-daemon(3), by which `journalctl -p warning` finds them.
"""

from __future__ import annotations

import logging
import os
import sys
from typing import Any, TextIO

import structlog

from watchd.shell.repeats import Repeats

# sd-daemon(3), after syslog(3).
_PRIORITIES = {"critical": 2, "error": 3, "exception": 3, "warning": 4, "info": 6, "debug": 7}


def set_up_log(*, as_json: bool, verbose: bool) -> None:
    """Send structlog's and the libraries' lines to standard error."""
    level = logging.DEBUG if verbose else logging.INFO
    structlog.configure(
        processors=_processors(as_json=as_json, in_journal=is_journal(sys.stderr)),
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )
    logging.basicConfig(level=logging.WARNING, handlers=[_Libraries()])
    # Every lost connection is told in our own words; the library's would say it twice.
    logging.getLogger("mqtt").setLevel(logging.CRITICAL)
    logging.getLogger("apscheduler").setLevel(logging.ERROR)


def keep_libraries_quiet() -> None:
    """For commands, which say in their own words what went wrong with a link."""
    for name in ("asyncio", "mqtt"):
        logging.getLogger(name).setLevel(logging.CRITICAL)


def is_journal(stream: TextIO) -> bool:
    """Whether the journal reads this stream: JOURNAL_STREAM names it, see systemd.exec(5).

    The variable alone says nothing: it is handed on to children whose streams go elsewhere.
    """
    device, _, inode = os.environ.get("JOURNAL_STREAM", "").partition(":")
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return (device, inode) == (str(found.st_dev), str(found.st_ino))


def _processors(*, as_json: bool, in_journal: bool) -> list[structlog.types.Processor]:
    chain: list[structlog.types.Processor] = [Repeats()]
    if as_json or not in_journal:
        chain += [
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
        ]
    if as_json:
        chain += [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
    else:
        chain.append(
            structlog.dev.ConsoleRenderer(
                colors=not in_journal and sys.stderr.isatty(),
                pad_event_to=0,
                exception_formatter=structlog.dev.plain_traceback,
            )
        )
    if in_journal:
        chain.append(_with_priority)
    return chain


def _with_priority(_logger: Any, method: str, text: Any) -> str:
    """Every line of a text is a line of the journal, so each carries the prefix."""
    prefix = f"<{_PRIORITIES.get(method, 6)}>"
    return "\n".join(prefix + line for line in str(text).split("\n"))


class _Libraries(logging.Handler):
    """Hands the libraries' records to the same chain, so that they read like all others."""

    def emit(self, record: logging.LogRecord) -> None:
        """Say it, with the library's name."""
        structlog.get_logger("watchd").log(
            record.levelno, record.getMessage(), library=record.name, exc_info=record.exc_info
        )
