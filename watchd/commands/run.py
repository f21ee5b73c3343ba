"""`watchd run`: the daemon; with --once, a trial of the set-up."""

from __future__ import annotations

import argparse
import asyncio
import faulthandler
import json
import time
from pathlib import Path
from typing import Any

import structlog

from watchd.commands.options import LOGIN_HELP, add_command, add_config, told_instance
from watchd.config import Broker, Config
from watchd.durations import parse_duration
from watchd.loading import entries_left, load, rules_folder
from watchd.rules.rule import Rule
from watchd.shell.clock import add_clock_options, clock_from
from watchd.shell.garbage import put_off
from watchd.shell.log import keep_libraries_quiet, set_up_log

PATIENCE = "2 min"


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "run",
        "watch the banks until told to stop",
        "watchd run --config /etc/watchd/config.yaml\n"
        "  watchd run --once --config /etc/watchd/config.yaml",
    )
    add_config(parser)
    parser.add_argument(
        "--log",
        choices=("text", "json"),
        default="text",
        help="form of the log on standard error (default: text)",
    )
    parser.add_argument("--verbose", "-v", action="store_true", help="log more")
    _add_trial(parser)
    add_clock_options(parser)
    parser.set_defaults(run=run)


def _add_trial(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group(
        "a trial of the set-up",
        "connects, waits for a sample of every pack in service, prints what it understood, and "
        "ends: 0 all is there, 1 something is missing. It publishes nothing but a probe below "
        "PREFIX/response/, writes no store, and may be run beside a running watchd",
    )
    group.add_argument("--once", action="store_true", help="try it, and end")
    group.add_argument(
        "--patience",
        type=_duration,
        metavar="DURATION",
        default=parse_duration(PATIENCE),
        help=f"how long to wait for the packs (default: '{PATIENCE}')",
    )
    group.add_argument(
        "--password-file",
        metavar="FILE",
        help=LOGIN_HELP,
    )
    group.add_argument("--json", action="store_true", help="what it found, as one JSON object")


def _duration(text: str) -> float:
    try:
        return parse_duration(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def run(options: argparse.Namespace) -> int:
    """Load, then run the service until SIGTERM or SIGINT."""
    config, rules = load(options.config, options.rules, options.instance)
    told_instance(config, options)
    if options.once:
        return _once(options, config, rules)
    put_off()
    from watchd.shell.service import Service

    # A watchdog ends a service that hangs by SIGABRT; then the log says where it hung.
    faulthandler.enable()
    set_up_log(as_json=options.log == "json", verbose=options.verbose)
    if waiting := entries_left(options.config):
        structlog.get_logger("watchd").warning(
            "values of the config are still to be entered, and stand in for yours until then",
            config=options.config,
            lines=[line for line, _ in waiting],
        )
    service = Service(
        options.config,
        options.rules,
        config,
        rules,
        clock_from(options, time.time()),
        instance=options.instance,
    )
    return asyncio.run(service.run())


def _once(options: argparse.Namespace, config: Config, rules: tuple[Rule, ...]) -> int:
    from watchd.commands.trial_texts import trial_lines
    from watchd.shell.lines import megabytes
    from watchd.shell.mqtt.credentials import Secrets
    from watchd.shell.trial import try_out
    from watchd.trial.missing import missing_of_packs
    from watchd.trial.report import hearing_data

    keep_libraries_quiet()
    secrets = Secrets.of(_broker(config, options.password_file))
    tried = asyncio.run(try_out(config, secrets, options.patience))
    if tried.received:
        around = tried.around | tried.hearing.topics
        tried.missing.extend(missing_of_packs(tried.hearing, around, tried.waited_s))
    tried.missing.extend(
        f"{options.config}:{line}: still to be entered: {text}"
        for line, text in entries_left(options.config)
    )
    broker, store = config.broker, Path(config.store.path)
    data = {
        "broker": {
            "host": broker.host,
            "port": broker.port,
            "user": broker.user,
            "tls": broker.tls is not None,
            "mqtt": tried.mqtt,
        },
        "rules": {
            "folder": str(rules_folder(Path(options.config), config, options.rules)),
            "count": len(rules),
        },
        "store": {"path": str(store), "mb": megabytes(store)},
        **hearing_data(tried.hearing, time.time()),
        "missing": tried.missing,
    }
    if options.json:
        print(json.dumps(data, ensure_ascii=False))
    else:
        print("\n".join(trial_lines(data)))
    return 1 if tried.missing else 0


def _broker(config: Config, password_file: str | None) -> Broker:
    if password_file is None:
        return config.broker
    instead = {"password_file": password_file, "password_credential": None}
    return config.broker.model_copy(update=instead)
