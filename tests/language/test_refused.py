"""What a condition may not say: the words that the keeper reads, and the part that is marked."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from tests.language.vocabulary import compiled, refusal, value_of
from watchd.figures import Kind
from watchd.language.expression import ExpressionError

# Each condition with the part that is marked in «», and below it what is said of that part.
REFUSED = r"""
# What is Python's and none of the language's
«current_a.real» > 1
    an attribute (a dot) is not part of the language of conditions
«().__class__» == 1
    an attribute (a dot) is not part of the language of conditions
«protection[0]» == 'OTHER'
    an index in brackets is not part of the language of conditions
«protection[0:1]» == 1
    an index in brackets is not part of the language of conditions
«[a for a in protection]» == 1
    a comprehension is not part of the language of conditions
«{a for a in protection}» == 1
    a comprehension is not part of the language of conditions
«{a: 1 for a in protection}» == 1
    a comprehension is not part of the language of conditions
«(a for a in protection)» == 1
    a comprehension is not part of the language of conditions
(«lambda: current_a») == 1
    a lambda is not part of the language of conditions
«f'{current_a}'» == 'x'
    an f-string is not part of the language of conditions
(«x := current_a») > 1
    an assignment is not part of the language of conditions
«await current_a» > 1
    await is not part of the language of conditions
«{'a': 1}» == 1
    a mapping is not part of the language of conditions
«[1, 2]» == current_a
    a list outside 'in' is not part of the language of conditions
«{1, 2}» == current_a
    a list outside 'in' is not part of the language of conditions
«voltage_v > 55,9»
    a comma outside 'in' (decimals have a point) is not part of the language of conditions
current_a > «1j»
    this is not part of the language of conditions
current_a > «None»
    this is not part of the language of conditions
current_a > «...»
    this is not part of the language of conditions
trip_events == «b'x'»
    this is not part of the language of conditions
«~current_a» > 1
    this operator is not part of the language of conditions
(«yield») > 1
    this is not part of the language of conditions

# Operators
«current_a ** 2» > 1
    of arithmetic there is only + - * and /
«9 ** 9 ** 9» > 1
    of arithmetic there is only + - * and /
«current_a // 2» > 1
    of arithmetic there is only + - * and /
«current_a % 2» > 1
    of arithmetic there is only + - * and /
«current_a @ 2» > 1
    of arithmetic there is only + - * and /
«current_a << 2» > 1
    of arithmetic there is only + - * and /
«current_a ^ 2» > 1
    of arithmetic there is only + - * and /
current_a > «3 & soc_pct» > 3
    write and between conditions
current_a > «3 | soc_pct» > 3
    write or between conditions
«current_a is 3»
    compare with < <= > >= == != or in
«current_a is not 3»
    compare with < <= > >= == != or in

# Names
«curent_a» > 1
    unknown name 'curent_a'; did you mean 'current_a'?
«CELL_MAX_V» > 1
    unknown name 'CELL_MAX_V'; did you mean 'cell_max_v'?
«__import__» == 1
    unknown name '__import__'; `watchd fields` lists the names
«xyz» > 1
    unknown name 'xyz'; `watchd fields` lists the names
«f» > 1
    unknown name 'f'; `watchd fields` lists the names
charge_allowed == «true»
    write True instead of true
charge_allowed == «no»
    write False instead of no
telemetry_quality == «stale»
    a word is quoted: 'stale'
«mean» > 1
    'mean' is a function; write mean(cell_spread_mv, "5 min")

# Functions and their windows
«maen»(current_a, '1 h') > 1
    unknown function 'maen'; did you mean 'mean'?
«current_a.real()» > 1
    only the functions of the language can be called
«(mean)(current_a)(1)» > 1
    only the functions of the language can be called
«mean(current_a)» > 1
    'mean' takes two things: mean(cell_spread_mv, "5 min")
«mean(current_a, '1 h', 2)» > 1
    'mean' takes two things: mean(cell_spread_mv, "5 min")
«mean(current_a, over='1 h')» > 1
    'mean' takes two things: mean(cell_spread_mv, "5 min")
