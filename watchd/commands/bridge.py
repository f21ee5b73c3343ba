"""`watchd bridge`: hands annunciations and digests on to a phone; with --test, a message."""

from __future__ import annotations

import argparse
import asyncio
import faulthandler
import json
import time
from typing import Any

from watchd.commands.options import add_command, add_config_file, config_of_daemon
from watchd.config import Config, Phone
from watchd.errors import WatchdError
from watchd.shell.clock import add_clock_options, clock_from
from watchd.shell.log import set_up_log


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "bridge",
        "hand annunciations and digests on to a phone, until told to stop",
        "watchd bridge --config /etc/watchd/config.yaml\n"
        "  watchd bridge --test --config /etc/watchd/config.yaml",
    )
    add_config_file(parser)
    parser.add_argument(
        "--log",
        choices=("text", "json"),
        default="text",
        help="form of the log on standard error (default: text)",
    )
    parser.add_argument("--verbose", "-v", action="store_true", help="log more")
    group = parser.add_argument_group(
        "a test of the phone",
        "sends one message to each URL, says of each what became of it, and ends: 0 all took it,\n"
        "1 some did not. It needs no broker, and may be run beside a running bridge",
    )
    group.add_argument(
        "--test",
        action="store_true",
        help="send a test message to each URL, and end (default: go on)",
    )
    group.add_argument(
        "--urls-file",
        metavar="FILE",
        help="a credential of the service is there for the service alone "
        "(default: that of the config)",
    )
    group.add_argument("--json", action="store_true", help="what became of it, as one object")
    add_clock_options(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Load, then hand on until SIGTERM or SIGINT."""
    config = config_of_daemon(options)
    phone = _phone(config, options)
    try:
        import apprise  # noqa: F401
    except ImportError:
        raise WatchdError(
            "handing on to a phone needs the package apprise: pip install 'watchd[phone]', or as a "
            "service sudo systemd/install.sh --phone"
        ) from None
    if options.test:
        return asyncio.run(_test(phone, as_json=options.json))
    from watchd.shell.phone.bridge import PhoneBridge

    faulthandler.enable()
    set_up_log(as_json=options.log == "json", verbose=options.verbose)
    bridge = PhoneBridge(config, phone, clock_from(options, time.time()))
    return asyncio.run(bridge.run())


def _phone(config: Config, options: argparse.Namespace) -> Phone:
    phone = config.phone
    if phone is None:
        raise WatchdError(
            f"{options.config}: there is no section `phone`; `config.example.yaml` shows one"
        )
    if options.urls_file is not None:
        instead = {"urls_file": options.urls_file, "urls_credential": None}
        phone = phone.model_copy(update=instead)
    return phone


async def _test(phone: Phone, *, as_json: bool) -> int:
    from watchd.phone.texts import Message
    from watchd.shell.phone.apprised import Apprised, Outcome, keep_secrets
    from watchd.shell.phone.targets import cautions_of, secret_of

    keep_secrets()
    urls = secret_of(phone).read()
    message = Message("watchd: a test", "If you read this, messages of watchd reach you here.")
    found: list[dict[str, Any]] = []
    for url in urls:
        try:
            outcome = await Apprised(url).hand_on(message, "low")
        except WatchdError as error:
            outcome = Outcome(ok=False, why=str(error))
        found.append({"url": url.shown, "ok": outcome.ok, "why": outcome.why})
        if not as_json:
            print(f"{url.shown}: {'handed on' if outcome.ok else f'failed: {outcome.why}'}")
    cautions = list(cautions_of(phone, urls))
    if as_json:
        print(json.dumps({"urls": found, "cautions": cautions}, ensure_ascii=False))
    else:
        for caution in cautions:
            print(f"Caution: {caution}")
    return 0 if all(one["ok"] for one in found) else 1
