"""`watchd setup`: listens to the broker, and proposes a config."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
from itertools import chain
from pathlib import Path
from typing import Any

from watchd.commands.options import add_command, duration
from watchd.commands.progress import progress
from watchd.durations import parse_duration, show_duration
from watchd.errors import Place, Problem, WatchdError

LISTEN = "1 min"
LONGEST_S = 3600.0
_ABOUT = """\
Listens to the broker (it publishes nothing), shows what it heard, and proposes a config with the
reason of each guess: which topics are packs, their cells, units, the sign of the current. It is
written once you say yes, and never over a file that is there. What cannot be seen on the broker
is marked with ENTER in it; `watchd check` names those marks until you have entered the values.
Listen while the bank charges or a load runs: then the sign of the current shows.

Exit code: 0 the config is written (or printed, with -o - or --json); 1 it is not: no pack was
found, you said no, or there is no terminal to ask on and no --yes; 2 wrong usage or input, or no
link."""


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "setup",
        "listen to the broker, and propose a config",
        "watchd setup --host broker.lan\n"
        "  watchd setup --host broker.lan --tls --user me --password-file secret\n"
        "  watchd setup --from july.jsonl.gz -o -",
    )
    parser.description = _ABOUT
    broker = parser.add_argument_group("the broker")
    broker.add_argument(
        "--host", default="localhost", metavar="NAME", help="name or address (default: localhost)"
    )
    broker.add_argument(
        "--port",
        type=int,
        metavar="NUMBER",
        help="its port (default: 1883; 8883 with --tls or --tls-ca)",
    )
    broker.add_argument("--user", metavar="NAME", help="if the broker wants one (default: none)")
    broker.add_argument(
        "--password-file",
        metavar="FILE",
        help="a file with the password in one line (default: none)",
    )
    broker.add_argument(
        "--tls", action="store_true", help="TLS, with the authorities that the system knows"
    )
    broker.add_argument(
        "--tls-ca", metavar="FILE", help="TLS, with the authority in this file (default: no TLS)"
    )
    broker.add_argument(
        "--topics",
        action="append",
        metavar="FILTER",
        help="listen to these only; may be given again (default: '#', all)",
    )
    broker.add_argument(
        "--listen",
        type=duration,
        default=LISTEN,
        metavar="DURATION",
        help=f"for so long; packs that send seldom need longer (default: '{LISTEN}')",
    )
    parser.add_argument(
        "--from",
        dest="recordings",
        action="append",
        metavar="RECORDING",
        help="from a recording in place of a broker, as `watchd replay` reads it; may be given "
        "again; - is standard input",
    )
    parser.add_argument(
        "--prefix",
        default="watchd",
        metavar="LEVELS",
        help="first levels of what watchd publishes itself, which is passed over (default: watchd)",
    )
    parser.add_argument(
        "-o",
        "--output",
        default="config.yaml",
        metavar="FILE",
        help="the config to write; - prints it, and writes none (default: config.yaml)",
    )
    parser.add_argument("--yes", action="store_true", help="write without asking")
    parser.add_argument(
        "--json",
        action="store_true",
        help="the proposal, as one JSON object; written only with --yes",
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Listen, propose, ask, write. See `_ABOUT` for the exit code; WatchdError for 2."""
    from watchd.commands.setup_texts import nothing_found, proposal_data, proposal_lines
    from watchd.proposal.config_text import config_text, to_enter
    from watchd.proposal.overheard import Overheard
    from watchd.proposal.propose import propose

    target = None if options.output == "-" else Path(options.output)
    if target is not None and (options.yes or not options.json):
        refuse_to_overwrite(target)
    broker = _broker(options)
    overheard = Overheard(options.prefix)
    if options.recordings:
        _replay(options.recordings, overheard)
    else:
        _listen(options, broker, overheard)
    proposal = propose(overheard)
    if not proposal.packs:
        said = [json.dumps(proposal_data(proposal, None))] if options.json else None
        # What is to be a config gets no other text.
        stream = sys.stderr if target is None and not options.json else sys.stdout
        print("\n".join(said or nothing_found(overheard)), file=stream)
        return 1
    text = config_text(proposal, _around(options, broker))
    _check(text, options.output)
    if options.json:
        print(json.dumps(proposal_data(proposal, text), ensure_ascii=False))
        if options.yes and target is not None:
            _write(target, text)
        return 0
    if target is None:
        print(text, end="")
        return 0
    print("\n".join(proposal_lines(proposal, to_enter(text))))
    if not options.yes and not _confirmed(target):
        return 1
    _write(target, text)
    print(f"{target}: written. Enter what is marked in it, then:")
    print(f"  watchd check --config {target}")
    return 0


