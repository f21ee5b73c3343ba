"""`watchd alarms`: what stands, why, and what a person does about it; asked of a running watchd."""

from __future__ import annotations

import argparse
import asyncio
import getpass
import json
import sys
from collections.abc import Callable
from typing import Any

from watchd.commands.alarm_texts import history_lines, list_lines, why_lines
from watchd.commands.options import (
    LOGIN_HELP,
    USER_HELP,
    HelpText,
    add_command,
    add_instance,
    config_of_daemon,
    duration,
)
from watchd.errors import WatchdError
from watchd.requests import Do
from watchd.shell.mqtt.asking import ask

_ABOUT = {
    "list": "what is not normal now",
    "why": "each part of its condition, with value and limit, and the delays that run",
    "acknowledge": "say that you have seen it",
    "shelve": "put it aside for a time; it goes on being evaluated and recorded",
    "unshelve": "take it up again before its time",
    "reset": "let go of a latched alarm that has returned and was acknowledged",
    "out-of-service": "nobody is told of it until it is in service again (maintenance)",
    "in-service": "maintenance has ended",
    "history": "what happened, with the values that caused it",
}
_EXAMPLES = {
    "list": "--all",
    "why": "cell-spread-wide/alder",
    "acknowledge": "cell-spread-wide/alder",
    "shelve": "cell-spread-wide/alder --for '8 h'",
    "unshelve": "cell-spread-wide/alder",
    "reset": "protection-trip/alder",
    "out-of-service": "telemetry-stale/birch",
    "in-service": "telemetry-stale/birch",
    "history": "cell-spread-wide/alder --since '30 d'",
}
_SHORT = {"acknowledge": ["ack"]}


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "alarms",
        "list, explain, acknowledge, shelve and reset the alarms of a running watchd",
        "watchd alarms\n  watchd alarms why cell-spread-wide/alder\n"
        "  watchd alarms shelve cell-spread-wide/alder --for '8 h'",
    )
    _add_common(parser)
    parser.set_defaults(run=run, what="list", all=False)
    actions = parser.add_subparsers(metavar="WHAT")
    for what, about in _ABOUT.items():
        action = actions.add_parser(
            what,
            help=about,
            description=f"{about[0].upper()}{about[1:]}.",
            epilog=f"Example:\n  watchd alarms {what} {_EXAMPLES[what]}".rstrip(),
            formatter_class=HelpText,
            aliases=_SHORT.get(what, []),
        )
        _add_common(action, again=True)
        action.set_defaults(run=run, what=what)
        _add_own(action, what)


def _add_common(parser: argparse.ArgumentParser, *, again: bool = False) -> None:
    """Options that may be given before or after the word, and mean the same."""

    def default(value: Any) -> Any:
        return argparse.SUPPRESS if again else value

    parser.add_argument(
        "--config",
        "-c",
        metavar="FILE",
        default=default("config.yaml"),
        help="the config file (default: config.yaml)",
    )
    add_instance(parser, **({"default": argparse.SUPPRESS} if again else {}))
    parser.add_argument(
        "--password-file",
        metavar="FILE",
        default=default(None),
        help=LOGIN_HELP,
    )
    parser.add_argument(
        "--user",
        metavar="NAME",
        default=default(None),
        help=USER_HELP,
    )
    parser.add_argument(
        "--json", action="store_true", default=default(False), help="the answer, as one JSON object"
    )


def _add_own(parser: argparse.ArgumentParser, what: str) -> None:
    if what == "list":
        parser.add_argument("--all", action="store_true", help="those that are normal as well")
        return
    name = "RULE/SUBJECT, or as much of it as names one alarm: cell-spread-wide/alder"
    if what == "history":
        parser.add_argument("alarm", metavar="ALARM", nargs="?", help=name)
        parser.add_argument(
            "--since",
            metavar="AGO",
            type=duration,
            default="7 d",
            help="so far back (default: '7 d')",
        )
        return
    if what == "acknowledge":
        parser.add_argument("alarm", metavar="ALARM", nargs="*", help=name)
        parser.add_argument("--all", action="store_true", help="every one that waits for it")
        return
    parser.add_argument("alarm", metavar="ALARM", help=name)
    if what == "shelve":
        how = parser.add_mutually_exclusive_group(required=True)
        how.add_argument(
            "--for", metavar="TIME", type=duration, dest="for_", help="for so long, such as '8 h'"
        )
        how.add_argument(
            "--until-cleared", action="store_true", help="until it has returned the next time"
        )


def run(options: argparse.Namespace) -> int:
    """Ask, and print the answer. 0 done, 1 watchd refuses; WatchdError for 2."""
    # Not the rules: when they do not load, people want to see what stands all the more.
    config = config_of_daemon(options)

    def asked(request: dict[str, Any]) -> dict[str, Any]:
        return asyncio.run(ask(config, request, options.password_file, options.user))

    what = options.what
    if what == "acknowledge":
        return _acknowledge(options, asked)
    request: dict[str, Any] = {"do": what.replace("-", "_")}
    if what == "list":
        request["all"] = options.all
    elif what == "history":
        request |= {"since": options.since} | ({"alarm": options.alarm} if options.alarm else {})
    else:
        request["alarm"] = options.alarm
    if what == "shelve":
        request |= {"for": options.for_} if options.for_ else {"until_cleared": True}
    if what not in ("list", "why", "history"):
        request["by"] = who()
    return _show(options, what, asked(request))


def _acknowledge(
    options: argparse.Namespace, asked: Callable[[dict[str, Any]], dict[str, Any]]
) -> int:
    names = list(options.alarm)
    if options.all:
        answer = asked({"do": Do.LIST})
        # A silent rule asks nobody to acknowledge.
        names += [
            alarm["alarm"]
            for alarm in answer.get("alarms", ())
            if "unacknowledged" in alarm["state"] and alarm.get("annunciate", True)
        ]
        if not names:
            print("nothing waits to be acknowledged")
            return 0
    if not names:
        raise WatchdError("name an alarm, or give --all")
    worst = 0
    for name in names:
        answer = asked({"do": Do.ACKNOWLEDGE, "alarm": name, "by": who()})
        worst = max(worst, _show(options, "acknowledge", answer))
    return worst


def _show(options: argparse.Namespace, what: str, answer: dict[str, Any]) -> int:
    if options.json:
        print(json.dumps(answer, ensure_ascii=False))
    elif not answer.get("ok"):
        print(answer.get("error", "refused"), file=sys.stderr)
    elif what == "list":
        print("\n".join(list_lines(answer)))
    elif what == "why":
        print("\n".join(why_lines(answer["why"])))
    elif what == "history":
        print("\n".join(history_lines(answer["entries"])))
    else:
        print(f"{answer['alarm']}: {answer['state'].replace('_', ' ')}")
    return 0 if answer.get("ok") else 1


def who() -> str:
    """Who asks, for the journal."""
    try:
        return getpass.getuser()[:60]
    except (OSError, KeyError):
        return ""
