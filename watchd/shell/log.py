"""The service's log: key-value text that reads well in a journal, or JSON when asked."""

from __future__ import annotations

import logging
import sys

import structlog


def set_up_log(*, as_json: bool, verbose: bool) -> None:
    """Send structlog's and the libraries' lines to standard error."""
    level = logging.DEBUG if verbose else logging.INFO
    renderer: structlog.types.Processor = (
        structlog.processors.JSONRenderer()
        if as_json
        else structlog.dev.ConsoleRenderer(
            colors=sys.stderr.isatty(),
            pad_event_to=0,
            # The default shows the values of local variables where `rich` is installed, and the
            # broker's password is one.
            exception_formatter=structlog.dev.plain_traceback,
        )
    )
    shared: list[structlog.types.Processor] = [
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    structlog.configure(
        processors=[*shared, structlog.processors.format_exc_info, renderer]
        if as_json
        else [*shared, renderer],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )
    logging.basicConfig(
        stream=sys.stderr,
        level=logging.WARNING,
        format="%(asctime)s [%(levelname)s] %(name)s: %(message)s",
    )
    # Every lost connection is told in our own words; the library's would say it twice.
    logging.getLogger("mqtt").setLevel(logging.CRITICAL)
    logging.getLogger("apscheduler").setLevel(logging.ERROR)
