"""A small disk of the test's own: a tmpfs in a mount namespace that ends with the test."""

from __future__ import annotations

import os
import shutil
import subprocess
from contextlib import suppress
from pathlib import Path
from typing import Self

from tests.service.patience import until


class NoNamespaceError(Exception):
    """This machine lets nobody make one."""


class SmallDisk:
    """The disk at `place`, which only processes see that are started `under` it."""

    def __init__(self, place: Path, size: str = "1m") -> None:
        self.place, self._size = place, size
        # Whoever is not root becomes root of a namespace of users.
        self._users = () if os.geteuid() == 0 else ("--user",)
        self._holder: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        if shutil.which("unshare") is None or shutil.which("nsenter") is None:
            raise NoNamespaceError("no unshare and nsenter here")
        self.place.mkdir()
        as_root = ("--map-root-user",) if self._users else ()
        self._holder = subprocess.Popen(
            ["unshare", "--mount", *as_root, "sleep", "infinity"], stderr=subprocess.DEVNULL
        )
        try:
            self._mount()
        except BaseException:
            self.__exit__()
            raise
        return self

    def _mount(self) -> None:
        own = Path("/proc/self/ns/mnt").readlink()
        until(lambda: self._has_ended() or self._namespace() not in (own, None), "a namespace")
        if self._has_ended():
            raise NoNamespaceError("unshare: not permitted")
        done = self._run("mount", "-t", "tmpfs", "-o", f"size={self._size}", "none", self.place)
        if done.returncode:
            raise NoNamespaceError(done.stderr.decode())

    def __exit__(self, *_: object) -> None:
        if self._holder is not None:
            self._holder.kill()
            self._holder.wait()

    @property
    def under(self) -> tuple[str, ...]:
        """What makes a command see the disk, put before it."""
        keep = ("--preserve-credentials",) if self._users else ()
        return ("nsenter", "--target", str(self._pid), "--mount", *self._users, *keep)

    def seen(self, path: Path) -> Path:
        """A path on the disk as it can be reached from outside."""
        return Path(f"/proc/{self._pid}/root{path.absolute()}")

    def fill(self) -> None:
        """Leave no byte."""
        with self.seen(self.place / "ballast").open("wb", buffering=0) as stream:
            for size in (65_536, 4096):
                with suppress(OSError):
                    while stream.write(b"x" * size):
                        pass
        assert shutil.disk_usage(self.seen(self.place)).free == 0

    def make_room(self) -> None:
        """The end of `fill`."""
        self.seen(self.place / "ballast").unlink()

    def writable(self, is_writable: bool) -> None:
        """Read-only or not; refused while something on it is open to be written."""
        how = "rw" if is_writable else "ro"
        done = self._run("mount", "-o", f"remount,{how}", self.place)
        assert done.returncode == 0, done.stderr.decode()

    @property
    def _pid(self) -> int:
        assert self._holder is not None
        return self._holder.pid

    def _has_ended(self) -> bool:
        return self._holder is None or self._holder.poll() is not None

    def _namespace(self) -> Path | None:
        with suppress(OSError):
            return Path(f"/proc/{self._pid}/ns/mnt").readlink()
        return None

    def _run(self, *words: str | Path) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run([*self.under, *words], capture_output=True, check=False, timeout=30)
