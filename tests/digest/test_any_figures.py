"""Whatever is known or not, a digest is readable, and as short as it has to be."""

from __future__ import annotations

import re
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.digest.facts import END, WELL, came_and_went, facts, pack, stands
from watchd.digest.facts import Earlier, Facts
from watchd.digest.record import digest
from watchd.digest.schedule import Period
from watchd.digest.texts import LONGEST_TITLE, MOST
from watchd.history.charge import Throughput
from watchd.history.trends import FullCharge
from watchd.publish import encode
from watchd.rules.rule import Priority

AMOUNTS = st.none() | st.floats(-1e6, 1e6) | st.sampled_from([float("nan"), float("inf")])
FIGURES = st.fixed_dictionaries(
    {
        **{name: AMOUNTS | st.booleans() for name in WELL},
        "telemetry_quality": st.sampled_from(["good", "bad", "stale", None]),
        "telemetry_silent": st.none() | st.booleans(),
        "setting_temporary": st.none() | st.booleans(),
        "protection_trip": st.none() | st.booleans(),
    }
)
THROUGH = st.none() | st.builds(Throughput, *[st.floats(0, 1e7)] * 4, st.floats(0, 1e6))
FULL = st.builds(FullCharge, st.floats(END - 1e6, END), AMOUNTS, st.none(), AMOUNTS, AMOUNTS)
NAMES = st.from_regex(r"[a-z][a-z0-9_-]{0,39}", fullmatch=True)


@st.composite
def any_facts(draw: st.DrawFn) -> Facts:
    names = draw(st.lists(NAMES, min_size=1, max_size=12, unique=True))
    packs: list[Any] = []
    for name in names:
        before = st.none() | st.builds(Earlier, FIGURES, THROUGH)
        packs.append(
            pack(
                name,
                base=draw(st.just({}) | FIGURES),
                energy=draw(THROUGH),
                full_charges=draw(st.none() | st.lists(FULL, max_size=3)),
                before=draw(before),
            )
        )
    alarms = [
        stands(
            f"rule-{n}/pack/{names[0]}",
            draw(st.text(max_size=300)),
            draw(st.none() | st.floats(0, 9000)),
            draw(st.sampled_from(Priority)),
        )
        for n in range(draw(st.integers(0, 6)))
    ]
    hours = draw(st.lists(st.floats(0.1, 700), max_size=8))
    told = came_and_went(f"{draw(NAMES)}/pack/{names[0]}", hours, lasting_h=draw(st.floats(0, 9)))
    return facts(
        *packs,
        period=draw(st.sampled_from(Period)),
        standing=alarms,
        journal=draw(st.sampled_from([None, [], told])),
        watched_d=draw(st.none() | st.floats(0, 60)),
        missing=draw(st.lists(st.text(max_size=300), max_size=3)),
    )


@settings(deadline=None, max_examples=100, derandomize=True, database=None)
@given(any_facts())
def test_any_digest(told: Facts) -> None:
    record = digest(told)
    encode(record)  # without a number that is none
    # What people or the system wrote is theirs; only what the digest itself makes is looked at.
    own = "\n".join((record["title"], record["message"]))
    for word in ("None", "nan", "inf", "{", "}"):
        theirs = [s.text for s in told.standing] + list(told.missing) + [p.name for p in told.packs]
        theirs += [e["alarm"] for e in told.journal or ()]
        if not any(word in text for text in theirs):
            assert not re.search(rf"(?<![a-z]){re.escape(word)}(?![a-z])", own), own
    assert 0 < len(record["title"]) <= LONGEST_TITLE
    assert "\n" not in record["title"]
    assert 0 < len(record["message"]) <= MOST[told.period]
    assert all(record["message"].split("\n"))
