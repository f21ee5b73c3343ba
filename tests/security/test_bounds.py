"""What could be tried, and what bounds it."""

from __future__ import annotations

from typing import Any

import pytest

from tests.scene import CONFIG, Scene, config_of, pack, rules_of
from watchd.documents import parse_document
from watchd.errors import WatchdError
from watchd.notes import MOST_LINES, QUIET_S, Throttle
from watchd.publish import Publish
from watchd.shell.mqtt.intake import MOST_BYTES, Arrived, Intake
from watchd.shell.mqtt.outbox import MOST_PASSING_BYTES, Outbox
from watchd.telemetry.jsonpath import MOST_VALUES, JsonPath
from watchd.telemetry.topics import LONGEST_CAPTURE, TopicPattern

# A text of a file, and the refusal that bounds what it would cost.
FILES = [
    ("a: &x [1]\nb: *x", "the alias '*x' is not supported"),
    ("<<: *x", "the alias '*x' is not supported"),
    ("a: !!python/object/apply:os.system [reboot]", "is not supported; write the value alone"),
    ("[" * 41 + "]" * 41, "nested deeper than 40 levels"),
    ("a: 1\na: 2", "'a' stands here twice"),
    ("a: " + "9" * 5000, "a number longer than 100 characters"),
    ("a: " + ":".join(["59"] * 50_000), "a number longer than 100 characters"),
    ("a: 0x" + "f" * 100_000, "a number longer than 100 characters"),
    ("a" * 1_000_001, "longer than 1,000,000 characters"),
    ('a: "\\ud800"', "not text"),
    ('a: "\\0"', "not text"),
]


@pytest.mark.parametrize(("text", "says"), FILES, ids=[says for _, says in FILES])
def test_yaml(text: str, says: str) -> None:
    with pytest.raises(WatchdError) as error:
        parse_document(text, "x.yaml")
    assert says in str(error.value)


@pytest.mark.parametrize(
    "say",
    [
        "{pack.__class__}",
        "{pack.__class__.__mro__}",
        "{pack[0]}",
        "{0}",
        "{}",
        "{soc_pct!r}",
        "{soc_pct:>999999999}",
        "{soc_pct:.999999999f}",
        "{soc_pct:{soc_pct}}",
        "{soc_pct:*^9}",
        "{pack" * 100,
        "a" * 1001,
    ],
)
def test_a_text_reaches_no_attribute_and_makes_no_long_text(say: str) -> None:
    with pytest.raises(WatchdError):
        rules_of(f"- {{rule: a, when: soc_pct > 1, priority: low, say: '{say}'}}")


@pytest.mark.parametrize(
    "when",
    [
        "9**9**9 > soc_pct", "'a' * 10**9 == 'a'", "1e999 > soc_pct", "9" * 5000 + " > soc_pct",
        "soc_pct.real > 1", "__import__('os')", "(lambda: 1)() > 0", "[x for x in 'a'] == soc_pct",
        "-" * 5000 + "1 > soc_pct", "(" * 500 + "soc_pct > 1" + ")" * 500, "f'{soc_pct}' == 'a'",
    ],
)  # fmt: skip
def test_a_condition_runs_nothing_and_ends(when: str) -> None:
    with pytest.raises(WatchdError):
        rules_of(f'- {{rule: a, when: "{when}", priority: low, say: a}}')


@pytest.mark.parametrize(
    "path",
    [
        "$[?match(@.a, '(a+)+$')]", '$[?search(@.a, "(a|aa)+$")]', "$[? match (@.a, 'a')]",
        "$..a..b", "$..*..*..*", "$[?@[?@[?@.a]]]", "$[?@..a]", "$[?$.a == @.a]", "$" + ".a" * 300,
        "$[?@.a == 1" + "0" * 400 + "]", "$[9e999]",
    ],
)  # fmt: skip
def test_a_path_that_a_payload_could_make_endless_is_refused(path: str) -> None:
    with pytest.raises(ValueError, match=r"pattern|'\.\.'|filter|longer|JSONPath"):
        JsonPath(path)


@pytest.mark.parametrize("path", ["$.a", "$..a", "$[?@.kind == 'match(x)'].v", "$['..?..'].a[*]"])
def test_a_path_that_cannot_be_is_taken(path: str) -> None:
    assert JsonPath(path).values({}) == []


def test_a_path_finds_so_many_and_goes_so_deep() -> None:
    with pytest.raises(ValueError, match="more than 1000 values"):
        JsonPath("$[*]").values([0] * (MOST_VALUES + 1))
    deep: Any = 0
    for _ in range(5000):
        deep = [deep]
    with pytest.raises(ValueError, match="cannot be followed"):
        JsonPath("$..a").values(deep)


