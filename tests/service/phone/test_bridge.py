"""`watchd bridge` as a process, with a real broker, real signals and a receiver of HTTP."""

from __future__ import annotations

import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.service.brokers import BrokerProcess
from tests.service.clients import Listener
from tests.service.commandline import process
from tests.service.daemon import Daemon
from tests.service.hut import write_config
from tests.service.manager import Manager
from tests.service.patience import until
from tests.service.phone.conftest import annunciation, write_urls
from tests.service.phone.receiver import Receiver

pytestmark = pytest.mark.broker
StartBridge = Callable[..., Daemon]
TOPIC = "watchd/annunciation"
DAY = ("--clock-start", "2026-06-21T12:00:00Z")


def test_what_watchd_says_is_on_the_phone_once(
    start: StartBridge, says: Listener, receiver: Receiver, other: Receiver
) -> None:
    bridge = start(receiver.url(), f"critical: {other.url('form')}", options=DAY)
    payload = annunciation(priority="critical")
    for _ in range(3):  # watchd may say it again, and its retained copy comes with it
        says.send(TOPIC, payload)
        says.send("watchd/newest-annunciation", payload, retain=True)
    for one in (receiver, other):
        got = one.gets("alder: cell high")
        assert got.type == "failure"
        assert got.body == ("alder: cell 7 is at 3.480 V\nCharge with less current.\nNo 1")
    assert bridge.stop()[0] == 0
    bridge = start(receiver.url(), f"critical: {other.url('form')}", options=DAY)
    says.send(TOPIC, payload)
    says.send(TOPIC, annunciation("the end"))
    assert receiver.gets("the end").type == "warning"
    assert receiver.titles() == ["alder: cell high", "the end"]
    assert other.titles() == ["alder: cell high"]
    (loaded,) = bridge.log("watchd bridge starts")
    assert loaded["urls"] == ["line 1 (json://)", "line 2 (form://)"]


@pytest.mark.long
def test_its_memory_is_bounded(
    start: StartBridge, says: Listener, receiver: Receiver, record_property: Callable[..., None]
) -> None:
    bridge = start(receiver.url(), options=DAY, most_an_hour=1000)
    for number in range(40):
        says.send(TOPIC, annunciation(f"title {number}", priority="critical"))
    receiver.gets("title 39")
    status = Path(f"/proc/{bridge.process.pid}/status").read_text()
    kilobytes = int(status.split("VmRSS:")[1].split()[0])
    record_property("shown", f"watchd bridge: {kilobytes / 1024:.0f} MB resident")
    assert kilobytes < 150_000


def test_a_service_that_is_away_gets_it_when_it_is_back(
    start: StartBridge, says: Listener, receiver: Receiver, other: Receiver
) -> None:
    """And holds up no other one."""
    receiver.stop()
    bridge = start(receiver.url(), other.url(), options=DAY)
    says.send(TOPIC, annunciation())
    other.gets("alder: cell high")
    bridge.logs("a message could not be handed on", why="no connection", url="line 1 (json://)")
    receiver.start()
    receiver.gets("alder: cell high")
    bridge.logs("messages are handed on again")
    assert other.titles() == receiver.titles() == ["alder: cell high"]


@pytest.mark.long
def test_a_service_that_says_no_is_asked_again(
    start: StartBridge, says: Listener, receiver: Receiver
) -> None:
    receiver.status = 500
    bridge = start(receiver.url(), options=DAY)
    says.send(TOPIC, annunciation())
    bridge.logs("a message could not be handed on", why="the service answers 500")
    receiver.status = 200
    receiver.gets("alder: cell high")
    says.send(TOPIC, annunciation("the end"))
    receiver.gets("the end")
    assert receiver.titles() == ["alder: cell high", "the end"]


def test_a_kill_loses_nothing(start: StartBridge, says: Listener, receiver: Receiver) -> None:
    """What was taken waits on the disk; what comes meanwhile waits at the broker."""
    receiver.stop()
    bridge = start(receiver.url(), options=DAY)
    says.send(TOPIC, annunciation("before"))
    bridge.logs("a message could not be handed on")
    bridge.kill()
    says.send(TOPIC, annunciation("meanwhile", priority="critical"))
    says.send(TOPIC, annunciation("before"))
    receiver.start()
    start(receiver.url(), options=DAY)
    receiver.gets("before")
    receiver.gets("meanwhile")
    says.send(TOPIC, annunciation("the end"))
    receiver.gets("the end")
    assert sorted(receiver.titles()) == ["before", "meanwhile", "the end"]


@pytest.mark.long
def test_a_kill_while_it_is_handed_on_loses_nothing(
    start: StartBridge, says: Listener, receiver: Receiver
) -> None:
    """The service may have got it, and nobody knows: then it comes a second time."""
    receiver.held.clear()
    bridge = start(receiver.url(), options=DAY)
    says.send(TOPIC, annunciation("in flight"))
    until(lambda: receiver.asked, "it is handed on")
    bridge.kill()
    receiver.held.set()
    start(receiver.url(), options=DAY)
    says.send(TOPIC, annunciation("the end"))
    receiver.gets("the end")
    assert 1 <= receiver.titles().count("in flight") <= 2


