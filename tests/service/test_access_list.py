"""The broker's setup that docs/broker.md shows, run as it stands: who can do what, and no more.

What must not come is proven by what comes after it: a broker keeps the order of what it sends to
one client.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import pytest
import yaml
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.scene import leading, pack
from tests.service import brokers
from tests.service.brokers import BrokerProcess
from tests.service.certificates import Authority
from tests.service.clients import raw
from tests.service.commandline import process
from tests.service.daemon import Daemon, daemons
from tests.service.hut import ALARM, write_config
from tests.service.patience import PATIENCE_S, until
from tests.service.phone.conftest import write_urls
from tests.service.phone.receiver import Receiver

pytestmark = pytest.mark.broker

PAGE = (Path(__file__).parents[2] / "docs" / "broker.md").read_text("utf-8")
USERS = ("bridge", "watchd", "keeper", "phone", "pager", "inverter")
NOT_AUTHORIZED = 0x87  # MQTT 5, 3.4.2.1
HIGH = pack(cell_v=leading(3.42, by_mv=60))


def block(first_line: str) -> str:
    """The text that the page shows for a file."""
    found = re.findall(r"^```\w+\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
    (text,) = [b for b in found if b.startswith(first_line)]
    return str(text)


class User:
    """A client with its password, over MQTT 5."""

    def __init__(self, name: str, port: int) -> None:
        self.name, self._port = name, port
        self.heard: list[tuple[str, bytes]] = []
        self._acknowledged: dict[int, int] = {}
        self._subscribed: set[int] = set()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.username_pw_set(name, password_of(name))
        self._client.on_message = self._on_message
        self._client.on_publish = self._on_publish
        self._client.on_subscribe = self._on_subscribe
        self._connected = threading.Event()
        self._client.on_connect = lambda *_: self._connected.set()

    def __enter__(self) -> Self:
        self._client.connect(brokers.HOST, self._port)
        self._client.loop_start()
        assert self._connected.wait(PATIENCE_S)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def may_write(self, topic: str, payload: Any = b"x", reply_to: str | None = None) -> bool:
        """Publish, and what the broker says of it."""
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # paho's
        if reply_to is not None:
            properties.ResponseTopic = reply_to
        number = self._client.publish(topic, raw(payload), qos=1, properties=properties).mid
        code = until(lambda: self._acknowledged.get(number), f"{topic} is acknowledged")
        assert code - 1 in (0x00, 0x10, NOT_AUTHORIZED), code
        return code - 1 != NOT_AUTHORIZED

    def listens(self, *filters: str) -> None:
        """Subscribe, and wait for the answer: all that was sent before has come by then."""
        _, number = self._client.subscribe([(f, 0) for f in filters])
        until(lambda: number in self._subscribed, "the subscription is answered")

    def _on_message(self, _c: object, _d: object, message: paho.MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload)))

    def _on_publish(self, _c: object, _d: object, mid: int, code: Any, _p: object) -> None:
        self._acknowledged[mid] = int(code.value) + 1  # so that 0 counts as an answer

    def _on_subscribe(self, _c: object, _d: object, mid: int, *_: object) -> None:
        self._subscribed.add(mid)


def password_of(user: str) -> str:
    return f"made up for {user}"


@dataclass(frozen=True, slots=True)
class Setup:
    """The broker of the page, with a watchd that runs by the page's config."""

    broker: BrokerProcess
    tls_port: int
    ca: Path
    daemon: Daemon
    config: Path
    folder: Path

    def password_file(self, user: str) -> Path:
        path = self.folder / f"password-of-{user}"
        path.touch(mode=0o600)
        path.write_text(password_of(user))
        return path


