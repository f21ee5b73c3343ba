"""The unit, and what install.sh does with it on systemd of several ages.

systemd does not run where these tests do: what is seen here is what the files say.
"""

from __future__ import annotations

import configparser
import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
UNIT = ROOT / "systemd" / "watchd.service"
BRIDGE = ROOT / "systemd" / "watchd-bridge.service"
DROPIN = Path("watchd.service.d/before-253.conf")


def settings(path: Path) -> dict[str, list[str]]:
    """Every key of the section Service, with its values in order."""
    found: dict[str, list[str]] = {}
    section = ""
    for line in path.read_text("utf-8").splitlines():
        if line.startswith("["):
            section = line
        elif section == "[Service]" and line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


def install(folder: Path, version: str | None, *words: str) -> str:
    """Run install-unit.sh where `systemctl --version` says this (None: there is none)."""
    programs = folder / "bin"
    programs.mkdir(exist_ok=True)
    for name in ("bash", "env", "sed", "install", "rm", "rmdir", "dirname"):
        link = programs / name
        if not link.exists():
            link.symlink_to(
                next(p for p in map(Path, ("/usr/bin", "/bin")) if (p / name).exists()) / name
            )
    systemctl = programs / "systemctl"
    systemctl.unlink(missing_ok=True)
    if version is not None:
        systemctl.write_text(f"#!/bin/bash\necho 'systemd {version}'\necho '+PAM +AUDIT'\n")
        systemctl.chmod(0o755)
    done = subprocess.run(
        [ROOT / "systemd" / "install-unit.sh", folder / "units", *words],
        env={"PATH": str(programs)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    for unit in (f"{word}.service" for word in words or ("watchd",)):
        assert (folder / "units" / unit).read_bytes() == (ROOT / "systemd" / unit).read_bytes()
    return done.stdout


@pytest.mark.parametrize(
    ("version", "wants_it"),
    [
        ("247 (247.3-7+deb11u4)", True),
        ("252 (252.38-1~deb12u1)", True),
        ("253 (253.5-1)", False),
        ("257 (257.7-1)", False),
        (None, False),
    ],
)
def test_an_old_systemd_gets_a_drop_in(tmp_path: Path, version: str | None, wants_it: bool) -> None:
    said = install(tmp_path, version)
    assert (tmp_path / "units" / DROPIN).exists() is wants_it
    assert ("does not know Type=notify-reload" in said) is wants_it


def test_a_newer_systemd_loses_the_drop_in_and_keeps_those_of_the_keeper(tmp_path: Path) -> None:
    install(tmp_path, "252 (252.38-1~deb12u1)")
    own = tmp_path / "units" / "watchd.service.d" / "own.conf"
    own.write_text("[Service]\nIPAddressDeny=any\n")
    assert "Removed" in install(tmp_path, "257 (257.7-1)")
    assert not (tmp_path / "units" / DROPIN).exists()
    assert own.exists()
    own.unlink()
    install(tmp_path, "252 (252.38-1~deb12u1)")
    install(tmp_path, "257 (257.7-1)")
    assert not (tmp_path / "units" / "watchd.service.d").exists()


def test_the_drop_in_says_the_type_in_the_old_way() -> None:
    """systemd.service(5): notify-reload is notify, and SIGHUP as the reload."""
    assert settings(ROOT / "systemd" / "before-253.conf") == {
        "Type": ["notify"],
        "ExecReload": ["/bin/kill -HUP $MAINPID"],
    }


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("Type", "notify-reload"),
        ("WatchdogSec", "60s"),
        ("Restart", "always"),
        ("DynamicUser", "yes"),
        ("StateDirectory", "watchd"),
        ("RuntimeDirectory", "watchd"),
        ("RuntimeDirectoryMode", "0700"),
        ("RuntimeDirectoryPreserve", "restart"),
        ("UMask", "0077"),
        ("LimitCORE", "0"),
    ],
)
def test_what_others_rely_on(key: str, value: str) -> None:
    assert settings(UNIT)[key] == [value]


def test_it_never_gives_up() -> None:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.read_string(UNIT.read_text("utf-8"))
    assert parser["Unit"]["StartLimitIntervalSec"] == "0"


def test_the_unit_starts_the_command_that_there_is() -> None:
    (start,) = settings(UNIT)["ExecStart"]
    assert start == "/opt/watchd/bin/watchd run --config /etc/watchd/config.yaml"
    assert "program=/opt/watchd\n" in (ROOT / "systemd" / "install.sh").read_text("utf-8")


def test_installing_wants_root_and_says_so(tmp_path: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("this is root")
    done = subprocess.run(
        [ROOT / "systemd" / "install.sh"], capture_output=True, text=True, check=False, cwd=tmp_path
    )
    assert done.returncode == 2
    assert "must be run as root" in done.stderr


def test_the_bridges_unit_comes_with_its_own_drop_in(tmp_path: Path) -> None:
    install(tmp_path, "252 (252.38-1~deb12u1)", "watchd-bridge")
    assert (tmp_path / "units" / "watchd-bridge.service.d" / "before-253.conf").exists()
    assert not (tmp_path / "units" / "watchd.service").exists()
    install(tmp_path, "257 (257.7-1)", "watchd-bridge")
    assert not (tmp_path / "units" / "watchd-bridge.service.d").exists()


def test_the_bridge_is_as_shut_off_as_watchd() -> None:
    """All restrictions of the one stand in the other."""
    own = {
        "ExecStart", "TimeoutStopSec", "MemoryMax", "StateDirectory", "RuntimeDirectory",
        "RuntimeDirectoryMode", "RuntimeDirectoryPreserve", "Environment",
    }  # fmt: skip
    watchd, bridge = settings(UNIT), settings(BRIDGE)
    assert {k: v for k, v in watchd.items() if k not in own} == {
        k: v for k, v in bridge.items() if k not in own
    }
    assert bridge["StateDirectory"] == ["watchd-bridge"]
    assert bridge["ExecStart"] == ["/opt/watchd/bin/watchd bridge --config /etc/watchd/config.yaml"]


def test_the_bridge_does_not_hang_on_watchd() -> None:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.read_string(BRIDGE.read_text("utf-8"))
    assert not {"requires", "bindsto", "partof"} & set(parser["Unit"])
    assert parser["Unit"]["StartLimitIntervalSec"] == "0"


def test_systemd_finds_nothing_wrong_with_the_bridge(tmp_path: Path) -> None:
    tool = shutil.which("systemd-analyze")
    if tool is None:
        pytest.skip("no systemd-analyze here")
    unit = tmp_path / "watchd-bridge.service"
    unit.write_text(BRIDGE.read_text("utf-8").replace("/opt/watchd/bin/watchd ", "/bin/true "))
    done = subprocess.run([tool, "verify", unit], capture_output=True, text=True, check=False)
    said = [line for line in done.stderr.splitlines() if "watchd" in line]
    assert [line for line in said if "notify-reload" not in line] == []
    exposure = [tool, "security", "--offline=true", "--threshold=12", "--no-pager", str(unit)]
    assert subprocess.run(exposure, capture_output=True, check=False).returncode == 0
