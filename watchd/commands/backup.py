"""`watchd backup`: a copy of the store while the service runs."""

from __future__ import annotations

import argparse
import json
import sqlite3
import sys
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from watchd.commands.options import add_command, add_config_file, config_of_daemon
from watchd.commands.progress import progress
from watchd.commands.store_access import is_missing, what_to_do
from watchd.errors import Place, Problem, WatchdError
from watchd.publish import rfc3339

_RESTORE = """

To restore it (CONFIG's store path is /var/lib/watchd/watchd.db, for example):
  systemctl stop watchd
  cp FILE /var/lib/watchd/watchd.db
  rm -f /var/lib/watchd/watchd.db-wal /var/lib/watchd/watchd.db-shm
  chown --reference=/var/lib/watchd/ /var/lib/watchd/watchd.db
  systemctl start watchd
A -wal that is left there belongs to another database, and would damage this one."""


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "backup",
        "copy the store (state, journal, telemetry) while the service runs, and check the copy",
        "watchd backup --config /etc/watchd/config.yaml /media/stick/watchd.db" + _RESTORE,
    )
    parser.add_argument("file", metavar="FILE", help="the copy")
    add_config_file(parser)
    parser.add_argument("--force", action="store_true", help="replace FILE where there is one")
    parser.add_argument(
        "--json", action="store_true", help="what the copy holds, as one JSON object"
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Copy; 1 where the copy is damaged, for the store is then damaged itself."""
    from watchd.shell.store import DamagedError
    from watchd.shell.store.backup import back_up

    source = Path(config_of_daemon(options).store.path)
    target = Path(options.file)
    _refuse(source, target, is_forced=options.force)
    try:
        with progress("copying", 1.0) as done:
            copied = back_up(source, target, progress=lambda pages, of: done(pages / max(of, 1)))
    except DamagedError as damage:
        what = "" if damage.newer else "the store is damaged: "
        print(f"{source}: not copied: {what}{damage}", file=sys.stderr)
        return 1
    except (OSError, sqlite3.Error) as error:
        what = f"cannot be copied: {getattr(error, 'strerror', None) or error}"
        if not is_missing(source):  # else the error says it
            what += what_to_do(source)
        raise WatchdError(Problem(what, Place(str(source)))) from error
    if options.json:
        print(json.dumps({"file": str(target), **asdict(copied)}))
        return 0
    print(f"{target}: {copied.size_bytes / 1e6:.1f} MB, looked through and whole")
    saved = rfc3339(copied.saved_at) if copied.saved_at is not None else "none"
    print(f"  state      {saved}")
    print(f"  journal    {copied.journal_entries:,} entries")
    if copied.telemetry_from is None or copied.telemetry_to is None:
        print("  telemetry  none")
    else:
        print(
            f"  telemetry  {rfc3339(copied.telemetry_from)} to {rfc3339(copied.telemetry_to)}, "
            f"{copied.telemetry_blocks:,} blocks"
        )
    return 0


def _refuse(source: Path, target: Path, *, is_forced: bool) -> None:
    place = Place(str(target))
    if target.is_dir():
        raise WatchdError(Problem("is a folder; name a file in it", place))
    if not target.parent.is_dir():
        raise WatchdError(Problem(f"there is no folder {target.parent}", place))
    with suppress(OSError):  # that either cannot be looked at is said where it is opened
        if target.samefile(source):
            raise WatchdError(Problem("is the store itself", place))
    if target.exists() and not is_forced:
        raise WatchdError(Problem("exists already; --force replaces it", place))
