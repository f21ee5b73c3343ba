"""A PostgreSQL server of the tests' own: on a socket in a folder, without a port."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.service.patience import until

INSTALLED = Path("/usr/lib/postgresql")
USER = "postgres"


def programs() -> Path | None:
    """The folder of initdb and postgres, of the newest version here."""
    found = [p.parent for p in INSTALLED.glob("*/bin/initdb")]
    if found:
        return max(found, key=lambda p: float(p.parent.name))
    here = shutil.which("postgres")
    return None if here is None else Path(here).resolve().parent


class Server:
    """Started and stopped at will; its data stay."""

    def __init__(self, folder: Path, bin_folder: Path) -> None:
        self._folder, self._bin = folder, bin_folder
        self._data, self._log = folder / "data", folder / "server.log"
        self._process: subprocess.Popen[bytes] | None = None
        self.conninfo = f"host={folder} dbname=postgres user={USER}"
        # initdb refuses root.
        self._as: list[str] = []
        if os.geteuid() == 0:
            own = pwd.getpwnam(USER)
            os.chown(folder, own.pw_uid, own.pw_gid)
            ids = f"--reuid={own.pw_uid}", f"--regid={own.pw_gid}"
            self._as = ["setpriv", *ids, "--clear-groups"]
        command = [
            *self._as, str(self._bin / "initdb"), "-D", str(self._data), "-U", USER, "-A", "trust",
            "--no-sync", "-E", "UTF8", "--locale", "C",
        ]  # fmt: skip
        subprocess.run(command, check=True, capture_output=True, cwd=folder)

    def start(self) -> None:
        """Start it, and wait until it takes connections."""
        command = [
            *self._as, str(self._bin / "postgres"), "-D", str(self._data), "-k", str(self._folder),
            "-c", "listen_addresses=", "-c", "fsync=off",
        ]  # fmt: skip
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=self._folder
            )
        ready = [str(self._bin / "pg_isready"), "-h", str(self._folder)]
        until(
            lambda: subprocess.run(ready, check=False, capture_output=True).returncode == 0,
            "the server is up",
            seen=self._log.read_text,
        )

    def stop(self) -> None:
        """End it at once; a transaction that is under way is lost."""
        if self._process is not None:
            self._process.send_signal(signal.SIGQUIT)  # its "immediate shutdown"
            self._process.wait()
            self._process = None


@contextmanager
def server(bin_folder: Path) -> Iterator[Server]:
    """One, started, in a folder of its own.

    Not in one of pytest's: those are root's alone, and too long a path for a socket.
    """
    with TemporaryDirectory(prefix="watchd-") as folder:
        found = Server(Path(folder), bin_folder)
        found.start()
        try:
            yield found
        finally:
            found.stop()
