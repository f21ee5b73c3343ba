"""Whatever is on the broker: nothing raises, and what is proposed loads."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.proposal.layouts import LAYOUTS
from watchd.config import parse_config
from watchd.documents import parse_document
from watchd.engine import Engine
from watchd.proposal.config_text import Around, config_text, quoted
from watchd.proposal.overheard import MOST_MESSAGES, MOST_TOPICS, Overheard
from watchd.proposal.propose import propose

_WORDS = (
    "cell cells cell1 volt u v mv current amps_out soc temp temp1 temp2 time t 1 2 7 0 power state "
    "hut alder protection overVoltage charge_allowed packs balance ö:ä {pack} + # a'b\"c $x"
)
WORDS = st.sampled_from(_WORDS.split())
KEYS = st.one_of(WORDS, st.text(max_size=8))
NUMBERS = st.one_of(
    st.floats(2.5, 3.6),
    st.integers(2500, 3600),
    st.integers(-(10**20), 10**20),
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(40, 60),
    st.floats(0, 1),
    st.integers(250, 340),
)
SCALARS = st.one_of(NUMBERS, st.booleans(), st.none(), st.text(max_size=12), WORDS)
CELLS = st.lists(st.floats(3.2, 3.4), min_size=3, max_size=33)
NUMBERED = st.tuples(WORDS, CELLS).map(lambda p: {f"{p[0]}{n}": v for n, v in enumerate(p[1], 1)})
DOCUMENTS = st.recursive(
    st.one_of(SCALARS, CELLS, NUMBERED),
    lambda inner: st.one_of(st.lists(inner, max_size=5), st.dictionaries(KEYS, inner, max_size=6)),
    max_leaves=12,
)
TOPICS = st.lists(KEYS, min_size=1, max_size=4).map("/".join)
MESSAGES = st.lists(
    st.tuples(TOPICS, st.one_of(DOCUMENTS.map(lambda d: json.dumps(d).encode()), st.binary())),
    max_size=30,
)


def check(messages: list[tuple[str, bytes]], *, retained: bool) -> None:
    overheard = Overheard()
    for number, (topic, payload) in enumerate(messages):
        overheard.take(topic, payload, 1.79e9 + number, retained=retained)
    proposal = propose(overheard)
    if proposal.packs:
        config = parse_config(parse_document(config_text(proposal, Around()), "config.yaml"))
        assert list(config.packs) == [p.name for p in proposal.packs]
        engine = Engine(config, ())
        for number, (topic, payload) in enumerate(messages):
            engine.feed(topic, payload, 1.79e9 + number)


@settings(max_examples=50, deadline=None)
@given(MESSAGES, st.booleans())
def test_any_messages(messages: list[tuple[str, bytes]], retained: bool) -> None:
    check(messages, retained=retained)


@settings(max_examples=12, deadline=None)
@given(
    st.sampled_from(["nested document", "a topic each", "numbered keys", "name below"]),
    st.text(min_size=1, max_size=12),
    st.text(min_size=1, max_size=12),
    MESSAGES,
)
def test_packs_of_any_name_among_any_messages(
    layout: str, name: str, key: str, others: list[tuple[str, bytes]]
) -> None:
    found = list(LAYOUTS[layout].messages())[:80]
    written = json.dumps(key)[1:-1].encode()
    check(
        [
            *(
                (
                    topic.replace("alder", name.replace("/", "")),
                    payload.replace(b"cells", written).replace(b"voltage", written),
                )
                for _, topic, payload in found
            ),
            *others,
        ],
        retained=False,
    )


@settings(max_examples=100, deadline=None)
@given(st.text().filter(str.isprintable))
def test_any_text_is_written_so_that_yaml_reads_it_back(text: str) -> None:
    document: Any = parse_document(f"a: {quoted(text)}\n", "x")
    assert document.data == {"a": text}


def test_what_is_kept_is_bounded() -> None:
    overheard = Overheard()
    for number in range(5 * MOST_MESSAGES):
        overheard.take("a/b", b"1", float(number))
    kept = overheard.topics["a/b"]
    assert len(kept) <= MOST_MESSAGES + 1
    assert kept[0].at == 0.0
    assert kept[-1].at > 4.9 * MOST_MESSAGES
    for number in range(MOST_TOPICS + 10):
        overheard.take(f"a/{number}", b"1", 0.0)
    assert len(overheard.topics) == MOST_TOPICS
    assert overheard.left_out == 11


def test_what_watchd_says_itself_and_the_brokers_own_is_passed_over() -> None:
    overheard = Overheard("boat/watchd")
    for topic in ("boat/watchd/figures/pack/alder", "$SYS/broker/uptime", "boat/watchdog"):
        overheard.take(topic, b"1", 0.0)
    assert list(overheard.topics) == ["boat/watchdog"]
