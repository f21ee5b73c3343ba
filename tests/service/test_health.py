"""What the log says of packs that fall silent, and the line of status for the service manager."""

from __future__ import annotations

import time
from types import SimpleNamespace
from typing import Any, cast

import pytest
from structlog.testing import capture_logs

from tests.scene import START, Scene, pack
from watchd.shell.clock import SystemTime
from watchd.shell.health import Health, status_text
from watchd.shell.mqtt.links import Links
from watchd.watch.heard import Heard

SILENT = Heard(fresh=False, last_at=None)


def told(*moments: dict[str, Heard]) -> list[tuple[str, str, Any]]:
    """What is logged as the packs are heard like this, one look after the other."""
    health = Health()
    with capture_logs() as lines:
        for heard in moments:
            health._tell_of_packs(heard)
    return [(x["pack"], x["event"], x.get("away")) for x in lines]


def test_each_loss_and_return_of_a_pack_is_told() -> None:
    first, last = Heard(fresh=True, last_at=START), Heard(fresh=False, last_at=START + 20)
    back = Heard(fresh=True, last_at=START + 200)
    assert told(
        {"alder": SILENT, "birch": first},
        {"alder": first, "birch": first},
        {"alder": last, "birch": first},
        {"alder": last, "birch": first},
        {"alder": back, "birch": first},
    ) == [
        ("birch", "telemetry of a pack comes", None),
        ("alder", "telemetry of a pack comes", None),
        ("alder", "telemetry of a pack is lost", None),
        ("alder", "telemetry of a pack is back", "3 min"),
    ]


def test_a_pack_that_is_taken_out_and_put_back_is_heard_anew() -> None:
    first = Heard(fresh=True, last_at=START)
    assert (
        told({"alder": first}, {}, {"alder": first})
        == [("alder", "telemetry of a pack comes", None)] * 2
    )


def test_the_engine_says_which_packs_it_hears() -> None:
    hut = Scene()
    assert all(heard == SILENT for heard in hut.engine.heard().values())
    hut.run(seconds=20, alder=pack())
    assert hut.engine.heard()["alder"].fresh
    assert hut.engine.heard()["birch"] == SILENT
    last = hut.engine.heard()["alder"].last_at
    hut.run(minutes=5, birch=pack())
    assert hut.engine.heard()["alder"] == Heard(fresh=False, last_at=last)


@pytest.mark.parametrize(
    ("telemetry", "out", "says"),
    [
        (True, True, "linked to the broker"),
        (False, False, "no link to the broker since 2026-09-21 14:13 UTC"),
        (
            False,
            True,
            "receives nothing, for want of a link to the broker, since 2026-09-21 14:13 UTC",
        ),
        (
            True,
            False,
            "publishes nothing, for want of a link to the broker, since 2026-09-21 14:13 UTC",
        ),
    ],
)
def test_the_status_says_how_the_links_are(telemetry: bool, out: bool, says: str) -> None:
    hut = Scene()
    hut.run(minutes=1, alder=pack(), birch=pack())
    clock = SystemTime(shown=lambda: START + 60, steady=lambda: 60.0)
    links = SimpleNamespace(
        telemetry=SimpleNamespace(stands=telemetry, since=5.0),
        out=SimpleNamespace(stands=out, since=10.0),
    )
    text = status_text(hut.engine.heard(), hut.engine, cast("Links", links), clock)
    assert text == f"watching 2 packs, all heard; {says}; no alarm raised"
    assert time.gmtime(START + 5)[3:5] == (14, 13)
