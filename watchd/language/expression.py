"""Text of a condition -> checked tree -> one compiled function.

The language is a small subset of Python's expressions. `ast` parses it; everything that is
not on the allow-list here is refused with its column, before anything could run. Names, kinds
and units are checked against the figures that the rule may use.

Three values: a part that rests on an unknown figure is unknown (None). `and`, `or` and `not`
follow Kleene's logic, so that `false and unknown` is false; a comparison or a sum with an
unknown is unknown. Division by zero and results that are not finite are unknown as well.
"""

from __future__ import annotations

import ast
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from watchd.figures import Figure, Kind, Value
from watchd.language.code import function, window
from watchd.language.compiler import ANY_UNIT, Compiler, ExpressionError
from watchd.language.functions import WindowCall
from watchd.language.syntax import COMMENT, NOT_PART, mistake_in

LONGEST_TEXT = 2000


@dataclass(frozen=True, slots=True)
class Expression:
    """A compiled condition or amount.

    `evaluate(figures, windows)` gives True, False, a number, a text, or None for unknown.
    `windows` holds the current value of each of `calls`, in their order. `value` is the code of
    the same, and `true` that of whether a condition is known to be true.
    """

    text: str
    kind: Kind
    unit: str
    names: tuple[str, ...]
    calls: tuple[WindowCall, ...]
    value: str = field(repr=False, compare=False)
    true: str = field(repr=False, compare=False)
    evaluate: Callable[[Mapping[str, Value], Sequence[Value]], Any] = field(
        repr=False, compare=False
    )


def compile_expression(
    text: str,
    figures: Mapping[str, Figure],
    *,
    want: Kind | None = Kind.YES_NO,
    deadband: Mapping[str, float] | None = None,
) -> Expression:
    """Compile `text` against the names in `figures`; `want` is the kind it must have.

    With `deadband`, each comparison of a named figure is moved by its amount toward "still
    true": the condition under which a raised alarm stays raised.

    Raises ExpressionError.
    """
    if len(text) > LONGEST_TEXT:
        raise ExpressionError(f"longer than {LONGEST_TEXT} characters", 0, 1)
    lead = len(text) - len(text.lstrip())
    tree = _parse(text, lead)
    compiler = Compiler(text, lead, figures, dict(deadband or {}))
    typed = compiler.part(tree.body, 0, positive=True)
    if want is not None and typed.kind is not want:
        compiler.refuse(tree.body, f"this is a {typed.kind}, but a {want} is needed here")
    if compiler.deadband_left:
        name = min(compiler.deadband_left)
        raise ExpressionError(
            f"the deadband names '{name}', but no limit is put on it in this condition", 0, 1
        )
    value, calls = typed.code.three, tuple(compiler.calls)
    windows = [f"{window(index)} = w[{index}]" for index in range(len(calls))]
    evaluate = function("f, w", compiler.outside, [*windows, f"return {value}"])
    names = tuple(compiler.names)
    return Expression(text, typed.kind, typed.unit, names, calls, value, typed.code.true, evaluate)


def _parse(text: str, lead: int) -> ast.Expression:
    # Several lines of a file are one condition, and columns go on counting.
    text = text.replace("\n", " ")
    line = text.strip()
    if "\\" in line:
        # It would put characters into a word, or into an error's text, that nobody sees.
        raise ExpressionError(f"'\\' {NOT_PART}", text.index("\\"), 1)
    try:
        with warnings.catch_warnings():
            # What Python would only warn of ('1if x else 2') is a slip of the pen as well.
            warnings.simplefilter("error", SyntaxWarning)
            warnings.simplefilter("error", DeprecationWarning)
            tree = ast.parse(line, mode="eval")
    except SyntaxError as error:
        raise ExpressionError(*mistake_in(text, lead + (error.offset or 1) - 1)) from None
    except (ValueError, MemoryError, RecursionError):
        raise ExpressionError(*mistake_in(text, lead)) from None
    # Python would take the rest of the condition, folded into the same line, for a comment.
    end = len(line.encode()[: tree.body.end_col_offset].decode())
    comment = line.find("#", end)
    if comment >= 0:
        raise ExpressionError(COMMENT, lead + comment, 1)
    return tree


__all__ = ["ANY_UNIT", "Expression", "ExpressionError", "compile_expression"]
