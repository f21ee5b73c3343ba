"""The URLs of the phone's services, from the file or credential that the config names."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import blake2b
from pathlib import Path

from watchd.config import Phone
from watchd.errors import Place, Problem, WatchdError
from watchd.phone.urls import Url, parse_urls, untold
from watchd.shell.mqtt.credentials import open_to_others

LARGEST = 100_000


@dataclass(frozen=True, slots=True)
class Secret:
    """The file that holds the URLs."""

    path: Path

    def read(self) -> tuple[Url, ...]:
        """The URLs that stand there now. Raises WatchdError, in which no URL is."""
        try:
            raw = self.path.read_bytes()
            if len(raw) > LARGEST:
                raise WatchdError(Problem(f"larger than {LARGEST} bytes", Place(str(self.path))))
            text = raw.decode("utf-8")
        except OSError as error:
            what = f"the phone's URLs cannot be read: {error.strerror}"
            raise WatchdError(Problem(what, Place(str(self.path)))) from None
        except UnicodeDecodeError:
            # Not from the error: it would carry the bytes.
            raise WatchdError(
                Problem("the phone's URLs cannot be read: not text", Place(str(self.path)))
            ) from None
        return parse_urls(text, str(self.path))

    def now(self) -> tuple[int, int, int] | None:
        """Another value where the file is another one; None: there is none."""
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_ino, found.st_size, found.st_mtime_ns


def secret_of(phone: Phone) -> Secret:
    """The file. Raises WatchdError where a credential is named and none are passed."""
    if phone.urls_credential is None:
        return Secret(Path(phone.urls_file or ""))
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if folder is None:
        raise WatchdError(
            "phone: urls_credential is given, but the service manager has passed no credentials "
            "(CREDENTIALS_DIRECTORY is not set); "
            "`watchd bridge --test --urls-file FILE` does without"
        )
    return Secret(Path(folder) / phone.urls_credential)


def cautions_of(phone: Phone, urls: tuple[Url, ...]) -> Iterator[str]:
    """What is open to others, or likely not meant."""
    if phone.urls_file is not None:
        yield from open_to_others(Path(phone.urls_file))
    for priority in untold(urls):
        yield f"no URL gets what is of priority {priority}: nobody is told of it"


def name_of(url: str, salt: str) -> str:
    """What the queue calls a URL. The salt is the queue's own, so it says nothing elsewhere."""
    return blake2b(url.encode(), key=salt.encode()[:64], digest_size=12).hexdigest()
