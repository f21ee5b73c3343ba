"""Conditions at random: well-formed ones of the language's own grammar, and hostile ones.

Both are built as syntax trees and written out by `ast.unparse`, with no bracket more than needed,
so that precedence is tried as well.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Sequence
from random import Random

from hypothesis import strategies as st

from tests.language.vocabulary import FIGURES
from watchd.figures import Kind, Value

Node = st.SearchStrategy[ast.expr]
LIMIT_DEPTH = 4
QUALITIES = ["good", "bad", "stale"]
EVENTS = ["OVER_VOLT", "UNDER_VOLT", "OTHER"]
UNITS = ["v", "mv", "a", "ah", "pct", ""]
ORDER: list[Callable[[], ast.cmpop]] = [ast.Gt, ast.GtE, ast.Lt, ast.LtE]
SAME: list[Callable[[], ast.cmpop]] = [ast.Eq, ast.NotEq]
AMONG: list[Callable[[], ast.cmpop]] = [ast.In, ast.NotIn]
# Hard on arithmetic, and values that meet the limits of the conditions exactly.
CORNERS = [0.0, -0.0, 1.0, -1.0, 3.5, 16, 40.0, 1e-300, 1e200, -1e200, 1.7e308]


def _name(name: str) -> ast.expr:
    return ast.Name(name, ast.Load())


def _constant(value: object) -> ast.expr:
    return ast.Constant(value)  # type: ignore[arg-type]  # any literal will do


def _names(kind: Kind, unit: str) -> list[str]:
    return [f.name for f in FIGURES.values() if f.kind is kind and f.unit == unit]


class Author:
    """Writes conditions of the language's own grammar, and figures for them, at random."""

    def __init__(self, rng: Random) -> None:
        self._rng = rng

    def figures(self, corners: Sequence[float] = CORNERS) -> dict[str, Value]:
        """A value, or unknown, for each name."""
        return {name: self._value(figure.kind, corners) for name, figure in FIGURES.items()}

    def _value(self, kind: Kind, corners: Sequence[float]) -> Value:
        rng = self._rng
        if rng.random() < 0.15:
            return None
        match kind:
            case Kind.YES_NO:
                return rng.random() < 0.5
            case Kind.TEXT:
                return rng.choice(QUALITIES)
            case Kind.WORDS:
                return tuple(rng.choice(EVENTS) for _ in range(rng.randint(0, 2)))
        choice = rng.randint(0, 2)
        if choice == 0:
            return rng.choice(corners)
        return rng.randint(-20, 20) if choice == 1 else rng.uniform(-100, 100)

    def amount(self, unit: str | None = None, depth: int = 0) -> ast.expr:
        """A number in `unit`."""
        rng = self._rng
        unit = unit if unit is not None else rng.choice(UNITS)
        choice = rng.randint(0, 9 if depth < LIMIT_DEPTH else 3)
        if choice <= 2:
            return _name(rng.choice(_names(Kind.NUMBER, unit)))
        if choice == 3:
            return self._literal()
        if choice == 4:
            sign = rng.choice([ast.USub, ast.UAdd])()
            return ast.UnaryOp(sign, self.amount(unit, depth + 1))
        if choice <= 6:
            plus = rng.choice([ast.Add, ast.Sub])()
            return ast.BinOp(self.amount(unit, depth + 1), plus, self.amount(unit, depth + 1))
        if choice <= 8:
            times = rng.choice([ast.Mult, ast.Div])()
            return ast.BinOp(self.amount(None, depth + 1), times, self.amount(None, depth + 1))
        one, other = self.amount(unit, depth + 1), self.amount(unit, depth + 1)
        return ast.IfExp(self.condition(depth + 1), one, other)

    def condition(self, depth: int = 0) -> ast.expr:
        """A yes/no."""
        rng = self._rng
        choice = rng.randint(0, 10 if depth < LIMIT_DEPTH else 2)
        if choice == 0:
            return _name(rng.choice(_names(Kind.YES_NO, "")))
        if choice == 1:
            return _constant(rng.random() < 0.5)
        if choice == 2:
            return self._words()
        if choice <= 5:
            unit = rng.choice(UNITS)
            sides = [self.amount(unit, depth + 1) for _ in range(rng.randint(2, 4))]
            return self._comparison(sides, [*ORDER, *SAME])
        if choice <= 8:
            word = rng.choice([ast.And, ast.Or])()
            return ast.BoolOp(word, [self.condition(depth + 1) for _ in range(rng.randint(2, 4))])
        if choice == 9:
            return ast.UnaryOp(ast.Not(), self.condition(depth + 1))
        one, two = self.condition(depth + 1), self.condition(depth + 1)
        if rng.random() < 0.5:
            return ast.IfExp(self.condition(depth + 1), one, two)
        return self._comparison([one, two], SAME)

    def limits(self, depth: int = 0) -> ast.expr:
        """A yes/no made of limits on plain figures, as those are that take a deadband."""
        rng = self._rng
        choice = rng.randint(0, 6 if depth < LIMIT_DEPTH else 2)
        if choice <= 2:
            figure = _name(rng.choice(["cell_spread_mv", "cell_max_v", "current_a"]))
            sides = [self._literal(), figure, self._literal()]
            first = rng.randint(0, 1)
            return self._comparison(sides[first : first + rng.randint(2, 3 - first)], ORDER)
        if choice <= 4:
            word = rng.choice([ast.And, ast.Or])()
            return ast.BoolOp(word, [self.limits(depth + 1) for _ in range(rng.randint(2, 3))])
        if choice == 5:
            return ast.UnaryOp(ast.Not(), self.limits(depth + 1))
        one, other = self.limits(depth + 1), self.limits(depth + 1)
        test = _name("charge_allowed") if rng.random() < 0.5 else self.limits(depth + 1)
        return ast.IfExp(test, one, other)

    def _literal(self) -> ast.expr:
        rng = self._rng
        return _constant(rng.choice([rng.randint(0, 50), round(rng.uniform(0, 50), 2), 1e12, 1e-9]))

    def _comparison(
        self, sides: list[ast.expr], signs: Sequence[Callable[[], ast.cmpop]]
    ) -> ast.expr:
        chosen = [self._rng.choice(signs)() for _ in sides[1:]]
        return ast.Compare(sides[0], chosen, sides[1:])

    def _words(self) -> ast.expr:
        rng = self._rng
        quality = _name("telemetry_quality")
        choice = rng.randint(0, 2)
        if choice == 0:
            return self._comparison([quality, _constant(rng.choice(QUALITIES))], SAME)
        if choice == 1:
            words = [_constant(rng.choice(QUALITIES)) for _ in range(rng.randint(0, 3))]
            brackets = rng.choice([ast.Tuple, ast.List])
            return self._comparison([quality, brackets(words, ast.Load())], AMONG)
        return self._comparison([_constant(rng.choice(EVENTS)), _name("protection")], AMONG)


