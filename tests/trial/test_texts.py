"""`watchd run --once`: what a keeper reads of what came, and what is missing.

Each story of messages has the approved text in `texts_approved/trial`, at 60 columns. The telemetry
is invented. After a change of wording that is meant, write them anew, and read every one that
differs before it is kept:

    WATCHD_APPROVE=1 python -m pytest tests/trial/test_texts.py
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.scene import CONFIG, START, cells, config_of, leading, pack
from watchd.commands.trial_texts import trial_lines
from watchd.trial.heard import GRACE_S, Hearing
from watchd.trial.missing import missing_of_packs
from watchd.trial.report import hearing_data

APPROVED = Path(__file__).parents[1] / "texts_approved" / "trial"
APPROVE = "WATCHD_APPROVE" in os.environ
EVEN = pack(ov_mv=3650)


class Trial:
    """Sends messages, a second after another."""

    def __init__(self, config: str = CONFIG) -> None:
        self.hearing = Hearing(config_of(config), START)
        self.at = START
        self.around: set[str] = set()

    def send(self, topic: str, payload: Any, *, retained: bool = False) -> None:
        """One message."""
        self.at += 1
        raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        self.hearing.take(topic, raw, self.at, retained=retained)

    def packs(self, **documents: dict[str, Any]) -> None:
        """A document of each of these packs."""
        for name, document in documents.items():
            self.send(f"hut/{name}/state", document)

    def missing(self) -> list[str]:
        """The lines."""
        around = self.around | self.hearing.topics
        return list(missing_of_packs(self.hearing, around, self.at - START))

    def data(self) -> dict[str, Any]:
        """As --json gives it."""
        return {
            "broker": {"host": "localhost", "port": 1883, "user": None, "tls": False, "mqtt": "5"},
            "rules": {"folder": "/etc/watchd/rules", "count": 24},
            "store": {"path": "/var/lib/watchd/watchd.db", "mb": 3.2},
            **hearing_data(self.hearing, self.at),
            "missing": self.missing(),
        }


def in_order(trial: Trial) -> None:
    trial.packs(alder=pack(cell_v=leading(3.34, by_mv=20), ov_mv=3650, current_a=20), birch=EVEN)
    trial.send("hut/alder/too-hot", b"0")


def turned_round(trial: Trial) -> None:
    high = pack(cell_v=cells(3.45), current_a=-20)
    trial.packs(alder=high, birch=pack(cell_v=cells(3.45), current_a=20))


def wrong_scale(trial: Trial) -> None:
    trial.packs(alder=pack(voltage_v=5.33, current_a=600), birch=EVEN)


def wrong_number_of_cells(trial: Trial) -> None:
    trial.packs(alder=pack(cell_v=cells(count=15)), birch=EVEN)


def another_name(trial: Trial) -> None:
    trial.packs(alder=EVEN, Birch=EVEN)
    trial.around = {"hut/weather", "cabin/birch/state"}


def only_old(trial: Trial) -> None:
    trial.packs(alder=EVEN)
    trial.send("hut/birch/state", pack(ov_mv=3650), retained=True)


def nothing_at_all(trial: Trial) -> None:
    trial.at += 120


def cells_one_by_one(trial: Trial) -> None:
    trial.packs(birch=EVEN)
    trial.send("hut/alder/amps", -12.5)
    for number in range(1, 13):
        trial.send(f"hut/alder/cell/{number}", 3.33)


def cut_in_half(trial: Trial) -> None:
    trial.packs(alder=pack(prot=1, chg=False), birch=EVEN)
    trial.send("hut/birch/state", b'{"volts": 53')


STORIES: dict[str, Callable[[Trial], None]] = {
    f.__name__.replace("_", "-"): f
    for f in (
        *(in_order, turned_round, wrong_scale, wrong_number_of_cells, another_name),
        *(only_old, nothing_at_all, cells_one_by_one, cut_in_half),
    )
}
NOTHING_MISSING = {"in-order", "turned-round", "wrong-scale", "cut-in-half"}


def test_each_text_has_a_story() -> None:
    assert {p.stem for p in APPROVED.glob("*.txt")} == set(STORIES)


@pytest.mark.parametrize("name", STORIES)
def test_text(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    trial = Trial()
    STORIES[name](trial)
    text = "\n".join(trial_lines(trial.data())) + "\n"
    approved = APPROVED / f"{name}.txt"
    if APPROVE:
        approved.write_text(text, encoding="utf-8")
    assert text == approved.read_text(encoding="utf-8")
    assert all(len(line) <= 60 for line in text.splitlines() if not line.startswith("- "))
    assert ("Nothing is missing." in text) is (name in NOTHING_MISSING)


def test_a_pack_out_of_service_is_not_waited_for() -> None:
    trial = Trial(CONFIG.replace("birch: {", "birch: {in_service: no, "))
    assert trial.hearing.packs == ["alder"]
    trial.packs(alder=EVEN)
    assert not trial.missing()


def test_a_pack_without_a_source_is_told() -> None:
    config = CONFIG.replace("hut/{pack}/", "hut/alder/").replace(
        "- {topic", "- {pack: alder, topic"
    )
    trial = Trial(
        config.replace("topic: hut/alder/state", "topic: hut/alder/state\n    pack: alder")
    )
    trial.packs(alder=EVEN)
    assert trial.missing() == ["birch: no source is for it; add one, or set in_service: no"]


def test_their_names_of_packs_are_those_that_are_looked_for() -> None:
    config = CONFIG.replace(
        "topic: hut/{pack}/state", "topic: hut/{pack}/state\n    pack_names: {b2: birch}"
    )
    trial = Trial(config)
    assert trial.hearing.expected_topics("birch")[0] == "hut/b2/state"
    assert trial.hearing.expected_topics("alder")[0] == "hut/alder/state"


def test_it_waits_for_what_is_mapped_but_not_for_ever() -> None:
    trial = Trial()
    assert not trial.hearing.is_done(trial.at)
    trial.packs(alder=EVEN)
    assert not trial.hearing.is_done(trial.at), "birch has not come"
    short = {key: value for key, value in EVEN.items() if key != "soc"}
    trial.packs(birch=short)
    assert not trial.hearing.is_done(trial.at), "its SoC may come yet"
    assert trial.hearing.is_done(trial.at + GRACE_S)
    trial.packs(birch=EVEN)
    assert trial.hearing.is_done(trial.at)


def test_settings_alone_are_no_sample() -> None:
    trial = Trial()
    trial.send("hut/birch/state", pack(ov_mv=3650), retained=True)
    trial.send("hut/birch/state", {"ov_mv": 3650})
    assert trial.hearing.unheard() == ["alder", "birch"]