@pytest.fixture(scope="module")
def setup(mosquitto_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Setup]:
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        pytest.skip("no mosquitto_passwd on this machine")
    folder = tmp_path_factory.mktemp("access")
    (folder / "certs").mkdir()
    ca = Authority(folder / "certs")
    ca.signs("broker")
    (folder / "passwords").touch(mode=0o600)
    for user in USERS:
        subprocess.run([tool, "-b", folder / "passwords", user, password_of(user)], check=True)
    (folder / "access").write_text(block("# /etc/mosquitto/access"))
    lines = block("# /etc/mosquitto/conf.d/watchd.conf").replace("/etc/mosquitto", str(folder))
    tls_port = brokers.free_port()
    process = brokers.mosquitto_as_told(
        mosquitto_path,
        folder,
        lines.replace("listener 8883", f"listener {tls_port} {brokers.HOST}"),
        "listener 1883 127.0.0.1",
    )
    with process as broker, daemons() as watchd:
        sections = yaml.safe_load(block("broker:"))
        login = {"user": "watchd", "password_file": str(folder / "password-of-watchd")}
        assert sections["broker"] == {
            "host": "localhost",
            "port": 1883,
            "user": "watchd",
            "password_file": "/etc/watchd/mqtt-password",
        }
        config = write_config(folder, broker.port, broker=login, requests=sections["requests"])
        (folder / "password-of-watchd").write_text(password_of("watchd"))
        (folder / "password-of-watchd").chmod(0o600)
        daemon = watchd(config)
        daemon.works()
        yield Setup(broker, tls_port, ca.certificate, daemon, config, folder)


TELEMETRY = "hut/elm/state"  # of no pack, so that nothing comes of it
# What watchd says to all; those after it are for it alone to write.
OWN = (
    "watchd/annunciation", "watchd/alarm/cell-high/pack/elm", "watchd/service/x",
    "watchd/charge-limit/elm/amps", "watchd/discharge-limit/elm", "watchd/charge-voltage/elm",
    "watchd/figures/pack/elm", "watchd/reanchor/elm", "watchd/response/7",
    "watchd/digest/elm", "watchd/newest-annunciation/elm", "watchd/reply", "watchd/reply/answer",
    "watchd/response/phone/7",
)  # fmt: skip
ELSEWHERE = ("other/topic", "watchdog/request", "hutch/x", "$SYS/broker/x")
ASKING = tuple(f"watchd/request/{user}" for user in USERS)
MAY_WRITE = {
    "bridge": {TELEMETRY},
    "watchd": {*OWN, *ASKING, "watchd/request"},
    "keeper": {"watchd/request/keeper", "watchd/reply"},
    "phone": set(),
    "pager": {"watchd/request/phone", "watchd/reply/answer", "watchd/response/phone/7"},
    "inverter": set(),
}


@pytest.mark.parametrize("name", USERS)
def test_what_a_user_may_write(setup: Setup, name: str) -> None:
    topics = {TELEMETRY, *OWN, *ASKING, "watchd/request", *ELSEWHERE}
    with User(name, setup.broker.port) as user:
        allowed = {topic for topic in sorted(topics) if user.may_write(topic)}
    assert allowed == MAY_WRITE[name]


# What comes to each of what others say, in the order of the topics.
MAY_READ = {
    "bridge": set(),
    "watchd": {TELEMETRY, *OWN},
    "keeper": {TELEMETRY, *OWN},
    "phone": {"watchd/annunciation", "watchd/alarm/cell-high/pack/elm", "watchd/digest/elm"},
    "pager": {
        "watchd/annunciation",
        "watchd/alarm/cell-high/pack/elm",
        "watchd/digest/elm",
        "watchd/reply",
        "watchd/response/phone/7",
    },
    "inverter": {t for t in OWN if "limit" in t or "voltage" in t},
}
SENTINELS = {
    "watchd": "watchd/response/end",
    "keeper": "watchd/response/end",
    "phone": "watchd/alarm/end",
    "pager": "watchd/alarm/end",
    "inverter": "watchd/charge-limit/end",
}


@pytest.mark.parametrize("name", USERS)
def test_what_a_user_may_read(setup: Setup, name: str) -> None:
    with User(name, setup.broker.port) as user, User("watchd", setup.broker.port) as says:
        with User("bridge", setup.broker.port) as bridge:
            user.listens("#")
            user.listens(*OWN, TELEMETRY, "other/topic")
            assert bridge.may_write(TELEMETRY, b"told to all")
        for topic in OWN:
            assert says.may_write(topic, b"told to all")
        if name in SENTINELS:
            assert says.may_write(SENTINELS[name], b"the end")
            until(lambda: (SENTINELS[name], b"the end") in user.heard, "what comes last")
        else:
            # It may read nothing, so what comes last is the answer to a subscription.
            user.listens("no/such/topic")
        heard = {topic for topic, payload in user.heard if payload == b"told to all"}
    assert heard == MAY_READ[name]


