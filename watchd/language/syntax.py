"""Says what is wrong with a text that does not parse, to someone who writes no programs.

Python's own messages speak of Python, and differ from version to version.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from watchd.durations import parse_duration

_PIECE = re.compile(
    r"""(?P<text>"[^"]*"|'[^']*')
      | (?P<number>(?:\d[\d_]*\.?[\d_]*|\.\d[\d_]*)(?:[eE][+-]?\d+)?)
      | (?P<word>[^\W\d]\w*)
      | (?P<sign>&&|\|\||[<>=!]=|<>|=<|=>|:=|\*\*|//|\S)""",
    re.VERBOSE,
)
# What people write for it, and what a telephone's keyboard makes of it.
_WRITE = {
    "=": "==",
    "=>": ">=",
    "=<": "<=",
    "<>": "!=",
    "≥": ">=",
    "≤": "<=",
    "≠": "!=",
    "&&": "and",
    "&": "and",
    "||": "or",
    "|": "or",
    "!": "not",
    "−": "-",  # noqa: RUF001 - U+2212, a minus sign
    "–": "-",  # noqa: RUF001 - U+2013, a dash
    "×": "*",  # noqa: RUF001 - U+00D7
    "÷": "/",
    "“": '"',
    "”": '"',
    "„": '"',
    "‘": "'",  # noqa: RUF001 - U+2018
    "’": "'",  # noqa: RUF001 - U+2019
}
# What may stand in an expression of Python's; anything else is the mistake itself.
_PYTHONS = frozenset(["<", "<=", ">", ">=", "==", "!=", "**", "//", *"+-*/%^@~()[]{},."])
_JOINING = ("and", "or", "in", "if", "else", "is")
_BRACKETS = {")": "(", "]": "[", "}": "{"}
NOT_PART = "is not part of the language of conditions"
COMMENT = "'#' begins no comment here; comments stand outside the condition"
EMPTY = "there is no condition here"

LONGEST_SHOWN = 60

Mistake = tuple[str, int, int]  # what, first character, width


def short(text: str) -> str:
    """A part of the text as an error shows it."""
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}..."


def mistake_in(text: str, python_says: int) -> Mistake:
    """What is wrong with `text`, and where; `python_says` is where its parser gave up."""
    if not text.strip():
        return EMPTY, 0, 1
    found = next(_mistakes(text), None)
    if found is not None:
        return found
    last = len(text.rstrip()) - 1
    return "cannot be read from here on", min(max(0, python_says), last), 1


def _mistakes(text: str) -> Iterator[Mistake]:
    pieces = list(_PIECE.finditer(text))
    opened: list[re.Match[str]] = []
    before: re.Match[str] | None = None
    for piece, after in zip(pieces, [*pieces[1:], None], strict=True):
        yield from _sign(piece)
        if before is not None:
            yield from _neighbours(before, piece, after)
        if piece[0] in _BRACKETS.values():
            opened.append(piece)
        elif piece[0] in _BRACKETS and (not opened or opened.pop()[0] != _BRACKETS[piece[0]]):
            yield "this bracket closes nothing", piece.start(), 1
        before = piece
    if opened:
        yield "this bracket is not closed", opened[-1].start(), 1
    if before is not None and not _ends_operand(before):
        yield f"something is missing after '{short(before[0])}'", before.start(), len(before[0])
    words = [piece for piece in pieces if piece["word"]]
    if sum(word[0] == "if" for word in words) > sum(word[0] == "else" for word in words):
        first = next(word for word in words if word[0] == "if")
        yield "'if' needs 'else': A if CONDITION else B", first.start(), 2


def _sign(piece: re.Match[str]) -> Iterator[Mistake]:
    found = piece[0]
    instead = _WRITE.get(found)
    if found in ("AND", "OR", "NOT", "And", "Or", "Not", "IN", "IF", "ELSE"):
        instead = found.lower()
    if instead is not None:
        yield f"write {instead} instead of {found}", piece.start(), len(found)
    elif found in ('"', "'"):
        yield "this quote is not closed", piece.start(), 1
    elif found == "#":
        yield COMMENT, piece.start(), 1
    elif piece["sign"] and found not in _PYTHONS and found != "°" and found.isprintable():
        yield f"'{found}' {NOT_PART}", piece.start(), len(found)


def _neighbours(
    before: re.Match[str], piece: re.Match[str], after: re.Match[str] | None
) -> Iterator[Mistake]:
    ends = after is None or after[0] in (*_JOINING, *_BRACKETS)
    unit = piece[0] == "°" or (ends and (_is_name(piece) or piece[0] == "%"))
    if before["number"] is not None and unit:
        duration = f"{short(before[0])} {short(piece[0])}"
        try:
            parse_duration(duration)
        except ValueError:
            more = after is not None and piece[0] == "°" and _is_name(after)
            written = piece[0] + (after[0] if after is not None and more else "")
            what = f"a number is in the unit of its figure; leave out '{short(written)}'"
            yield what, piece.start(), len(written)
        else:
            width = piece.end() - before.start()
            yield f'a duration is quoted: "{duration}"', before.start(), width
    called = before["word"] is not None and piece[0] == "("
    begins = piece[0] == "(" or piece["text"] or piece["number"] or _is_name(piece)
    if _ends_operand(before) and begins and not called:
        what = f"something is missing between '{short(before[0])}' and '{short(piece[0])}'"
        yield what, piece.start(), len(piece[0])


def _is_name(piece: re.Match[str]) -> bool:
    return piece["word"] is not None and piece[0] not in (*_JOINING, "not")


def _ends_operand(piece: re.Match[str]) -> bool:
    return bool(piece["text"] or piece["number"] or _is_name(piece) or piece[0] in _BRACKETS)