authors = st.randoms(use_true_random=False).map(Author)


def written(tree: ast.expr) -> str:
    """The condition as a person would write it."""
    return ast.unparse(ast.fix_missing_locations(tree))


# --- hostile ---

OUTSIDE = [
    "__import__", "eval", "exec", "open", "print", "globals", "getattr", "os", "sys", "f", "w",
    "and_", "in_", "add", "__builtins__", "__class__", "self", "None_", "lambda_", "mean", "count",
]  # fmt: skip
_ANY_NAME = st.sampled_from([*FIGURES, *OUTSIDE]).map(_name)
_ANY_CONSTANT = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=5),
    st.binary(max_size=3),
    st.just(...),
    st.complex_numbers(),
    st.just(10**40),
    st.sampled_from(["5 min", "1 h", "24 h", "good", "stale"]),
).map(_constant)
_ANY_BINARY: list[Callable[[], ast.operator]] = [
    ast.Add, ast.Sub, ast.Mult, ast.Div, ast.Mod, ast.Pow, ast.FloorDiv, ast.MatMult,
    ast.LShift, ast.RShift, ast.BitAnd, ast.BitOr, ast.BitXor,
]  # fmt: skip
_ANY_UNARY: list[Callable[[], ast.unaryop]] = [ast.Not, ast.USub, ast.UAdd, ast.Invert]
_ANY_COMPARISON: list[Callable[[], ast.cmpop]] = [
    ast.Gt, ast.GtE, ast.Lt, ast.LtE, ast.Eq, ast.NotEq, ast.Is, ast.IsNot, ast.In, ast.NotIn,
]  # fmt: skip