def test_a_stop_waits_for_what_is_on_its_way(
    start: StartBridge, says: Listener, receiver: Receiver
) -> None:
    receiver.held.clear()
    bridge = start(receiver.url(), options=DAY)
    says.send(TOPIC, annunciation("in flight"))
    until(lambda: receiver.asked, "it is handed on")
    bridge.process.send_signal(signal.SIGTERM)
    bridge.logs("watchd bridge stops")
    receiver.held.set()
    assert bridge.process.wait(30) == 0
    start(receiver.url(), options=DAY)
    says.send(TOPIC, annunciation("the end"))
    receiver.gets("the end")
    assert receiver.titles() == ["in flight", "the end"]


@pytest.mark.long
def test_a_stop_waits_for_no_answer_that_does_not_come(
    start: StartBridge, says: Listener, receiver: Receiver
) -> None:
    receiver.held.clear()
    bridge = start(receiver.url(), options=DAY)
    says.send(TOPIC, annunciation("in flight"))
    until(lambda: receiver.asked, "it is handed on")
    assert bridge.stop()[0] == 0
    receiver.held.set()
    start(receiver.url(), options=DAY)
    receiver.gets("in flight")


@pytest.mark.long
def test_the_broker_forgets_nothing_before_it_is_on_the_disk(
    start: StartBridge, says: Listener, receiver: Receiver, tmp_path: Path
) -> None:
    """A queue that cannot be written stands in for a full disk."""
    start(receiver.url(), options=DAY).stop()
    place = tmp_path / "full"
    place.mkdir()
    (place / "sitecustomize.py").write_text(
        "import sqlite3, watchd.shell.phone.queue as module\n"
        "def take(*_):\n"
        "    raise sqlite3.OperationalError('database or disk is full')\n"
        "module.Queue.take = take\n"
    )
    bridge = start(receiver.url(), options=DAY, environment={"PYTHONPATH": str(place)})
    says.send(TOPIC, annunciation("kept by the broker"))
    until(
        lambda: "the queue cannot be written" in bridge.text, "it is said", seen=lambda: bridge.text
    )
    bridge.stop()
    start(receiver.url(), options=DAY)
    receiver.gets("kept by the broker")


def test_quiet_hours(start: StartBridge, says: Listener, receiver: Receiver) -> None:
    quiet = {"quiet_hours": {"from": "22:00", "to": "07:00"}}
    says.send("watchd/alarm/warm/pack/alder", {"state": "unacknowledged"}, retain=True)
    bridge = start(receiver.url(), options=("--clock-start", "2026-06-21T23:00:00Z"), **quiet)
    night = {"at": "2026-06-21T23:00:01Z", "priority": "medium"}
    says.send(TOPIC, annunciation("alder: warm", alarm="warm/pack/alder", **night))
    says.send(TOPIC, annunciation("birch: warm", alarm="warm/pack/birch", **night))
    says.send(TOPIC, annunciation("alder: trips", **{**night, "priority": "critical"}))
    receiver.gets("alder: trips")
    bridge.stop()
    start(receiver.url(), options=("--clock-start", "2026-06-22T07:00:00Z"), **quiet)
    got = receiver.gets("1 to look at, 1 no longer stand")
    assert "No 1 21 Jun 23:00 alder: warm; still stands; alder: cell 7" in got.body
    assert "No longer stand: 1 (birch: warm)" in got.body
    assert len(receiver.got) == 2


@pytest.mark.long
def test_a_flood(start: StartBridge, says: Listener, receiver: Receiver) -> None:
    bridge = start(receiver.url(), options=DAY, most_an_hour=2)
    for number in range(8):
        says.send(TOPIC, annunciation(f"title {number}", alarm=f"a/pack/p{number}"))
    until(lambda: len(receiver.got) >= 2, "two of them")
    says.send(TOPIC, annunciation("critical one", priority="critical"))
    receiver.gets("critical one")
    assert len(receiver.got) == 3
    bridge.stop()
    start(receiver.url(), options=("--clock-start", "2026-06-21T14:00:00Z"), most_an_hour=2)
    got = receiver.gets("watchd: ")
    assert sum(f"title {n}" in got.all for n in range(8)) >= 4
    assert len(receiver.got) == 4


def test_watchd_itself_is_lost_and_back(
    start: StartBridge, says: Listener, receiver: Receiver
) -> None:
    start(receiver.url(), options=(*DAY, "--clock-speed", "20"), lost_after="30 s")
    says.send("watchd/service", {"state": "lost", "since": None}, retain=True)
    assert receiver.gets("watchd is not heard").type == "warning"
    says.send("watchd/service", {"state": "running"}, retain=True)
    receiver.gets("watchd is back")


