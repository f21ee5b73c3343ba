"""Authorities and certificates, made with openssl as people make them."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

_NEW_KEY = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"]
DAY_S = 86400


class Authority:
    """An authority with its files in `folder`: `NAME.pem`, `NAME.key`."""

    def __init__(self, folder: Path, name: str = "ca") -> None:
        self.folder, self.name = folder, name
        self.certificate = folder / f"{name}.pem"
        _openssl(
            folder,
            *("req", "-x509", *_NEW_KEY, "-noenc", "-days", "2", "-subj", f"/CN={name}"),
            *("-keyout", f"{name}.key", "-out", f"{name}.pem"),
            *("-addext", "keyUsage=critical,keyCertSign"),
        )

    def signs(
        self, name: str, san: str = "IP:127.0.0.1", *, days: int = 2, passphrase: str | None = None
    ) -> tuple[Path, Path]:
        """A certificate and its key. `days` from now; less than nothing: it has ended."""
        hidden = ["-noenc"] if passphrase is None else ["-passout", f"pass:{passphrase}"]
        request = ["req", *_NEW_KEY, *hidden, "-subj", f"/CN={name}"]
        _openssl(self.folder, *request, "-keyout", f"{name}.key", "-out", f"{name}.csr")
        (self.folder / "san").write_text(f"subjectAltName={san}\n")
        _openssl(
            self.folder,
            *("x509", "-req", "-in", f"{name}.csr", "-CA", f"{self.name}.pem"),
            *("-CAkey", f"{self.name}.key", "-CAcreateserial", "-days", str(days)),
            *("-extfile", "san", "-out", f"{name}.pem"),
        )
        return self.folder / f"{name}.pem", self.folder / f"{name}.key"


def _openssl(folder: Path, *words: str) -> None:
    program = shutil.which("openssl")
    if program is None:
        pytest.skip("no openssl on this machine")
    subprocess.run([program, *words], cwd=folder, check=True, capture_output=True)
