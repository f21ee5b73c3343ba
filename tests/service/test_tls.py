"""TLS with a real broker and real certificates: who is not who it says it is gets no link.

What is wrong stands in one line of the log, however often it is tried.
"""

from __future__ import annotations

import ssl
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from tests.scene import leading, pack
from tests.service import brokers
from tests.service.brokers import BrokerProcess
from tests.service.certificates import Authority
from tests.service.clients import Bridge, Listener
from tests.service.commandline import process
from tests.service.daemon import Daemon, Start
from tests.service.hut import ALARM, SERVICE, write_config
from tests.service.patience import until
from watchd.config import Broker
from watchd.shell.mqtt.credentials import tls_of

HIGH = pack(cell_v=leading(3.42, by_mv=60))
NO_TRUST = "no trust between watchd and the broker"
StartBroker = Callable[..., tuple[BrokerProcess, int]]


@pytest.fixture(scope="module")
def ca(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    """The authority that the config names, with certificates that it has signed."""
    authority = Authority(tmp_path_factory.mktemp("certificates"))
    authority.signs("server")
    authority.signs("expired", days=-1)
    authority.signs("elsewhere", "DNS:broker.example,IP:192.0.2.1")
    authority.signs("client")
    authority.signs("locked", passphrase="made up")
    return authority


@pytest.fixture(scope="module")
def other_ca(ca: Authority) -> Authority:
    """Another one."""
    other = Authority(ca.folder, "other-ca")
    other.signs("others-server")
    other.signs("others-client")
    return other


@pytest.fixture
def tls_broker(mosquitto_path: Path, tmp_path: Path, ca: Authority) -> Iterator[StartBroker]:
    """Starts mosquitto with a certificate, and with a second port without TLS, for the others."""
    with ExitStack() as stack:

        def start(server: str, *lines: str) -> tuple[BrokerProcess, int]:
            plain_port = brokers.free_port()
            process = brokers.mosquitto(
                mosquitto_path,
                tmp_path,
                f"cafile {ca.certificate}",
                f"certfile {ca.folder}/{server}.pem",
                f"keyfile {ca.folder}/{server}.key",
                *lines,
                f"listener {plain_port} {brokers.HOST}",
            )
            stack.enter_context(process)
            until(lambda: brokers.takes_connections(plain_port), "its second port is up")
            return process, plain_port

        yield start


def watches(plain_port: int) -> None:
    with Listener(plain_port) as listener, Bridge(plain_port) as bridge:
        listener(SERVICE, lambda d: d["state"] == "running")
        bridge.says(alder=HIGH)
        listener(ALARM, bool)


def the_one_line(daemon: Daemon, broker_log: Path) -> dict[str, Any]:
    """What is said of the broker, after both links have tried it again."""
    first = daemon.logs(NO_TRUST)
    tries = broker_log.read_text().count("New connection from")
    until(
        lambda: broker_log.read_text().count("New connection from") >= tries + 3,
        "it goes on trying",
        seen=lambda: daemon.text,
    )
    assert daemon.log(NO_TRUST) == [first]
    assert daemon.log("no link to the broker") == []
    assert daemon.log("publishing") == daemon.log("receiving telemetry") == []
    assert daemon.process.poll() is None
    return first


@pytest.mark.broker
@pytest.mark.parametrize("version", ["tlsv1.2", "tlsv1.3"])
def test_the_right_authority(
    tls_broker: StartBroker, watchd: Start, tmp_path: Path, ca: Authority, version: str
) -> None:
    broker, plain_port = tls_broker("server", f"tls_version {version}")
    watchd(write_config(tmp_path, broker.port, broker={"tls": {"ca_file": str(ca.certificate)}}))
    watches(plain_port)


@pytest.mark.broker
@pytest.mark.parametrize(
    ("case", "says"),
    [
        (
            ("server", "other-ca", brokers.HOST),
            "signed by no authority that is known in {ca}",
        ),
        (("others-server", "ca", brokers.HOST), "signed by no authority that is known in"),
        # Whose authority was taken out of the list is as good as revoked.
        (("server", None, brokers.HOST), "no authority that is known to this system (tls: ca_file"),
        (("server", "ca", "localhost"), "is for another name than 'localhost'"),
        (("elsewhere", "ca", brokers.HOST), "is for another name than '127.0.0.1'"),
        (("expired", "ca", brokers.HOST), "has expired (or this computer's clock is wrong)"),
    ],
    ids=["another authority", "of another", "the system's", "a name", "an address", "expired"],
)
def test_who_is_not_certified_is_refused(
    tls_broker: StartBroker,
    watchd: Start,
    tmp_path: Path,
    ca: Authority,
    other_ca: Authority,
    case: tuple[str, str | None, str],
    says: str,
) -> None:
    del other_ca  # its files are named below
    server, authority, host = case
    broker, _ = tls_broker(server)
    named = {} if authority is None else {"ca_file": str(ca.folder / f"{authority}.pem")}
    config = write_config(tmp_path, broker.port, broker={"host": host, "tls": named})
    said = the_one_line(watchd(config), tmp_path / "broker.log")
    assert says.format(ca=named.get("ca_file")) in said["reason"]
    assert (said["host"], said["port"], said["level"]) == (host, broker.port, "error")
    # Who asks is told the same.
    asked = process("alarms", "--config", config)
    assert asked.code == 2
    assert said["reason"] in asked.err
    assert len(asked.err.splitlines()) == 1


@pytest.mark.broker
def test_a_client_certificate(
    tls_broker: StartBroker, watchd: Start, tmp_path: Path, ca: Authority
) -> None:
    broker, plain_port = tls_broker("server", "require_certificate true")
    files = {"cert_file": str(ca.folder / "client.pem"), "key_file": str(ca.folder / "client.key")}
    tls = {"ca_file": str(ca.certificate), **files}
    watchd(write_config(tmp_path, broker.port, broker={"tls": tls}))
    watches(plain_port)


@pytest.mark.broker
@pytest.mark.parametrize("client", [None, "others-client"])
def test_a_broker_that_does_not_know_watchds_certificate(
    tls_broker: StartBroker,
    watchd: Start,
    tmp_path: Path,
    ca: Authority,
    other_ca: Authority,
    client: str | None,
) -> None:
    del other_ca
    broker, _ = tls_broker("server", "require_certificate true")
    tls = {"ca_file": str(ca.certificate)}
    if client is not None:
        tls["cert_file"] = str(ca.folder / f"{client}.pem")
        tls["key_file"] = str(ca.folder / f"{client}.key")
    daemon = watchd(write_config(tmp_path, broker.port, broker={"tls": tls}))
    said = the_one_line(daemon, tmp_path / "broker.log")
    assert "the broker does not accept watchd's certificate" in said["reason"]


@pytest.mark.broker
def test_a_port_without_tls(tls_broker: StartBroker, watchd: Start, tmp_path: Path) -> None:
    _, plain_port = tls_broker("server")
    said = the_one_line(
        watchd(write_config(tmp_path, plain_port, broker={"tls": {}})), tmp_path / "broker.log"
    )
    assert said["reason"].startswith("no TLS with the broker")


def test_what_is_asked_of_every_connection(ca: Authority) -> None:
    """TLS 1.1 and older are deprecated by RFC 8996."""
    context = tls_of(Broker.model_validate({"tls": {"ca_file": str(ca.certificate)}}))
    assert context is not None
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2
    assert (context.verify_mode, context.check_hostname) == (ssl.CERT_REQUIRED, True)


@pytest.mark.parametrize(
    ("files", "says"),
    [
        ({"cert_file": "locked.pem", "key_file": "locked.key"}, "the key has a passphrase"),
        ({"cert_file": "client.pem", "key_file": "server.key"}, "certificates cannot be loaded"),
        ({"cert_file": "client.pem"}, "certificates cannot be loaded"),
        ({"cert_file": "absent.pem"}, "No such file or directory"),
        ({"ca_file": "client.key"}, "certificates cannot be loaded"),
        ({"key_file": "client.key"}, "a key goes with its certificate: give cert_file"),
    ],
)
def test_certificates_that_cannot_be_used_end_it_with_a_line(
    tmp_path: Path, ca: Authority, files: dict[str, str], says: str
) -> None:
    tls = {key: str(ca.folder / name) for key, name in files.items()}
    ended = process("run", "--config", write_config(tmp_path, 1, broker={"tls": tls}))
    assert ended.code == 2
    assert says in ended.err
    assert "Traceback" not in ended.err
    assert "PEM pass phrase" not in ended.err, "nobody is asked"


def test_verification_cannot_be_switched_off() -> None:
    for key in ("verify", "insecure", "check_hostname", "verify_mode"):
        with pytest.raises(ValueError, match="Extra inputs are not permitted"):
            Broker.model_validate({"tls": {key: False}})


@pytest.mark.parametrize(
    ("broker", "says"),
    [
        ({"tls": {}, "port": 1883}, "tls is on with port 1883, which usually is the one without"),
        ({"tls": {}, "port": 8883}, None),
        ({"user": "a", "host": "broker.example"}, "user and password go to broker.example unen"),
        ({"user": "a", "host": "192.0.2.7"}, "user and password go to 192.0.2.7 unencrypted"),
        ({"user": "a", "host": "2001:db8::1"}, "user and password go to 2001:db8::1 unencrypted"),
        ({"user": "a", "host": "localhost.example"}, "unencrypted"),
        ({"user": "a", "host": "broker.example", "tls": {}, "port": 8883}, None),
        ({"host": "broker.example"}, None),
        ({"user": "a", "host": "localhost"}, None),
        ({"user": "a", "host": "127.0.0.1"}, None),
        ({"user": "a", "host": "127.9.9.9"}, None),
        ({"user": "a", "host": "::1"}, None),
        ({"user": "a", "host": "[::1]"}, None),
    ],
)
def test_what_is_open_to_others(broker: dict[str, Any], says: str | None) -> None:
    cautions = Broker.model_validate(broker).cautions()
    assert len(cautions) == (says is not None)
    assert all(says in caution for caution in cautions if says is not None)


@pytest.mark.broker
def test_check_and_the_log_tell_of_it(broker: BrokerProcess, watchd: Start, tmp_path: Path) -> None:
    secret = tmp_path / "password"
    secret.write_text("made up")
    secret.chmod(0o644)
    config = write_config(
        tmp_path, broker.port, broker={"user": "watchd", "password_file": str(secret)}
    )
    says = f"{secret} holds a secret, and everybody on this computer can get at it: chmod o-rwx"
    assert f"note: {says} {secret}" in process("check", "--config", config).out
    daemon = watchd(config)
    daemon.works()
    (line,) = daemon.log("open to others")
    assert line["what"].startswith(says)
    assert line["level"] == "warning"
    secret.chmod(0o640)
    assert "holds a secret" not in process("check", "--config", config).out
