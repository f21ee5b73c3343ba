"""The password is changed at the broker, and then the daemon's own."""

from __future__ import annotations

import shutil
import signal
import subprocess
from pathlib import Path

import pytest

from tests.service import brokers
from tests.service.clients import Bridge, Listener
from tests.service.daemon import Start
from tests.service.faults.bank import EVEN, config_of, is_watched
from tests.service.faults.link import Link
from tests.service.faults.table import Record, Stopwatch
from tests.service.patience import until

pytestmark = pytest.mark.broker


def test_a_new_password_is_found_without_a_restart(
    mosquitto_path: Path, watchd: Start, tmp_path: Path, record: Record
) -> None:
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        pytest.skip("no mosquitto_passwd on this machine")
    passwords, own = tmp_path / "passwords", tmp_path / "own"
    passwords.touch(mode=0o600)

    def gives(user: str, password: str) -> None:
        subprocess.run([tool, "-b", passwords, user, password], check=True)

    gives("watchd", "the first")
    gives("others", "theirs")
    own.write_text("the first\n")
    login = {"user": "watchd", "password_file": str(own)}
    with brokers.mosquitto(
        mosquitto_path, tmp_path, f"password_file {passwords}", open_to_all=False
    ) as broker:
        link = Link(broker.port)
        daemon = watchd(config_of(tmp_path, link.port, broker=login))
        with (
            link,
            Listener(broker.port, user="others", password="theirs") as listener,
            Bridge(broker.port, user="others", password="theirs") as bridge,
        ):
            bridge.says(alder=EVEN)
            listener("watchd/figures/pack/alder")
            gives("watchd", "the second")
            broker.signal(signal.SIGHUP)
            link.cut()  # not every broker turns out who is there
            refused = ("telemetry", "out")
            begin, opened = Stopwatch(), link.opened
            for name in refused:
                until(
                    lambda n=name: any(  # type: ignore[misc]
                        "authori" in line["reason"].lower()
                        for line in daemon.log("no link to the broker", link=n)
                    ),
                    "it says why",
                    seen=lambda: daemon.text,
                )
            own.unlink()  # as an editor does on the way to the new one
            unreadable = daemon.logs(
                "no link to the broker",
                reason=f"{own}: the broker's password cannot be read: No such file or directory",
            )
            assert unreadable
            tries = link.opened - opened
            # Each link's waits double from 0.3 to 0.5 s.
            assert tries <= 2 * (2 + begin.seconds / 0.3)
            own.write_text("the second\n")
            watch = Stopwatch()
            is_watched(listener, bridge)
            record("password changed at the broker", "nothing", watch.seconds)
        assert "the second" not in daemon.text
