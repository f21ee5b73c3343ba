"""`watchd audit`: the settings of each pack, and what in them does not fit together."""

from __future__ import annotations

import argparse
import asyncio
import json
from typing import Any

from watchd.advice.audit import audit
from watchd.advice.audit.finding import Severity
from watchd.advice.audit.live import audit_data
from watchd.advice.audit.sheet import sheets_of
from watchd.commands.audit_texts import audit_lines
from watchd.commands.options import (
    LOGIN_HELP,
    USER_HELP,
    add_command,
    add_instance,
    told_instance,
)
from watchd.config import Config
from watchd.errors import WatchdError, nearest
from watchd.loading import load_config
from watchd.requests import Do
from watchd.shell.mqtt.asking import ask


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "audit",
        "show the settings of each pack, and what in them does not fit together",
        "watchd audit\n  watchd audit --live --pack alder",
    )
    parser.description = (
        "Shows the settings of each pack with where each comes from, checks them for order and "
        "margins, and says what does not fit: a fault contradicts itself or the cell maker's "
        "limits, a remark is unusual. It reads the config, and needs no broker; with --live a "
        "running watchd answers, so that what the BMSs report of their settings counts.\n\n"
        "Exit code: 0 no fault, 1 there are faults, 2 wrong usage or input, or no answer."
    )
    parser.add_argument(
        "--config",
        "-c",
        metavar="FILE",
        default="config.yaml",
        help="the config file (default: config.yaml)",
    )
    add_instance(parser)
    parser.add_argument(
        "--pack", metavar="PACK", help="this pack and its bank alone (default: all)"
    )
    parser.add_argument(
        "--live",
        action="store_true",
        help="ask a running watchd, over the broker that the config names",
    )
    parser.add_argument(
        "--password-file",
        metavar="FILE",
        help=f"with --live: {LOGIN_HELP}",
    )
    parser.add_argument("--user", metavar="NAME", help=f"with --live: {USER_HELP}")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print sheets and findings. 0 no fault, 1 there are some; WatchdError for 2."""
    config = load_config(options.config, options.instance)
    if options.live:
        data = _asked(told_instance(config, options), options)
    else:
        data = _from_config(config, options.pack)
    if options.json:
        print(json.dumps({"live": options.live, **data}, ensure_ascii=False))
    else:
        print("\n".join(audit_lines(data, live=options.live)))
    return int(any(f["severity"] == Severity.FAULT for f in data["findings"]))


def _from_config(config: Config, pack: str | None) -> dict[str, Any]:
    sheets = sheets_of(config)
    names = [sheet.name for sheet in sheets]
    findings = audit(sheets)
    if pack is None:
        return audit_data(sheets, findings)
    if pack not in names:
        raise WatchdError(f"no pack in service is called '{pack}'; {nearest(pack, names)}")
    own = (f"pack/{pack}", f"bank/{config.packs[pack].bank}")
    return audit_data(
        (sheet for sheet in sheets if sheet.name == pack),
        (finding for finding in findings if finding.subject in own),
    )


def _asked(config: Config, options: argparse.Namespace) -> dict[str, Any]:
    pack: str | None = options.pack
    request = {"do": str(Do.AUDIT)} | ({} if pack is None else {"pack": pack})
    answer = asyncio.run(ask(config, request, options.password_file, options.user))
    if not answer.get("ok"):
        raise WatchdError(str(answer.get("error", "refused")))
    return {"sheets": answer["sheets"], "findings": answer["findings"]}
