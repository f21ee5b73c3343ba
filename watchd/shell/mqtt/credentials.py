"""Who watchd is to the broker, and whom it trusts: password and certificates."""

from __future__ import annotations

import hashlib
import os
import re
import shlex
import ssl
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from watchd.config import Broker
from watchd.errors import Place, Problem, WatchdError

# OpenSSL's numbers (x509_vfy.h), as they come in SSLCertVerificationError.verify_code.
_NOT_YET_VALID, _EXPIRED = 9, 10
_UNKNOWN = (18, 19, 20, 21)  # self-signed, or of an authority that is not among those known
_ANOTHER_NAME = (62, 64)  # of a host, of an address
_IN_TEXT = re.compile(r"\[SSL: (\w+)\]")


@dataclass(frozen=True, slots=True)
class Secrets:
    """What the config's broker wants, as it was in its files when they were read."""

    password: str | None = field(repr=False)
    tls: ssl.SSLContext | None = field(compare=False)
    tls_digest: str

    @classmethod
    def of(cls, broker: Broker) -> Secrets:
        """Read them. Raises WatchdError."""
        digest = hashlib.sha256()
        tls = tls_of(broker)
        if broker.tls is not None:
            for name in (broker.tls.ca_file, broker.tls.cert_file, broker.tls.key_file):
                digest.update(Path(name).read_bytes() if name is not None else b"-")
        return cls(secret_of(broker), tls, digest.hexdigest())


def secret_of(broker: Broker) -> str | None:
    """The password, from the file or service credential that the config names."""
    path = _password_path(broker)
    if path is None:
        return None
    try:
        return path.read_text("utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not text"
        # Not from `error`: it would carry the bytes that are not text.
        raise WatchdError(
            Problem(f"the broker's password cannot be read: {reason}", Place(str(path)))
        ) from None


def _password_path(broker: Broker) -> Path | None:
    if broker.password_credential is not None:
        folder = os.environ.get("CREDENTIALS_DIRECTORY")
        if folder is None:
            raise WatchdError(
                "broker: password_credential is given, but the service manager has passed no "
                "credentials (CREDENTIALS_DIRECTORY is not set)"
            )
        return Path(folder) / broker.password_credential
    return None if broker.password_file is None else Path(broker.password_file)


def cautions_of(broker: Broker) -> list[str]:
    """What is open to others in how the broker is reached; a sentence each."""
    files = [broker.password_file, broker.tls.key_file if broker.tls is not None else None]
    return [
        *broker.cautions(),
        *(c for f in files if f is not None for c in open_to_others(Path(f))),
    ]


def open_to_others(path: Path) -> Iterator[str]:
    """A sentence with the remedy, where a file with a secret is not its owner's alone."""
    try:
        mode = path.stat().st_mode
    except OSError:
        return  # whoever needs it says so
    if mode & stat.S_IRWXO:
        command = f"chmod o-rwx {shlex.quote(str(path))}"
        yield f"{path} holds a secret, and everybody on this computer can get at it: {command}"


def tls_of(broker: Broker) -> ssl.SSLContext | None:
    """The TLS context, with verification always on, and TLS 1.2 at least."""
    tls = broker.tls
    if tls is None:
        return None
    try:
        context = ssl.create_default_context(cafile=tls.ca_file)
    except (OSError, ssl.SSLError) as error:
        raise _unloaded("certificates", tls.ca_file, error) from error
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if tls.cert_file is not None:
        key_file = tls.key_file or tls.cert_file
        if _has_passphrase(key_file):
            what = (
                "broker: tls: the key has a passphrase, and nobody is there to enter one; give a "
                "key without, which only watchd may read"
            )
            raise WatchdError(Problem(what, Place(key_file)))
        try:
            # Without an answer of ours, OpenSSL would ask on the terminal.
            context.load_cert_chain(tls.cert_file, tls.key_file, password=lambda: "")
        except (OSError, ssl.SSLError) as error:
            raise _unloaded("certificates", tls.cert_file, error) from error
    return context


def _unloaded(what: str, path: str | None, error: Exception) -> WatchdError:
    said = f"broker: tls: {what} cannot be loaded: {error}"
    return WatchdError(said if path is None else f"{said} ({path})")


def _has_passphrase(path: str) -> bool:
    """Whether a key in PEM is encrypted (RFC 7468, 11; RFC 1421, 4.6.1.1 for the older form)."""
    try:
        text = Path(path).read_text("ascii", "replace")
    except OSError:
        return False
    return "BEGIN ENCRYPTED PRIVATE KEY" in text or "Proc-Type: 4,ENCRYPTED" in text


def distrust_of(error: BaseException, broker: Broker) -> str | None:
    """Why there is no trust between watchd and the broker; None where it is something else.

    The MQTT client gives the text of the error alone; the error itself is behind it.
    """
    for cause in _chain(error):
        if isinstance(cause, ssl.SSLCertVerificationError):
            return _uncertified(cause, broker)
        if isinstance(cause, ssl.SSLError):
            return _refused(str(cause.reason or cause), broker)
        if isinstance(cause, ConnectionResetError) and broker.tls is not None:
            return _refused("the broker ended the connection", broker)
    told = _IN_TEXT.search(str(error))
    return _refused(told[1], broker) if told else None


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


def _uncertified(error: ssl.SSLCertVerificationError, broker: Broker) -> str:
    said = "the broker's certificate"
    code = error.verify_code
    if code == _EXPIRED:
        return f"{said} has expired (or this computer's clock is wrong)"
    if code == _NOT_YET_VALID:
        return f"{said} is not valid yet (or this computer's clock is wrong)"
    if code in _ANOTHER_NAME:
        return f"{said} is for another name than '{broker.host}', by which the config calls it"
    if code in _UNKNOWN:
        known = broker.tls.ca_file if broker.tls is not None else None
        where = f"in {known}" if known else "to this system (tls: ca_file can name one)"
        return f"{said} is signed by no authority that is known {where}"
    return f"{said} is not accepted: {error.verify_message}"


def _refused(reason: str, broker: Broker) -> str:
    if "ALERT" in reason and any(w in reason for w in ("CERTIFICATE", "UNKNOWN_CA")):
        return f"the broker does not accept watchd's certificate ({reason.lower()})"
    if "PROTOCOL" in reason:
        return f"the broker has no TLS 1.2 or newer ({reason.lower()})"
    return f"no TLS with the broker ({reason.lower()}): is {broker.port} its port with TLS?"