mean(«*current_a», '1 h') > 1
    a star is not part of the language of conditions
mean(current_a, «60») > 1
    the window is a quoted duration: mean(cell_spread_mv, "5 min")
mean(current_a, «'1 week'») > 1
    '1 week' is not a duration; write a number and s, min, h or d, such as '30 s'
mean(current_a, «'0.5 s'») > 1
    a window is at least 1 s long
mean(current_a, «'20000 d'») > 1
    '20000 d' is longer than ten years
mean(«mean(current_a, '1 h')», '1 d') > 1
    a window inside a window is not supported
mean(«charge_allowed», '1 h') > 1
    'mean' is taken of a number, but this is a yes/no
slope(«telemetry_quality», '1 h') > 1
    'slope' is taken of a number, but this is a text
count(«current_a», '1 h') > 1
    'count' is taken of a yes/no, but this is a number
since(«soc_pct», '1 h') > 1
    'since' is taken of a yes/no, but this is a number

# Kinds
«current_a»
    this is a number, but a yes/no is needed here
«'full'»
    this is a text, but a yes/no is needed here
not «current_a»
    this is a number, but a yes/no is needed here
charge_allowed and «current_a»
    this is a number, but a yes/no is needed here
«charge_allowed» + 1 > 1
    this is a yes/no, but a number is needed here
-«protection» > 1
    this is a list of words, but a number is needed here
«charge_allowed > 1»
    a yes/no cannot be compared with a number
«voltage_v > '14 d'»
    a number cannot be compared with a text
«charge_allowed > protection_trip»
    a yes/no can only be compared with == and !=
«telemetry_quality > 'bad'»
    a text can only be compared with == and !=
(1 if «current_a» else 2) > 1
    this is a number, but a yes/no is needed here
(1 if charge_allowed else «'x'») > 1
    this is a text, but a number is needed here
«current_a» in (1, 2)
    this is a number, but a text is needed here
telemetry_quality in «'good'»
    this is a text, but a list of words is needed here
telemetry_quality in («trip_events», 'good')
    a list after 'in' holds quoted words
telemetry_quality in («1», 2)
    a list after 'in' holds quoted words

# Words that a figure never has
telemetry_quality == «'stael'»
    'telemetry_quality' is never 'stael'; did you mean 'stale'?
«'old'» != telemetry_quality
    'telemetry_quality' is never 'old'; expected one of 'bad', 'good', 'stale'
telemetry_quality in ('good', «'baad'»)
    'telemetry_quality' is never 'baad'; did you mean 'bad'?

# Units
«cell_spread_mv > cell_max_v»
    mV on one side and V on the other do not go together
«current_a > nameplate_ah»
    A on one side and Ah on the other do not go together
«voltage_v + current_a» > 1
    V on one side and A on the other do not go together
«cell_max_v - 5 > cell_spread_mv»
    V on one side and mV on the other do not go together
(«cell_max_v if charge_allowed else cell_spread_mv») > 1
    V on one side and mV on the other do not go together
«1 < voltage_v < nameplate_ah»
    V on one side and Ah on the other do not go together
«mean(cell_spread_mv, '1 h') > cell_max_v»
    mV on one side and V on the other do not go together
«elapsed(charge_allowed, '1 h') > since_full_h»
    s on one side and h on the other do not go together
«full_count > current_a»
    no unit on one side and A on the other do not go together
since_full_h > «'14 days'»
    '14 days' is not a duration; write a number and s, min, h or d, such as '30 s'

# Numbers
current_a > «1e13»
    a number larger than 1e+12
current_a > -«1e999»
    a number larger than 1e+12

# Comments, which would end a condition unseen where a file folds it into one line
current_a > 3 «#» A and soc_pct < 9
    '#' begins no comment here; comments stand outside the condition
(current_a > 3) «#» A
    '#' begins no comment here; comments stand outside the condition
