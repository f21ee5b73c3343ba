"""Texts with figures in them, as a keeper reads them on a telephone."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchd.figures import Value
from watchd.language.texts import compile_text, show_value

STEADY = settings(deadline=None, derandomize=True, database=None)
NAMES = ("pack", "cell_max_no", "cell_max_v", "cell_spread_mv", "charge_allowed", "protection")
ALDER: dict[str, Value] = {
    "pack": "alder",
    "cell_max_no": 7.0,
    "cell_max_v": 3.4567,
    "cell_spread_mv": 55.0,
    "charge_allowed": False,
    "protection": ("OVER_VOLT", "OTHER"),
}


@pytest.mark.parametrize(
    ("text", "filled"),
    [
        ("{pack}: all well", "alder: all well"),
        ("cell {cell_max_no} at {cell_max_v} V", "cell 7 at 3.4567 V"),
        ("cell {cell_max_no:.0f} at {cell_max_v:.3f} V", "cell 7 at 3.457 V"),
        ("{cell_spread_mv:.0f} mV, {cell_spread_mv:+.1f} mV", "55 mV, +55.0 mV"),
        ("{charge_allowed}", "no"),
        ("{protection}", "OVER_VOLT, OTHER"),
        ("{pack:.0f}", "alder"),
        ("{{pack}} is {pack}", "{pack} is alder"),
        ("bei 3 °C: größte Zelle {cell_max_no:.0f}", "bei 3 °C: größte Zelle 7"),
        ("", ""),
    ],
)
def test_filled(text: str, filled: str) -> None:
    assert compile_text(text, NAMES).fill(ALDER) == filled


@pytest.mark.parametrize(
    ("value", "spec", "shown"),
    [
        (None, "", "unknown"),
        (None, ".3f", "unknown"),
        (True, "", "yes"),
        (False, ".0f", "no"),
        ((), "", "none"),
        (("FAN_ERROR",), ".0f", "FAN_ERROR"),
        (3.3000000000000003, "", "3.3"),
        (16, "", "16"),
        (16, ".1f", "16.0"),
        (1234567.0, "", "1234567"),
        (12345.678, ",.1f", "12,345.7"),
        (0.5, "+.1f", "+0.5"),
        # what rounds to nothing has no sign
        (-0.2, ".0f", "0"),
        (-0.2, "+.0f", "+0"),
        (-0.00001, "", "0"),
        (-0.0, ".1f", "0.0"),
        (-0.6, ".0f", "-1"),
    ],
)
def test_a_value_as_a_person_reads_it(value: Value, spec: str, shown: str) -> None:
    assert show_value(value, spec) == shown


def test_what_is_not_known_reads_unknown() -> None:
    template = compile_text("{pack}: {cell_max_v:.3f} V, {cell_spread_mv:.0f} mV", NAMES)
    assert template.fill({"pack": "alder", "cell_max_v": None}) == "alder: unknown V, unknown mV"


NO_FORMAT = "has a format that is not supported; write for example ':.0f', ':.3f' or ':unit'"
BRACE = "a brace that does not close, or closes nothing; {{ is a brace"
LIST = (
    "expected one of 'cell_max_no', 'cell_max_v', 'cell_spread_mv', 'charge_allowed', 'pack', "
    "'protection'"
)
REFUSED: list[tuple[str, str]] = [
    ("{cell_max}", "unknown name 'cell_max'; did you mean 'cell_max_v'?"),
    ("{pack.__class__}", f"unknown name 'pack.__class__'; {LIST}"),
    ("{pack[0]}", "unknown name 'pack[0]'; did you mean 'pack'?"),
    ("{}", f"unknown name ''; {LIST}"),
    ("{0}", f"unknown name '0'; {LIST}"),
    ("{pack }", "unknown name 'pack '; did you mean 'pack'?"),
    ("{pack!r}", f"'{{pack!r}}' {NO_FORMAT}"),
    ("{pack!s}", f"'{{pack!s}}' {NO_FORMAT}"),
    ("{cell_max_v:{pack}}", f"'{{cell_max_v:{{pack}}}}' {NO_FORMAT}"),
    ("{cell_max_v:999999999}", f"'{{cell_max_v:999999999}}' {NO_FORMAT}"),
    ("{cell_max_v:.999999999f}", f"'{{cell_max_v:.999999999f}}' {NO_FORMAT}"),
    ("{cell_max_v:>20}", f"'{{cell_max_v:>20}}' {NO_FORMAT}"),
    ("{cell_max_v:020.3f}", f"'{{cell_max_v:020.3f}}' {NO_FORMAT}"),
    ("{cell_max_v:d}", f"'{{cell_max_v:d}}' {NO_FORMAT}"),
    ("{cell_max_v:%}", f"'{{cell_max_v:%}}' {NO_FORMAT}"),
    ("{cell_max_v:e}", f"'{{cell_max_v:e}}' {NO_FORMAT}"),
    ("{pack", BRACE),
    ("pack}", BRACE),
    ("{", BRACE),
    ("{pack!}", BRACE),
    ("{pack:{", BRACE),
    ("x" * 1001, "longer than 1000 characters"),
]


@pytest.mark.parametrize(("text", "what"), REFUSED, ids=[t[:30] for t, _ in REFUSED])
def test_refused(text: str, what: str) -> None:
    with pytest.raises(ValueError, match=f"^{re.escape(what)}$"):
        compile_text(text, NAMES)


SOME: Any = st.one_of(
    st.none(),
    st.booleans(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(-(10**6), 10**6),
    st.text(max_size=5),
    st.lists(st.text(max_size=5)).map(tuple),
)
TEXTS = st.one_of(
    st.text(max_size=40),
    st.lists(
        st.sampled_from(["{", "}", "{{", "}}", "pack", "cell_max_v", ":", "!", "r", ".3f", "."]),
        max_size=12,
    ).map("".join),
    st.from_regex(r"\{(pack|cell_max_v):\+?,?(\.[0-9]{1,2})?[fg]?\}", fullmatch=True),
)  # fmt: skip


@settings(STEADY, max_examples=500)
@given(TEXTS, SOME)
def test_any_text_is_refused_or_can_be_filled(text: str, value: Value) -> None:
    try:
        template = compile_text(text, NAMES)
    except ValueError:
        return
    filled = template.fill(dict.fromkeys(NAMES, value))
    assert len(filled) <= len(text) + 600 * len(template.parts)
    template.fill({})