def refuse_to_overwrite(target: Path) -> None:
    """Raises WatchdError, with a name that is free, where something is there already."""
    place = Place(str(target))
    if target.exists() or target.is_symlink():
        free = next(
            name
            for n in range(1, 1000)
            if not (name := target.with_stem(f"{target.stem}-{n}")).exists()
        )
        what = f"is there already, and is never overwritten; -o {free} is free"
        raise WatchdError(Problem(what, place))
    if not target.parent.is_dir():
        raise WatchdError(Problem(f"there is no folder {target.parent}", place))


def _broker(options: argparse.Namespace) -> Any:
    """The broker of the options, checked as in a config."""
    from pydantic import ValidationError

    from watchd.config import Broker

    is_tls = options.tls or options.tls_ca is not None
    given: dict[str, Any] = {
        "host": options.host,
        "port": (8883 if is_tls else 1883) if options.port is None else options.port,
        "user": options.user,
        "password_file": _absolute(options.password_file),
    }
    if is_tls:
        given["tls"] = {"ca_file": _absolute(options.tls_ca)}
    try:
        return Broker.model_validate(given)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        said = str(first["msg"]).removeprefix("Value error, ")
        raise WatchdError(f"--{where}: {said}" if where else said) from None


def _absolute(name: str | None) -> str | None:
    """The config may be read from another folder."""
    return None if name is None else str(Path(name).absolute())


def _listen(options: argparse.Namespace, broker: Any, overheard: Any) -> None:
    import time

    from watchd.shell.log import keep_libraries_quiet
    from watchd.shell.mqtt.listening import listen

    keep_libraries_quiet()
    lasting_s = parse_duration(options.listen)
    if not 0 < lasting_s <= LONGEST_S:
        raise WatchdError(f"--listen: more than 0 s, and {show_duration(LONGEST_S)} at most")
    begun, begun_at = time.monotonic(), time.time()

    def take(topic: str, payload: bytes, retained: bool) -> None:
        at = begun_at + time.monotonic() - begun
        overheard.take(topic, payload, at, retained=retained)

    with progress("listening", lasting_s) as done:

        def elapsed(gone_s: float) -> None:
            done(gone_s, f"{len(overheard.topics):,} topics")

        asyncio.run(listen(broker, options.topics or ["#"], lasting_s, take, elapsed))


def _replay(recordings: list[str], overheard: Any) -> None:
    from watchd.commands.recording import read_recordings

    number = 0
    with progress("reading") as done:
        messages = chain.from_iterable(read_recordings(recordings))
        for number, message in enumerate(messages, 1):
            overheard.take(message.topic, message.payload, message.t, retained=message.retained)
            if number % 1000 == 0:
                done(number, f"{len(overheard.topics):,} topics")
    if not number:
        raise WatchdError("the recording holds no message")


def _around(options: argparse.Namespace, broker: Any) -> Any:
    from watchd.proposal.config_text import Around

    # A service has its folder for the store; who tries it out has this one.
    is_service = Path(options.output).absolute().is_relative_to("/etc")
    return Around(
        host=broker.host,
        port=broker.port,
        user=broker.user,
        password_file=broker.password_file,
        ca_file=broker.tls.ca_file if broker.tls else None,
        is_tls=broker.tls is not None,
        prefix=options.prefix,
        store=None if is_service else "watchd.db",
    )


def _check(text: str, name: str) -> None:
    """What is written loads. Raises WatchdError, for a prefix or a host that a config refuses."""
    from watchd.config import parse_config
    from watchd.documents import parse_document

    parse_config(parse_document(text, name))


def _confirmed(target: Path) -> bool:
    if not sys.stdin.isatty():
        print(
            f"\n{target}: not written, for there is no terminal to ask on; --yes writes it, and "
            "-o - prints it",
            file=sys.stderr,
        )
        return False
    try:
        answer = input(f"\nWrite {target}? [y/N] ")
    except EOFError:
        answer = ""
    if answer.strip().lower() in ("y", "yes"):
        return True
    print(f"{target}: not written")
    return False


def _write(target: Path, text: str) -> None:
    try:
        with target.open("x", encoding="utf-8") as stream:
            stream.write(text)
    except FileExistsError:
        refuse_to_overwrite(target)
        raise
    except OSError as error:
        reason = error.strerror or str(error)
        what = f"cannot be written: {reason}"
        raise WatchdError(Problem(what, Place(str(target)))) from error
