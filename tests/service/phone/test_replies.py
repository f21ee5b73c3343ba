"""From the phone's reply to watchd and back, with a real `watchd run`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.scene import leading, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener
from tests.service.commandline import process
from tests.service.daemon import Daemon, Start
from tests.service.hut import ALARM, write_config
from tests.service.patience import until
from tests.service.phone.conftest import write_urls
from tests.service.phone.receiver import Receiver

pytestmark = pytest.mark.broker
HIGH = pack(cell_v=leading(3.42, by_mv=60))
REPLY, ANSWER = "watchd/reply", "watchd/reply/answer"


def says(listener: Listener, text: str) -> str:
    """Reply, and the answer."""
    since = listener.now
    listener.send(REPLY, text.encode())
    until(lambda: listener.on(ANSWER, since=since), f"the answer to {text}")
    return listener.on(ANSWER, since=since)[0].payload.decode()


def test_an_alarm_is_told_and_acknowledged_from_the_phone(
    broker: BrokerProcess, watchd: Start, bridge: Bridge, receiver: Receiver, tmp_path: Path
) -> None:
    phone = {
        "urls_file": str(write_urls(tmp_path, receiver.url())),
        "queue": str(tmp_path / "queue" / "phone.db"),
    }
    config = write_config(
        tmp_path, broker.port, phone=phone, requests={"named_only": True, "answer_below": []}
    )
    daemon: Daemon = watchd(config)
    pager: Daemon = watchd(config, command="bridge")
    pager.logs("listening")
    daemon.works()
    with Listener(broker.port, ALARM, f"{REPLY}/#") as listener:
        bridge.says(alder=HIGH)
        got = receiver.gets("No 1")
        assert "3.480 V" in got.body
        listener(ALARM, lambda d: d and d["state"] == "unacknowledged")
        assert says(listener, "what").startswith(
            "No 1 cell-high/pack/alder: high, unacknowledged. alder: cell"
        )
        receiver.gets("watchd: answer", "No 1")
        assert says(listener, "ack 1") == "No 1 (cell-high/pack/alder): acknowledged"
        listener(ALARM, lambda d: d and d["state"] == "acknowledged")
        assert says(listener, "1 shelve 8h") == "No 1 (cell-high/pack/alder): shelved for 8 h"
        listener(ALARM, lambda d: d and d["state"] == "shelved")
        assert says(listener, "unshelve 1") == "No 1 (cell-high/pack/alder): off the shelf"
        wrong = says(listener, "ack 77")
        assert wrong == "no message had the number 77; `what` lists what stands, with numbers"
        receiver.gets("watchd: not done", wrong)
        assert "is not understood; write such as: ack 12" in says(listener, "hello")
        assert says(listener, "help").startswith("Write such as")
    history = process("alarms", "history", "--config", config, "--user", "phone").out
    assert "acknowledged by phone" in history
    assert "its own word" not in history
    assert pager.stop()[0] == 0


@pytest.mark.long
def test_without_watchd_the_answer_says_so(
    start: Callable[..., Daemon], says: Listener, receiver: Receiver
) -> None:
    start(receiver.url())
    says.send(REPLY, b"what")
    receiver.gets("watchd: not done", "watchd does not answer")


@pytest.mark.long
def test_a_retained_reply_is_not_done_again_at_each_start(
    start: Callable[..., Daemon], says: Listener, receiver: Receiver
) -> None:
    says.send(REPLY, b"help", retain=True)
    started = start(receiver.url())
    started.logs("a retained reply is not taken; replies are sent without")
    says.send(REPLY, b"")
    assert "write such as" in receiver.gets("watchd: answer").body.lower()
    assert len(receiver.got) == 1


@pytest.mark.long
def test_replies_can_be_switched_off(
    start: Callable[..., Daemon], says: Listener, receiver: Receiver
) -> None:
    start(receiver.url(), replies={"enabled": False})
    says.send(REPLY, b"help")
    says.send("watchd/annunciation", {"title": "the end", "text": "x", "priority": "critical"})
    receiver.gets("the end")
    assert receiver.titles() == ["the end"]


@pytest.mark.long
def test_a_watchd_that_is_killed_is_told_of_by_its_will(
    broker: BrokerProcess, watchd: Start, receiver: Receiver, tmp_path: Path
) -> None:
    phone = {
        "urls_file": str(write_urls(tmp_path, receiver.url())),
        "queue": str(tmp_path / "queue" / "phone.db"),
        "lost_after": "30 s",
    }
    config = write_config(tmp_path, broker.port, phone=phone)
    daemon: Daemon = watchd(config)
    daemon.works()
    # Six times as fast: what the will says is due in 5 s, what silence says in 30 s at the soonest.
    watchd(config, "--clock-speed", "6", command="bridge").logs("listening")
    daemon.kill()
    receiver.gets("watchd is not heard", "its link broke")