def test_nobody_without_a_password(setup: Setup) -> None:
    asked = process("alarms", "--config", setup.config, "--user", "keeper", "--password-file",
                    setup.password_file("phone"))  # fmt: skip
    assert asked.code == 2
    assert "ot authori" in asked.err


def test_the_whole_way_and_the_journal_knows_who_asked(setup: Setup) -> None:
    key = setup.password_file("keeper")

    def keeper(*words: str) -> Any:
        return process(
            "alarms", *words, "--config", setup.config, "--user", "keeper", "--password-file", key
        )

    with (
        User("phone", setup.broker.port) as phone,
        User("inverter", setup.broker.port) as inverter,
        User("bridge", setup.broker.port) as bridge,
    ):
        phone.listens("watchd/alarm/#")
        inverter.listens("watchd/charge-limit/#")
        for _ in range(2):
            for name in ("alder", "birch"):
                assert bridge.may_write(f"hut/{name}/state", HIGH)
        until(lambda: any(t == ALARM for t, _ in phone.heard), "the phone is told")
        until(
            lambda: any(t == "watchd/charge-limit/hut/amps" for t, _ in inverter.heard),
            "the inverter is told",
        )
        request = {"do": "acknowledge", "alarm": "cell-high/pack/alder", "by": "keeper"}
        for user in (phone, inverter, bridge):
            for topic in ("watchd/request", *ASKING):
                assert not user.may_write(topic, request, reply_to="watchd/response/me")
    done = keeper("ack", "cell-high/alder")
    assert (done.code, done.out) == (0, "cell-high/pack/alder: acknowledged\n")
    history = keeper("history", "cell-high/alder").out
    assert "acknowledged by keeper" in history
    assert "its own word" not in history
    line = setup.daemon.logs("alarm", happened="acknowledged")
    assert (line["by"], line["by_how"]) == ("keeper", "topic")


@pytest.mark.long
def test_the_bridge_to_the_phone_with_its_own_user(setup: Setup) -> None:
    """The keeper replies, the bridge asks, and the journal has the name of its topic."""
    folder = setup.folder / "phone"
    folder.mkdir()
    sections = yaml.safe_load(setup.config.read_text())
    with (
        Receiver() as receiver,
        User("keeper", setup.broker.port) as keeper,
        User("bridge", setup.broker.port) as bridge,
        daemons() as start,
    ):
        phone = {
            "urls_file": str(write_urls(folder, receiver.url())),
            "queue": str(folder / "phone.db"),
            "user": "pager",
            "password_file": str(setup.password_file("pager")),
        }
        config = write_config(folder, setup.broker.port, broker=sections["broker"], phone=phone)
        pager = start(config, command="bridge")
        pager.logs("listening")
        keeper.listens("watchd/reply/answer")
        for name in ("alder", "birch"):
            assert bridge.may_write(f"hut/{name}/state", pack())
            assert bridge.may_write(f"hut/{name}/state", HIGH)
        receiver.gets("alder", "No 1")
        assert keeper.may_write("watchd/reply", b"ack 1")
        until(
            lambda: any(b"acknowledged" in payload for _, payload in keeper.heard), "it is done",
            seen=lambda: pager.text,
        )  # fmt: skip
        assert "does not let" not in pager.text


def test_from_another_computer_over_tls(setup: Setup) -> None:
    """With another config, as `keeper` would have there."""
    folder = setup.folder / "elsewhere"
    folder.mkdir()
    login = {
        "user": "keeper",
        "password_file": str(setup.password_file("keeper")),
        "tls": {"ca_file": str(setup.ca)},
    }
    config = write_config(
        folder, setup.tls_port, broker=login, requests={"named_only": True, "answer_below": []}
    )
    assert process("alarms", "list", "--config", config).code == 0
    # The plain topic is the old way, which this broker lets nobody write to.
    config = write_config(folder, setup.tls_port, broker={"tls": {"ca_file": str(setup.ca)}})
    asked = process("alarms", "list", "--config", config)
    assert asked.code == 2
    assert "ot authori" in asked.err


def test_the_page_carries_the_caution() -> None:
    text = " ".join(PAGE.replace("\n> ", " ").split())
    for words in (
        "no protection", "cell maker's sheet", "local code and a licensed person come first",
        "never leave a changed protection setting unattended",
    ):  # fmt: skip
        assert words in text