(current_a > 3 «#» A and soc_pct < 9)
    '#' begins no comment here; comments stand outside the condition
current_a > 3 «#» 'A'
    '#' begins no comment here; comments stand outside the condition
"""

# What does not even parse. Python's parser gives up at places of its own, in words of its own that
# differ from version to version; the keeper reads these.
MISWRITTEN = r"""
# As other languages write it
current_a «=» 3
    write == instead of =
current_a «=>» 3
    write >= instead of =>
current_a «<>» 3
    write != instead of <>
current_a > 3 «&&» soc_pct < 9
    write and instead of &&
current_a > 3 «||» soc_pct < 9
    write or instead of ||
current_a > 3 «AND» soc_pct < 9
    write and instead of AND
«!»charge_allowed
    write not instead of !

# As a telephone's keyboard writes it
voltage_v «≥» 55.9
    write >= instead of ≥
soc_pct > 3 and voltage_v «≤» 55.9
    write <= instead of ≤
mean(current_a, «“»1 h”) > 3
    write " instead of “

# Numbers with units
cell_spread_mv > 40 «mV»
    a number is in the unit of its figure; leave out 'mV'
cell_spread_mv > 40«mV»
    a number is in the unit of its figure; leave out 'mV'
soc_pct < 98 «%»
    a number is in the unit of its figure; leave out '%'
soc_pct < 98«%» and charge_allowed
    a number is in the unit of its figure; leave out '%'
soc_pct < 9.5 «°C»
    a number is in the unit of its figure; leave out '°C'
since_full_h > «14 d»
    a duration is quoted: "14 d"
telemetry_age_s > «5min»
    a duration is quoted: "5 min"

# Brackets and quotes
«(»current_a > 3
    this bracket is not closed
charge_allowed or «(»current_a > 3 and (soc_pct < 9)
    this bracket is not closed
current_a > 3«)»
    this bracket closes nothing
(current_a > 3«]»
    this bracket closes nothing
telemetry_quality == «'»good
    this quote is not closed
telemetry_quality == «"»good
    this quote is not closed

# Something missing
current_a «>»
    something is missing after '>'
current_a > 3 «and»
    something is missing after 'and'
«not»
    something is missing after 'not'
current_a > 3 «soc_pct» < 9
    something is missing between '3' and 'soc_pct'
mean(current_a «'1 h'») > 3
    something is missing between 'current_a' and ''1 h''
current_a > 3 «if» charge_allowed
    'if' needs 'else': A if CONDITION else B
«if» current_a > 3
    'if' needs 'else': A if CONDITION else B

# The rest
trip_events == 'a«\»nb'
    '\' is not part of the language of conditions
current_a > 3«;»
    ';' is not part of the language of conditions
current_a > «$»3
    '$' is not part of the language of conditions
current_a «:=» 3
    ':=' is not part of the language of conditions
"""


def cases(table: str) -> Iterator[tuple[str, str]]:
    """The conditions of a table, still with their marks, and what is said of each."""
    lines = [line for line in table.splitlines() if line and not line.startswith("# ")]
    for marked, what in zip(lines[::2], lines[1::2], strict=True):
        yield marked, what.strip()


@pytest.mark.parametrize(("marked", "what"), [*cases(REFUSED), *cases(MISWRITTEN)])
def test_refused_with_the_part_marked(marked: str, what: str) -> None:
    before, part, after = re.split("[«»]", marked)
    error = refusal(before + part + after, Kind.YES_NO)
    assert error.what == what
    assert (error.start, error.width) == (len(before), len(part))


@pytest.mark.parametrize(
    ("sign", "instead"),
    [
        ("\N{MULTIPLICATION SIGN}", "*"),
        ("\N{DIVISION SIGN}", "/"),
        ("\N{MINUS SIGN}", "-"),
        ("\N{EN DASH}", "-"),
    ],
)
def test_signs_that_look_like_others(sign: str, instead: str) -> None:
    error = refusal(f"voltage_v > 5 {sign} 3")
    assert error.what == f"write {instead} instead of {sign}"
    assert (error.start, error.width) == (len("voltage_v > 5 "), 1)


def test_a_function_that_is_none_is_told_which_there_are() -> None:
    assert refusal("eval('1') > 1").what == (
        "unknown function 'eval'; expected one of 'changed', 'count', 'elapsed', 'highest', "
        "'lowest', 'mean', 'since', 'slope'"
    )


@pytest.mark.parametrize("number", ["9" * 1000, f"0x{'f' * 1900}", "1e13", "1e999"])
def test_a_number_has_a_limit(number: str) -> None:
    error = refusal(f"current_a > {number}")
    assert error.what == "a number larger than 1e+12"
    assert (error.start, error.width) == (len("current_a > "), len(number))


def test_a_quoted_number_sign_is_no_comment() -> None:
    assert value_of("trip_events == 'no. #1'", trip_events="no. #1") is True


@pytest.mark.parametrize("condition", ["", "   ", "\n"])
def test_an_empty_condition(condition: str) -> None:
    assert refusal(condition).what == "there is no condition here"


@pytest.mark.parametrize(
    "condition",
    [
        "current_a > > 3",
        "current_a > 3 and and soc_pct > 3",
        "1if charge_allowed else 2",
        "import os",
        "current_a > \0",
        "current_a > \ud800",
        "-" * 1999 + "1",
        "(" * 900 + "1" + ")" * 900,
        "not " * 400 + "charge_allowed",
    ],
)
def test_what_cannot_be_read_at_all_is_refused_within_its_text(condition: str) -> None:
    error = refusal(condition)
    assert 0 <= error.start < len(condition)


def nested(levels: int) -> str:
    return "-" * (levels - 1) + "current_a"


def test_nesting_has_a_limit() -> None:
    assert compiled(f"{nested(40)} > 1").names == ("current_a",)
    assert compiled("(" * 80 + "current_a" + ")" * 80).names == ("current_a",)  # brackets are free
    error = refusal(f"{nested(41)} > 1")
    assert error.what == "nested deeper than 40 levels"
    assert (error.start, error.width) == (40, len("current_a"))


def test_chained_comparisons_inside_each_other_have_a_limit() -> None:
    # Each level doubles the code, so that 19 of them, well below the limit of nesting, would be a
    # condition of half a million parts.
    condition = "current_a"
    for _ in range(18):
        condition = f"(1 if 0 < {condition} < 2 else 0)"
    assert refusal(f"0 < {condition} < 2").what == "the condition has too many parts"


def test_a_text_has_a_limit() -> None:
    condition = "current_a > 1".ljust(2000)
    assert refusal(condition + " ").what == "longer than 2000 characters"
    assert refusal(condition[:-3] + "+ x").what.startswith("unknown name")


@pytest.mark.parametrize(
    ("condition", "part"),
    [
        ("'grün' == trip_events and curent_a > 1", "curent_a"),
        ("trip_events == '電池' and curent_a > 1", "curent_a"),
        ("trip_events == '🔋🔋' and curent_a > 1", "curent_a"),
        ("   trip_events == 'ä' and curent_a > 1", "curent_a"),
        ("trip_events == 'é' and telemetry_quality == 'größe'", "'größe'"),
        ("trip_events == 'ü' and größe > 1", "größe"),
        ("trip_events == 'ü' and current_a > 40 mV", "mV"),
        ("trip_events == 'ü' # curent_a", "#"),
    ],
)
def test_columns_count_characters_not_bytes(condition: str, part: str) -> None:
    error = refusal(condition)
    assert condition[error.start : error.start + error.width] == part


def test_columns_go_on_over_the_lines_of_a_condition() -> None:
    condition = "\n  charge_allowed\n  and (curent_a > 1\n)"
    error = refusal(condition)
    assert condition[error.start : error.start + error.width] == "curent_a"


def test_a_wanted_kind_that_is_another() -> None:
    error = refusal("current_a > 1", Kind.NUMBER)
    assert error.what == "this is a yes/no, but a number is needed here"
    assert (error.start, error.width) == (0, len("current_a > 1"))


def test_the_error_says_what_is_wrong_on_its_own() -> None:
    error = ExpressionError("is missing", 3, 0)
    assert str(error) == "is missing"
    assert error.width == 1  # so that a caret has something to stand under