@pytest.mark.parametrize(
    "topic",
    ["a/#", "a/+", "#", "$SYS/x", "$share/g/a", "", "a\0", "a\x01", "a\x85", "a\uffff", "\ud800",
     "a" * 65_536, "ä" * 32_768, "{pack}{cell}", "{pack", "}", "{}", "{pack}/{pack}", "{os}"],
)  # fmt: skip
def test_topics_of_sources_that_are_refused(topic: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - its text is for people, in tests/texts_approved
        TopicPattern(topic)


def test_a_level_that_strangers_fill_in() -> None:
    """Three captures in one level would try all their lengths against each other."""
    pattern = TopicPattern("hut/{pack}-{cell}-{sensor}/x")
    assert pattern.match("hut/" + "-" * 60_000 + "/y") is None
    assert pattern.match("hut/a-" + "b" * LONGEST_CAPTURE + "-c/x") is not None
    assert pattern.match("hut/a-" + "b" * (LONGEST_CAPTURE + 1) + "-c/x") is None
    assert TopicPattern("hut/{pack}/x").match("hut//x") is None


@pytest.mark.parametrize("name", ["a/b", "+", "#", "..", "../x", "a b", "$SYS", "ä", "a" * 41, ""])
def test_names_of_packs_and_banks_are_levels_and_no_paths(name: str) -> None:
    for text in (CONFIG.replace("alder:", f"'{name}':"), CONFIG.replace("hut:", f"'{name}':")):
        with pytest.raises(WatchdError):
            config_of(text)


@pytest.mark.parametrize(
    "prefix", ["a/#", "+", "$SYS", "/a", "a//b", "a\\x01", "{a}", "a" * 201, "\\uffff", "hut"]
)
def test_prefixes_that_are_refused(prefix: str) -> None:
    """`hut` is where telemetry comes in."""
    with pytest.raises(WatchdError):
        config_of(f'{CONFIG}prefix: "{prefix}"')


# Sent as telemetry; each is refused and counted, and nothing else.
PAYLOADS = [
    ("state", b"[" * 1_000_000),
    ("state", b"[" * 30_000),
    ("state", b'{"volts":' * 10_000),
    ("state", b'{"volts": ' + b"9" * 60_000 + b"}"),
    ("state", b'{"volts": 1e400}'),
    ("state", b'{"volts": NaN}'),
    ("state", b'{"volts": -Infinity}'),
    ("state", b'{"prot": 1e400}'),
    ("state", b'{"prot": -1e400}'),
    ("state", b'{"volts": "\\ud800"}'),
    ("state", b'{"\\ud800": 1}'),
    ("state", b'{"t": 1e400, "volts": 53}'),
    ("state", b'{"t": "0001-01-01T00:00:00+23:59", "volts": 53}'),
    ("cell/" + "9" * 5000, b"3.3"),
    ("cell/" + "9" * 99, b"3.3"),
    ("cell/٣٣", b"3.3"),
    ("cell/²", b"3.3"),
]


@pytest.mark.parametrize(("level", "payload"), PAYLOADS)
def test_a_payload_is_refused(level: str, payload: bytes) -> None:
    hut = Scene(config=config_of())
    hut.feed("hut/alder/state", pack())
    before = {k: v for k, v in hut.figures("pack/alder").items() if not k.startswith("telemetry")}
    hut.feed(f"hut/alder/{level}", payload)
    counts = hut.counts()
    assert counts.get("bad", 0) + counts.get("other_topic", 0) == 1
    after = {k: v for k, v in hut.figures("pack/alder").items() if not k.startswith("telemetry")}
    assert after == before


def test_of_a_key_that_comes_twice_the_last_counts() -> None:
    hut = Scene(config=config_of())
    hut.feed("hut/alder/state", b'{"volts": 51.0, "volts": 53.0}')
    assert hut.figures("pack/alder")["voltage_v"] == 53.0


def test_the_log_has_so_many_lines_in_ten_minutes_and_not_more() -> None:
    throttle = Throttle()
    let = sum(throttle.let((f"topic {n}", "why"), 1000.0 + n / 1000) == 0 for n in range(10_000))
    assert let == MOST_LINES
    assert throttle.let(("another", "why"), 1000.0 + QUIET_S) == 0


def test_answers_that_nobody_fetches_take_so_much_memory() -> None:
    outbox = Outbox()
    outbox.put([Publish("watchd/alarm/a/pack/b", b"stays", retain=True)])
    outbox.put(Publish("phone/answer", b"x" * 1_000_000) for _ in range(50))
    assert len(outbox) == 1 + MOST_PASSING_BYTES // 1_000_000
    assert outbox.dropped == 50 - MOST_PASSING_BYTES // 1_000_000


def test_messages_that_wait_take_so_much_memory() -> None:
    intake = Intake(most=10_000, longest=1_000_000)
    for number in range(200):
        intake.add(Arrived(f"hut/{number}", b"x" * 1_000_000, retained=False, at=0.0))
    assert len(intake) <= MOST_BYTES // 1_000_000
    assert intake.take_dropped() + len(intake) == 200
    assert intake.take(len(intake))[-1].topic == "hut/199"
