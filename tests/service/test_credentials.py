"""Brokers that want a password, and TLS. The password stays out of the log."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.scene import cells, leading, pack
from tests.service import brokers
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.commandline import process
from tests.service.daemon import WATCHD, Daemon, Start
from tests.service.hut import ALARM, SERVICE, write_config
from tests.service.patience import until

pytestmark = pytest.mark.broker

PASSWORD = "pass#word with: ümlaut"
HIGH = pack(cell_v=leading(3.42, by_mv=60))
EVEN = pack(cell_v=cells())


@pytest.fixture
def closed_broker(mosquitto_path: Path, tmp_path: Path) -> Iterator[BrokerProcess]:
    """mosquitto that lets nobody in without a password."""
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        pytest.skip("no mosquitto_passwd on this machine")
    subprocess.run([tool, "-b", passwords, "watchd", PASSWORD], check=True)
    with brokers.mosquitto(
        mosquitto_path, tmp_path, f"password_file {passwords}", open_to_all=False
    ) as process:
        yield process


def secret(folder: Path, text: str) -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / "mqtt-password"
    path.write_text(text)
    path.chmod(0o600)
    return path


def watches(daemon: Daemon, port: int) -> None:
    with (
        Listener(port, user="watchd", password=PASSWORD) as listener,
        Bridge(port, user="watchd", password=PASSWORD) as bridge,
    ):
        bridge.says(alder=HIGH)
        listener(SERVICE, lambda d: d["state"] == "running")
        listener(ALARM, bool)
    assert PASSWORD not in daemon.text


@pytest.mark.parametrize("end", ["", "\r\n"])
def test_a_password_from_a_file(
    closed_broker: BrokerProcess, watchd: Start, tmp_path: Path, end: str
) -> None:
    path = secret(tmp_path / "secrets", PASSWORD + end)
    login = {"user": "watchd", "password_file": str(path)}
    watches(watchd(write_config(tmp_path, closed_broker.port, broker=login)), closed_broker.port)


def test_a_password_from_a_service_credential(
    closed_broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    path = secret(tmp_path / "credentials", PASSWORD + "\n")
    login = {"user": "watchd", "password_credential": path.name}
    daemon = watchd(
        write_config(tmp_path, closed_broker.port, broker=login),
        environment={"CREDENTIALS_DIRECTORY": str(path.parent)},
    )
    watches(daemon, closed_broker.port)


def test_people_ask_with_a_password_file_of_their_own(
    closed_broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    path = secret(tmp_path / "credentials", PASSWORD)
    login = {"user": "watchd", "password_credential": path.name}
    config = write_config(tmp_path, closed_broker.port, broker=login)
    watchd(config, environment={"CREDENTIALS_DIRECTORY": str(path.parent)}).works()
    asked = process("alarms", "--config", config)
    assert asked.code == 2
    assert "CREDENTIALS_DIRECTORY is not set" in asked.err
    asked = process("alarms", "--config", config, "--password-file", path)
    assert (asked.code, asked.out) == (0, "nothing stands: every alarm is normal\n")


def test_a_wrong_password_is_told_and_tried_again(
    closed_broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    wrong = "not the one"
    path = secret(tmp_path / "secrets", wrong)
    login = {"user": "watchd", "password_file": str(path)}
    daemon = watchd(
        write_config(tmp_path, closed_broker.port, broker=login), "--verbose", log="text"
    )
    attempts = tmp_path / "broker.log"
    until(
        # Three tries of each of the two links, and the look whether the broker is up.
        lambda: attempts.read_text().count("New connection from") >= 7,
        "it goes on trying",
        seen=lambda: daemon.text + attempts.read_text(),
    )
    assert daemon.process.poll() is None
    lines = [x for x in daemon.text.splitlines() if "no link to the broker" in x]
    assert len(lines) == 2, "one for each link, however often it was tried"
    for line in lines:
        assert "ot authori" in line
        assert str(closed_broker.port) in line
    assert wrong not in daemon.text


def test_no_link_without_a_password(
    closed_broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    daemon = watchd(write_config(tmp_path, closed_broker.port))
    assert "uthori" in daemon.logs("no link to the broker", link="out")["reason"]


def test_a_password_that_was_changed_is_taken_with_a_reload(
    closed_broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    path = secret(tmp_path / "secrets", "the one of last year")
    login = {"user": "watchd", "password_file": str(path)}
    daemon = watchd(write_config(tmp_path, closed_broker.port, broker=login))
    daemon.logs("no link to the broker", link="out")
    path.write_text(PASSWORD)
    daemon.process.send_signal(signal.SIGHUP)
    watches(daemon, closed_broker.port)
    path.unlink()
    daemon.process.send_signal(signal.SIGHUP)
    line = daemon.logs("the config does not load; the old one stays")
    assert line["problem"].startswith(f"{path}: the broker's password cannot be read")
    assert len(daemon.log("publishing")) == 1, "its links stand"


@pytest.mark.parametrize(
    ("login", "says"),
    [
        (
            {"password_file": "{folder}/absent"},
            "{folder}/absent: the broker's password cannot be read: No such file or directory",
        ),
        (
            {"password_file": "{folder}/binary"},
            "{folder}/binary: the broker's password cannot be read: not text",
        ),
        (
            {"password_credential": "mqtt-password"},
            (
                "broker: password_credential is given, but the service manager has passed no "
                "credentials (CREDENTIALS_DIRECTORY is not set)"
            ),
        ),
        (
            {"tls": {"ca_file": "{folder}/absent"}},
            (
                "broker: tls: certificates cannot be loaded: [Errno 2] No such file or directory "
                "({folder}/absent)"
            ),
        ),
    ],
)
def test_a_secret_that_cannot_be_read_ends_it_with_one_line(
    tmp_path: Path, login: dict[str, object], says: str
) -> None:
    (tmp_path / "binary").write_bytes(b"\xff\xfe\xfd")
    filled = {
        key: value.format(folder=tmp_path)
        if isinstance(value, str)
        else {
            k: v.format(folder=tmp_path)
            for k, v in value.items()  # type: ignore[attr-defined]
        }
        for key, value in login.items()
    }
    config = write_config(tmp_path, 1, broker={"user": "watchd", **filled})
    environment = {k: v for k, v in os.environ.items() if k != "CREDENTIALS_DIRECTORY"}
    done = subprocess.run(
        [WATCHD, "run", "--config", config],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env=environment,
    )
    assert done.returncode == 2
    assert done.stderr.strip() == says.format(folder=tmp_path)
