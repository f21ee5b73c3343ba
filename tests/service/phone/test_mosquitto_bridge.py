"""The second way to a phone: docs/mosquitto-bridge.example.conf as it stands, but for what only the
keeper knows: addresses, the password, the authority's file.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.service import brokers
from tests.service.brokers import HOST, BrokerProcess
from tests.service.certificates import Authority
from tests.service.clients import Listener
from tests.service.faults.link import Link
from tests.service.patience import until
from tests.service.phone.conftest import annunciation

pytestmark = pytest.mark.broker
EXAMPLE = Path(__file__).parents[3] / "docs" / "mosquitto-bridge.example.conf"
PASSWORD = "made up for the hut"
TOPIC = "watchd/annunciation"


def example(port: int, ca: Authority) -> str:
    """The file, for a broker at this port."""
    text = EXAMPLE.read_text("utf-8")
    for theirs, ours in (
        ("address broker.example:8883", f"address {HOST}:{port}"),
        ("put-the-password-here", PASSWORD),
        ("/etc/mosquitto/certs/elsewhere-ca.pem", str(ca.certificate)),
    ):
        assert text.count(theirs) == 1
        text = text.replace(theirs, ours)
    return text


class Far:
    """The broker elsewhere, with TLS for the hut and a port without for the test."""

    def __init__(self, program: Path, folder: Path) -> None:
        tool = shutil.which("mosquitto_passwd")
        if tool is None:
            pytest.skip("no mosquitto_passwd on this machine")
        folder.mkdir()
        self.ca = Authority(folder)
        self.ca.signs("server")
        passwords = folder / "passwords"
        passwords.touch(mode=0o600)
        for user, password in (("hut", PASSWORD), ("reader", "made up")):
            subprocess.run([tool, "-b", passwords, user, password], check=True)
        self.plain_port = brokers.free_port()
        self.process = brokers.mosquitto(
            program,
            folder,
            f"cafile {self.ca.certificate}",
            f"certfile {folder}/server.pem",
            f"keyfile {folder}/server.key",
            f"password_file {passwords}",
            f"listener {self.plain_port} {HOST}",
            open_to_all=False,
        )

    def reads(self) -> Listener:
        return Listener(self.plain_port, "#", user="reader", password="made up")


@pytest.fixture
def far(mosquitto_path: Path, tmp_path: Path) -> Iterator[Far]:
    far = Far(mosquitto_path, tmp_path / "far")
    with far.process:
        yield far


@pytest.fixture
def near(mosquitto_path: Path, tmp_path: Path, far: Far) -> Iterator[BrokerProcess]:
    with brokers.mosquitto(mosquitto_path, tmp_path, example(far.process.port, far.ca)) as process:
        yield process


def test_an_annunciation_arrives_on_the_other_broker(near: BrokerProcess, far: Far) -> None:
    with far.reads() as reader, Listener(near.port, "#") as hut:
        hut.send(TOPIC, annunciation("first"))
        assert reader(TOPIC).data["title"] == "first"
        # Nothing comes the other way, and nothing else goes this one.
        hut.send("watchd/figures/pack/alder", {"x": 1})
        hut.send(TOPIC, annunciation("second"))
        reader(TOPIC, lambda d: d["title"] == "second")
        assert {h.topic for h in reader.heard} <= {TOPIC, "marks"}


def test_what_comes_while_the_way_is_closed_arrives_when_it_is_open(
    mosquitto_path: Path, tmp_path: Path, far: Far
) -> None:
    """What waits is not retained: each of them comes."""
    with (
        Link(far.process.port) as link,
        brokers.mosquitto(mosquitto_path, tmp_path, example(link.port, far.ca)) as near,
        far.reads() as reader,
        Listener(near.port, "#") as hut,
    ):
        hut.send(TOPIC, annunciation("before"))
        reader(TOPIC)
        link.refuse()
        for number in range(3):
            hut.send(TOPIC, annunciation(f"meanwhile {number}"))
        link.takes()
        until(
            lambda: any(h.data["title"] == "meanwhile 2" for h in reader.on(TOPIC)),
            "all of them",
            within_s=90,
        )
    # One whose acknowledgement the closed way held back comes twice: that is QoS 1.
    titles = list(dict.fromkeys(h.data["title"] for h in reader.on(TOPIC)))
    assert titles == ["before", "meanwhile 0", "meanwhile 1", "meanwhile 2"]


@pytest.mark.long
def test_after_the_other_broker_was_killed(near: BrokerProcess, far: Far) -> None:
    with Listener(near.port, "#") as hut:
        with far.reads() as reader:
            hut.send(TOPIC, annunciation("before"))
            reader(TOPIC)
        far.process.kill()
        hut.send("watchd/newest-annunciation", annunciation("meanwhile"), retain=True)
        far.process.start()
        with far.reads() as reader:
            until(lambda: reader.on("watchd/newest-annunciation"), "it is back", within_s=90)


def test_a_broker_that_is_somebody_else_gets_nothing(
    mosquitto_path: Path, tmp_path: Path, far: Far
) -> None:
    stranger = Authority(tmp_path, "stranger")
    with (
        brokers.mosquitto(mosquitto_path, tmp_path, example(far.process.port, stranger)) as near,
        Listener(near.port, "#") as hut,
        far.reads() as reader,
    ):
        hut.send(TOPIC, annunciation())
        log = tmp_path / "broker.log"
        until(lambda: re.search("OpenSSL Error|certificate", log.read_text()), "it is refused")
        reader.catch_up()
        assert not reader.on(TOPIC)