def _comprehension(of: ast.expr) -> ast.comprehension:
    return ast.comprehension(ast.Name("x", ast.Store()), of, [], 0)


def _no_arguments(body: ast.expr) -> ast.expr:
    nothing = ast.arguments([], [], None, [], [], None, [])
    return ast.Lambda(nothing, body)


def _around(inner: Node) -> Node:
    some = st.lists(inner, max_size=3)
    two = st.tuples(inner, inner)
    attribute = st.sampled_from(["real", "__class__", "__globals__", "f_back"])
    return st.one_of(
        st.builds(ast.BinOp, inner, st.sampled_from(_ANY_BINARY).map(lambda op: op()), inner),
        st.builds(ast.UnaryOp, st.sampled_from(_ANY_UNARY).map(lambda op: op()), inner),
        st.builds(
            ast.BoolOp,
            st.sampled_from([ast.And(), ast.Or()]),
            st.lists(inner, min_size=2, max_size=3),
        ),
        st.tuples(inner, st.sampled_from(_ANY_COMPARISON), inner).map(
            lambda t: ast.Compare(t[0], [t[1]()], [t[2]])
        ),
        st.builds(ast.IfExp, inner, inner, inner),
        st.builds(ast.Call, inner, some, st.just([])),
        st.tuples(_ANY_NAME, inner, _ANY_CONSTANT).map(lambda t: ast.Call(t[0], [*t[1:]], [])),
        st.tuples(inner, inner).map(lambda t: ast.Call(t[0], [], [ast.keyword("key", t[1])])),
        st.tuples(inner, attribute).map(lambda t: ast.Attribute(t[0], t[1], ast.Load())),
        two.map(lambda t: ast.Subscript(t[0], t[1], ast.Load())),
        two.map(lambda t: ast.Subscript(t[0], ast.Slice(t[1], None, None), ast.Load())),
        some.map(lambda n: ast.List(n, ast.Load())),
        some.map(lambda n: ast.Tuple(n, ast.Load())),
        st.lists(inner, min_size=1, max_size=3).map(ast.Set),
        two.map(lambda t: ast.Dict([t[0]], [t[1]])),
        two.map(lambda t: ast.ListComp(t[0], [_comprehension(t[1])])),
        two.map(lambda t: ast.SetComp(t[0], [_comprehension(t[1])])),
        two.map(lambda t: ast.GeneratorExp(t[0], [_comprehension(t[1])])),
        inner.map(_no_arguments),
        inner.map(lambda n: ast.NamedExpr(ast.Name("x", ast.Store()), n)),
        inner.map(ast.Await),
        inner.map(ast.Yield),
        inner.map(lambda n: ast.Starred(n, ast.Load())),
        _ANY_NAME.map(lambda n: ast.JoinedStr([ast.FormattedValue(n, -1, None)])),
    )


anything: Node = st.recursive(st.one_of(_ANY_NAME, _ANY_CONSTANT), _around, max_leaves=8)
# Words of the language and of Python in any order parse more often than any characters would.
pieces = st.lists(
    st.sampled_from(
        [
            *FIGURES, *OUTSIDE, "and", "or", "not", "in", "if", "else", "is", "lambda", "for",
            "<", "<=", ">", ">=", "==", "!=", "=", ":=", "+", "-", "*", "/", "**", "//", "%", "&",
            "(", ")", "[", "]", "{", "}", ",", ".", ":", ";", "#", "\\", "\n", "\t", "\0", "'", '"',
            "'5 min'", '"1 h"', "'", "f'{x}'", "0", "1.5", "1e999", "0x", "1_", "9" * 30, "True",
            "None", "...", "é", "°", "≥", "“", "🔋", "\u2028", "\ud800", "\ufb01", "\u0661",
        ]
    ),
    max_size=14,
)  # fmt: skip
hostile_texts = st.one_of(
    st.text(max_size=30),
    st.text("()[]{}'\"#\\\n ,:.0aé-", max_size=30),
    st.tuples(pieces, st.sampled_from(["", " "])).map(lambda t: t[1].join(t[0])),
)
