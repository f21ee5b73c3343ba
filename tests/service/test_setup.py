"""`watchd setup` on a real broker."""

from __future__ import annotations

import json
import shutil
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import yaml

from tests.proposal.layouts import LAYOUTS
from tests.service import brokers
from tests.service.brokers import BrokerProcess, free_port
from tests.service.clients import Bridge
from tests.service.commandline import Run

pytestmark = pytest.mark.broker

PASSWORD = "pass#word with: ümlaut"


@contextmanager
def sending(port: int, layout: str, password: str | None = None) -> Iterator[None]:
    """A bridge that sends over and over, for as long as it takes."""
    over = threading.Event()
    messages = list(LAYOUTS[layout].messages())

    def send() -> None:
        user = None if password is None else "watchd"
        with Bridge(port, user=user, password=password) as bridge:
            while not over.is_set():
                for _, topic, payload in messages:
                    bridge.send_fast(topic, payload)
                    if over.wait(0.004):
                        return

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def words_for(port: int, folder: Path) -> list[str]:
    output = str(folder / "config.yaml")
    return ["setup", "--host", brokers.HOST, "--port", str(port), "--yes", "-o", output]


@pytest.mark.parametrize("layout", ["beside a house", "german, from 0, discharge positive"])
def test_what_it_hears_becomes_a_config(
    command: Run, broker: BrokerProcess, tmp_path: Path, layout: str
) -> None:
    with sending(broker.port, layout):
        done = command(*words_for(broker.port, tmp_path), "--listen", "1 s")
    assert done.code == 0, done.err
    assert done.err == ""
    config = yaml.safe_load((tmp_path / "config.yaml").read_text())
    assert config["broker"] == {"host": brokers.HOST, "port": broker.port}
    assert set(config["packs"]) == set(LAYOUTS[layout].packs)


def test_a_daemon_says_what_is_still_to_be_entered(
    command: Run, broker: BrokerProcess, tmp_path: Path
) -> None:
    path = tmp_path / "config.yaml"
    with sending(broker.port, "a single pack"):
        assert command(*words_for(broker.port, tmp_path), "--listen", "1 s").code == 0
        tried = command("run", "--once", "--config", path, "--json", "--patience", "20 s")
    assert tried.code == 1
    left = [m for m in json.loads(tried.out)["missing"] if "still to be entered" in m]
    assert len(left) == 4
    assert left[0].startswith(f"{path}:")


@pytest.mark.parametrize("given", ["a/#/b", ""])
def test_what_is_no_filter(command: Run, broker: BrokerProcess, tmp_path: Path, given: str) -> None:
    done = command(*words_for(broker.port, tmp_path), "--topics", given)
    assert done.code == 2
    assert "no filter of topics" in done.err
    assert done.err.count("\n") == 1


def test_what_was_retained_is_history(command: Run, broker: BrokerProcess, tmp_path: Path) -> None:
    with Bridge(broker.port) as bridge:
        for _, topic, payload in list(LAYOUTS["a single pack"].messages())[-1:]:
            bridge.send(topic, payload, retain=True)
        done = command(*words_for(broker.port, tmp_path), "--listen", "1 s", "--json")
    mapped = json.loads(done.out)["layouts"][0]["mapped"]
    assert {m["certainty"] for m in mapped} == {"not sure"}


def test_only_the_topics_that_are_named(
    command: Run, broker: BrokerProcess, tmp_path: Path
) -> None:
    with sending(broker.port, "beside a house"):
        words = ["--listen", "1 s", "--topics", "sensors/#", "--topics", "weather/+"]
        done = command(*words_for(broker.port, tmp_path), *words)
    assert done.code == 1
    assert "sensors/kitchen" in done.out
    assert "hut/" not in done.out


def test_a_password(command: Run, mosquitto_path: Path, tmp_path: Path) -> None:
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        pytest.skip("no mosquitto_passwd on this machine")
    passwords, secret = tmp_path / "passwords", tmp_path / "secret"
    passwords.touch(mode=0o600)
    secret.write_text(PASSWORD + "\n")
    subprocess.run([tool, "-b", passwords, "watchd", PASSWORD], check=True)
    with brokers.mosquitto(
        mosquitto_path, tmp_path, f"password_file {passwords}", open_to_all=False
    ) as broker:
        words = words_for(broker.port, tmp_path)
        refused = command(*words, "--listen", "1 s")
        assert refused.code == 2
        assert refused.out == ""
        assert refused.err.count("\n") == 1
        assert refused.err.startswith(f"no link to the broker at {brokers.HOST}:{broker.port}: ")
        with sending(broker.port, "a single pack", PASSWORD):
            login = ["--user", "watchd", "--password-file", str(secret)]
            done = command(*words, *login, "--listen", "1 s")
    assert done.code == 0, done.err
    text = (tmp_path / "config.yaml").read_text()
    assert PASSWORD not in text
    assert yaml.safe_load(text)["broker"]["password_file"] == str(secret)


def test_nobody_listens_there(command: Run, tmp_path: Path) -> None:
    done = command(*words_for(free_port(), tmp_path))
    assert done.code == 2
    assert done.err.count("\n") == 1
    assert "Connection refused" in done.err
    assert not (tmp_path / "config.yaml").exists()


def test_a_broker_on_which_nothing_is_said(
    command: Run, broker: BrokerProcess, tmp_path: Path
) -> None:
    done = command(*words_for(broker.port, tmp_path), "--listen", "1 s")
    assert done.code == 1
    assert done.out == "Nothing was heard: is this the broker, and does the bridge run?\n"
