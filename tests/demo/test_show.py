"""The narrator: what it tells, what it leaves out, and when the demo has succeeded."""

import json

import pytest

from demo.phone.receiver import Post
from demo.show.heard import fact
from demo.show.memory import WANTED
from demo.show.narrator import Narrator
from demo.show.page import Page

START = 1782028800.0


class Stage:
    """A narrator with messages put to it."""

    def __init__(self) -> None:
        self.narrator = Narrator(Page())

    def put(self, topic: str, value: object = None) -> str:
        payload = b"" if value is None else json.dumps(value).encode()
        heard = fact(topic, payload)
        return "" if heard is None else "\n".join(self.narrator.tell(heard))

    def at(self, minutes: float) -> str:
        state = {"t": START + 60 * minutes, "into_bank_a": 0.0}
        return self.put("skerry/charger/state", state)

    def limit(self, limit_a: float) -> str:
        value = {"limit_a": limit_a, "until": "", "limited_by": "auk", "because": "cell 7 is near"}
        return self.put("watchd/charge-limit/skerry", value)

    def log(self, event: str, minutes: float) -> str:
        value = {"t": START + 60 * minutes, "event": event, "text": f"It is time to {event}."}
        return self.put("skerry/log", value)


@pytest.fixture
def stage() -> Stage:
    return Stage()


ANNUNCIATION = {
    "at": "2026-06-21T08:51:00Z",
    "title": "auk: cell spread wide",
    "text": "auk: cells 83 mV apart",
    "priority": "medium",
    "alarm": "cell-spread-wide/pack/auk",
    "response": "Hold the current down.",
}


def card_of(said: str) -> list[str]:
    """What stands in a card."""
    return [line.strip("│ ") for line in said.splitlines() if "│" in line]


def test_tells_an_annunciation_with_what_to_do(stage: Stage) -> None:
    said = stage.put("watchd/annunciation", ANNUNCIATION)
    assert "─ 08:51  medium ─" in said
    assert card_of(said) == [
        "auk: cell spread wide",
        "auk: cells 83 mV apart",
        "Hold the current down.",
    ]


def test_tells_the_phones_own_message_where_there_is_one(stage: Stage) -> None:
    message = "83 mV, limit 40 mV\nHold the current down."
    said = stage.put("watchd/annunciation", {**ANNUNCIATION, "message": message})
    assert card_of(said)[1:] == ["83 mV, limit 40 mV", "Hold the current down."]


def test_with_a_phone_the_bridge_tells_and_nothing_is_told_twice() -> None:
    narrator = Narrator(Page(), has_phone=True)
    heard = fact("watchd/annunciation", json.dumps(ANNUNCIATION).encode())
    assert heard is not None
    assert narrator.tell(heard) == []
    said = "\n".join(narrator.posted(Post("auk: cell spread wide", "83 mV apart", "failure")))
    assert card_of(said) == ["auk: cell spread wide", "83 mV apart"]
    assert "━" in said
    assert "phone got 1 message" in "\n".join(narrator.memory.summary(Page()))


def test_tells_the_return_to_normal_once(stage: Stage) -> None:
    stage.at(50)
    topic = "watchd/alarm/cell-spread-wide/pack/auk"
    since = "2026-06-21T08:49:30.000Z"
    assert stage.put(topic, {"state": "unacknowledged", "since": since}) == ""
    stage.at(60)
    said = stage.put(topic, {"state": "returned_unacknowledged"})
    assert said == "09:00  auk: cell-spread-wide is back to normal."
    assert stage.put(topic) == ""
    assert stage.narrator.memory.raised == {("cell-spread-wide", "pack/auk"): [START + 2970]}


def test_tells_trips_of_every_layout(stage: Stage) -> None:
    stage.at(51)
    assert "auk: its BMS trips" in stage.put("skerry/auk/state", {"prot": 1})
    assert stage.put("skerry/auk/state", {"prot": 1}) == ""
    assert "auk: its BMS lets it charge" in stage.put("skerry/auk/state", {"prot": 0})
    assert "tern: its BMS trips" in stage.put("skerry/tern/protection", ["cell high"])
    assert "eider: its BMS trips" in stage.put("skerry/eider/report", {"stops": {"cellHigh": True}})
    assert stage.narrator.memory.before.trips == 3


def test_tells_only_limits_that_changed_much(stage: Stage) -> None:
    stage.at(0)
    assert stage.limit(160.0) == "08:00  Suggested charge limit is 160 A: cell 7 is near"
    stage.at(10)
    assert stage.limit(150.0) == ""
    assert "falls to 100 A: cell 7" in stage.limit(100.0)
    stage.at(11)
    assert stage.limit(60.0) == ""
    assert "falls to 20 A" in stage.limit(20.0)
    stage.at(14)
    assert stage.limit(18.0) == ""
    assert "No charge limit" in stage.put("watchd/charge-limit/skerry")
    assert stage.put("watchd/charge-limit/skerry") == ""


def test_status_comes_now_and_then_and_says_what_is_unknown(stage: Stage) -> None:
    figures = {"voltage_v": 53.7, "current_a": 55.0, "soc_pct": 80, "cell_max_v": None}
    stage.put("watchd/figures/pack/auk", {"at": "", "figures": figures})
    assert stage.at(0) == ""
    said = stage.at(10)
    assert said.startswith("08:10  auk    53.70 V  +55.0 A  BMS says  80 %  top cell ? V")
    assert stage.at(11) == ""
    assert "08:30  auk" in stage.at(30)


def test_the_demo_succeeds_with_all_three_alarms_and_the_end_of_the_day(stage: Stage) -> None:
    stage.log("begin", 0)
    for rule, subject in WANTED:
        assert not stage.narrator.memory.complete
        stage.put(f"watchd/alarm/{rule}/{subject}", {"state": "unacknowledged"})
    assert not stage.narrator.memory.complete
    stage.log("end", 264)
    assert stage.narrator.memory.complete


def test_the_summary_compares_both_halves(stage: Stage) -> None:
    stage.at(51)
    stage.put("skerry/auk/state", {"prot": 1})
    stage.log("follow", 132)
    for minutes, limit_a in ((140, 160.0), (200, 8.0), (230, 120.0)):
        stage.at(minutes)
        stage.limit(limit_a)
    stage.log("end", 264)
    text = "\n".join(stage.narrator.memory.summary(Page()))
    assert "1 trip;" in text
    assert "no trip; the suggested limit went down to 8 A at 11:20" in text
    assert "up to 120 A again at 11:50" in text
    assert "Not seen: cell-spread-wide of pack/auk." in text
    assert "\x1b" not in text


def test_lines_keep_to_the_width_and_a_number_to_its_unit() -> None:
    text = "auk's cell 7 is at 3.464 V, over-voltage is at 3.65 V; it takes 61 % of the bus " * 3
    lines = Page(width=60).folded(text)
    assert max(map(len, lines)) <= 60
    assert "\N{NO-BREAK SPACE}" not in "".join(lines)
    assert not any(line.strip().startswith(("V", "%")) for line in lines)