@pytest.mark.long
def test_the_broker_is_lost(
    start: StartBridge, says: Listener, receiver: Receiver, broker: BrokerProcess
) -> None:
    start(receiver.url(), options=(*DAY, "--clock-speed", "20"), lost_after="30 s")
    says.catch_up()
    broker.kill()
    assert "the broker cannot be reached" in receiver.gets("watchd is not heard").body


@pytest.mark.long
def test_a_digest_is_handed_on_once(start: StartBridge, says: Listener, receiver: Receiver) -> None:
    old = {"at": "2026-06-20T06:00:00Z", "title": "An old day", "message": "x"}
    says.send("watchd/digest/daily", old, retain=True)
    bridge = start(receiver.url(), options=DAY)
    new = {"at": "2026-06-21T12:00:00Z", "title": "A good day", "message": "full at 11:02"}
    until(lambda: bridge.text.count("listening"), "it listens")
    says.send("watchd/digest/daily", new, retain=True)
    says.send("watchd/digest/weekly", {**new, "title": "A week"}, retain=True)
    assert receiver.gets("A good day").body.startswith("full at 11:02")
    bridge.stop()
    start(receiver.url(), options=DAY)
    says.send(TOPIC, annunciation("the end"))
    receiver.gets("the end")
    assert set(receiver.titles()) - {"An old day"} == {"A good day", "the end"}
    assert "An old day" not in receiver.titles()


@pytest.mark.long
def test_urls_that_are_changed_are_found_by_themselves(
    start: StartBridge, says: Listener, receiver: Receiver, tmp_path: Path
) -> None:
    """What waits for a wrong one goes to the right one; a file that is wrong changes nothing."""
    gone = Receiver()  # not started
    bridge = start(gone.url(), options=DAY)
    says.send(TOPIC, annunciation("waits"))
    bridge.logs("a message could not be handed on")
    write_urls(tmp_path, "no URL at all")
    bridge.logs("the URLs do not load; the old ones stay")
    write_urls(tmp_path, receiver.url())
    bridge.logs("URLs loaded")
    receiver.gets("waits")


def test_what_the_service_manager_is_told(start: StartBridge, receiver: Receiver) -> None:
    with Manager(WATCHDOG_USEC="10000000") as manager:
        bridge = start(receiver.url(), options=DAY, environment=manager.environment)
        manager.hears("READY=1")
        manager.hears("WATCHDOG=1")
        manager.hears("STATUS=0 waiting for 1 URLs")
        bridge.process.send_signal(signal.SIGHUP)
        told = len(manager.told)
        manager.hears("RELOADING=1")
        manager.hears("READY=1", since=told - 1 if told else 0)
        bridge.logs("URLs loaded")
        assert bridge.stop()[0] == 0
        manager.hears("STOPPING=1")


@pytest.mark.long
def test_a_second_one_on_the_same_queue_is_refused(
    start: StartBridge, receiver: Receiver, tmp_path: Path
) -> None:
    start(receiver.url(), options=DAY)
    done = process("bridge", "--config", tmp_path / "config.yaml")
    assert done.code == 2
    assert "another `watchd bridge` has it open" in done.err


@pytest.mark.long
def test_a_queue_that_is_damaged_is_set_aside(
    start: StartBridge, says: Listener, receiver: Receiver, tmp_path: Path
) -> None:
    (tmp_path / "queue").mkdir()
    (tmp_path / "queue" / "phone.db").write_bytes(b"no database " * 1000)
    bridge = start(receiver.url(), options=DAY)
    bridge.logs("the queue is damaged; another one is begun")
    says.send(TOPIC, annunciation())
    receiver.gets("alder: cell high")
    assert (tmp_path / "queue" / "phone.db.damaged-1").exists()


def test_a_test_of_each_url(receiver: Receiver, other: Receiver, tmp_path: Path) -> None:
    other.status = 403
    secret = "s3cret-that-is-nowhere-else"
    urls = write_urls(tmp_path, receiver.url(path=secret), other.url("form", secret))
    config = write_config(tmp_path, 1, phone={"urls_file": str(urls)})
    done = process("bridge", "--test", "--config", config)
    assert (done.code, done.out) == (
        1, "line 1 (json://): handed on\nline 2 (form://): failed: the service answers 403\n",
    )  # fmt: skip
    assert receiver.titles() == ["watchd: a test"]
    other.status = 200
    again = process("bridge", "--test", "--json", "--config", config)
    assert again.code == 0
    urls.chmod(0o644)
    write_urls(tmp_path, f"nosuchscheme://{secret}")
    wrong = process("bridge", "--test", "--config", config)
    assert wrong.code == 1
    assert "line 1 (nosuchscheme://) is none that apprise understands" in wrong.out
    for one in (done, again, wrong):
        assert secret not in one.out + one.err


@pytest.mark.long
def test_without_a_section_it_says_what_is_missing(tmp_path: Path) -> None:
    config = write_config(tmp_path, 1)
    done = process("bridge", "--config", config)
    assert done.code == 2
    assert "there is no section `phone`" in done.err
