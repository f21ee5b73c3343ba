"""`watchd run`: the daemon."""

from __future__ import annotations

import argparse
import asyncio
import faulthandler
import time
from typing import Any

from watchd.commands.options import add_command, add_config
from watchd.loading import load
from watchd.shell.clock import add_clock_options, clock_from
from watchd.shell.log import set_up_log


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "run",
        "watch the banks until told to stop",
        "watchd run --config /etc/watchd/config.yaml",
    )
    add_config(parser)
    parser.add_argument(
        "--log",
        choices=("text", "json"),
        default="text",
        help="form of the log on standard error (default: text)",
    )
    parser.add_argument("--verbose", "-v", action="store_true", help="log more")
    add_clock_options(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Load, then run the service until SIGTERM or SIGINT."""
    from watchd.shell.service import Service

    config, rules = load(options.config, options.rules)
    # A watchdog ends a service that hangs by SIGABRT; then the log says where it hung.
    faulthandler.enable()
    set_up_log(as_json=options.log == "json", verbose=options.verbose)
    service = Service(
        options.config, options.rules, config, rules, clock_from(options, time.time())
    )
    return asyncio.run(service.run())
