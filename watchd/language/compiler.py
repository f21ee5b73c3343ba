"""Checks a parsed condition against the allow-list, the names, kinds and units; gives its code."""

from __future__ import annotations

import ast
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NoReturn

from watchd.durations import SECONDS, parse_duration
from watchd.errors import nearest
from watchd.figures import Figure, Kind, Value, unit_sign
from watchd.language import code
from watchd.language.code import Code, Temporaries
from watchd.language.functions import FUNCTIONS, WindowCall
from watchd.language.syntax import NOT_PART, short

DEEPEST = 40
LARGEST_NUMBER = 1e12
# A person needs a few dozen; a page of `1<1<1` must not keep a small computer busy. The middle of a
# chained comparison is checked and written twice, so nested ones double each time.
MOST_PARTS = 500
MOST_WINDOWS = 20  # each keeps its past

_COMPARISONS: dict[type[ast.cmpop], str] = {
    ast.Gt: ">",
    ast.GtE: ">=",
    ast.Lt: "<",
    ast.LtE: "<=",
    ast.Eq: "==",
    ast.NotEq: "!=",
}
_ARITHMETIC: dict[type[ast.operator], str] = {
    ast.Add: "+",
    ast.Sub: "-",
    ast.Mult: "*",
    ast.Div: "/",
}
# A plain number fits any unit, and so does a product or quotient, whose unit is not followed.
ANY_UNIT = "*"
_WRITE = {
    "true": "True",
    "yes": "True",
    "false": "False",
    "no": "False",
}


class ExpressionError(Exception):
    """A condition that is not accepted: what is wrong, and where in the text (0-based).

    `name` is the name that is not known, where that is what is wrong.
    """

    def __init__(self, what: str, start: int, width: int, name: str | None = None) -> None:
        super().__init__(what)
        self.what, self.start, self.width, self.name = what, start, max(1, width), name


@dataclass(frozen=True, slots=True)
class Typed:
    """What the checker knows of a part: its kind, unit, and the code that computes it."""

    kind: Kind
    unit: str
    code: Code
    literal: Value = None


class Compiler:
    """Walks a parsed condition once; collects its names and windows, and the code to compile."""

    def __init__(
        self, text: str, lead: int, figures: Mapping[str, Figure], deadband: dict[str, float]
    ) -> None:
        self.text, self.lead, self.figures, self.deadband = text, lead, figures, deadband
        self.deadband_left = set(deadband)
        self.names: dict[str, None] = {}
        self.outside: dict[str, None] = {}  # of windows
        self.made = Temporaries()
        self.calls: list[WindowCall] = []
        self.parts_left = MOST_PARTS

    def refuse(self, node: ast.expr, what: str, name: str | None = None) -> NoReturn:
        # Python counts bytes of UTF-8 from where the parsed text began; people count characters.
        parsed = self.text[self.lead :].encode()
        start = self.lead + len(parsed[: node.col_offset].decode())
        end = self.lead + len(parsed[: node.end_col_offset].decode())
        raise ExpressionError(what, start, end - start, name)

    def part(self, node: ast.expr, depth: int, *, positive: bool | None) -> Typed:
        """Check and translate one node.

        `positive` is false below an odd number of `not`, and None where more of a part may mean
        more or less of the whole: there a deadband has no direction.
        """
        self.parts_left -= 1
        if self.parts_left < 0:
            self.refuse(node, "the condition has too many parts")
        if depth > DEEPEST:
            self.refuse(node, f"nested deeper than {DEEPEST} levels")
        match node:
            case ast.Constant():
                typed = self._constant(node)
            case ast.Name():
                typed = self._name(node)
            case ast.UnaryOp():
                typed = self._unary(node, depth + 1, positive=positive)
            case ast.BinOp():
                typed = self._arithmetic(node, depth + 1, positive=positive)
            case ast.BoolOp():
                typed = self._logic(node, depth + 1, positive=positive)
            case ast.Compare():
                typed = self._compare(node, depth + 1, positive=positive)
            case ast.IfExp():
                typed = self._conditional(node, depth + 1, positive=positive)
            case ast.Call():
                typed = self._call(node, depth + 1)
            case _:
                self.refuse(node, f"{_describe(node)} {NOT_PART}")
        return typed

    def _unary(self, node: ast.UnaryOp, depth: int, *, positive: bool | None) -> Typed:
        if isinstance(node.op, ast.Not):
            turned = None if positive is None else not positive
            inner = self._of_kind(node.operand, Kind.YES_NO, depth, positive=turned)
            return Typed(Kind.YES_NO, "", self.made.negation(inner.code))
        if not isinstance(node.op, ast.USub | ast.UAdd):
            self.refuse(node, f"this operator {NOT_PART}")
        inner = self._of_kind(node.operand, Kind.NUMBER, depth, positive=positive)
        if isinstance(node.op, ast.UAdd):
            return inner
        literal = -inner.literal if isinstance(inner.literal, float) else None
        return Typed(Kind.NUMBER, inner.unit, code.negative(inner.code), literal)

    def _logic(self, node: ast.BoolOp, depth: int, *, positive: bool | None) -> Typed:
        parts = [self._of_kind(v, Kind.YES_NO, depth, positive=positive).code for v in node.values]
        joined = self.made.all_of if isinstance(node.op, ast.And) else self.made.any_of
        return Typed(Kind.YES_NO, "", joined(parts))

    def _of_kind(self, node: ast.expr, kind: Kind, depth: int, *, positive: bool | None) -> Typed:
        typed = self.part(node, depth, positive=positive)
        if typed.kind is not kind:
            self.refuse(node, f"this is a {typed.kind}, but a {kind} is needed here")
        return typed

    def _constant(self, node: ast.Constant) -> Typed:
        value = node.value
        if isinstance(value, bool):
            return Typed(Kind.YES_NO, "", code.constant(value), value)
        if isinstance(value, int | float):
            if not abs(value) <= LARGEST_NUMBER:
                self.refuse(node, f"a number larger than {LARGEST_NUMBER:g}")
            return Typed(Kind.NUMBER, ANY_UNIT, code.constant(float(value)), float(value))
        if not isinstance(value, str):
            self.refuse(node, f"{_describe(node)} {NOT_PART}")
        return Typed(Kind.TEXT, "", code.constant(value), value)

    def _name(self, node: ast.Name) -> Typed:
        figure = self.figures.get(node.id)
        if figure is None:
            if node.id in FUNCTIONS:
                self.refuse(node, f"'{node.id}' is a function; write {FUNCTIONS[node.id].form}")
            if node.id in _WRITE:
                self.refuse(node, f"write {_WRITE[node.id]} instead of {node.id}")
            if any(node.id in known.words for known in self.figures.values()):
                self.refuse(node, f"a word is quoted: '{node.id}'")
            hint = nearest(node.id, list(self.figures), many="`watchd fields` lists the names")
            self.refuse(node, f"unknown name '{short(node.id)}'; {hint}", node.id)
        self.names[node.id] = self.outside[node.id] = None
        value = code.variable(code.figure(node.id), yes_no=figure.kind is Kind.YES_NO)
        return Typed(figure.kind, figure.unit, value)

    def _arithmetic(self, node: ast.BinOp, depth: int, *, positive: bool | None) -> Typed:
        operation = _ARITHMETIC.get(type(node.op))
        if operation is None:
            word = {ast.BitAnd: "and", ast.BitOr: "or"}.get(type(node.op))
            what = f"write {word} between conditions" if word else _ONLY_ARITHMETIC
            self.refuse(node, what)
        left = self._of_kind(node.left, Kind.NUMBER, depth, positive=positive)
        right = self._of_kind(node.right, Kind.NUMBER, depth, positive=positive)
        value = self.made.arithmetic(operation, left.code, right.code)
        if operation in ("+", "-"):
            return Typed(Kind.NUMBER, self._same_unit(node, left, right), value)
        # A plain number times a figure may be a fraction of it or convert it (0.2 * nameplate_ah
        # is a current at 0.2 C): the result fits any unit.
        return Typed(Kind.NUMBER, ANY_UNIT, value)

    def _same_unit(self, node: ast.expr, left: Typed, right: Typed) -> str:
        units = {t.unit for t in (left, right)} - {ANY_UNIT}
        if len(units) > 1:
            one, other = (unit_sign(t.unit) or "no unit" for t in (left, right))
            self.refuse(node, f"{one} on one side and {other} on the other do not go together")
        return units.pop() if units else ANY_UNIT

    def _conditional(self, node: ast.IfExp, depth: int, *, positive: bool | None) -> Typed:
        test = self._of_kind(node.test, Kind.YES_NO, depth, positive=None)
        yes = self.part(node.body, depth, positive=positive)
        no = self._of_kind(node.orelse, yes.kind, depth, positive=positive)
        unit = self._same_unit(node, yes, no) if yes.kind is Kind.NUMBER else ""
        return Typed(yes.kind, unit, self.made.chosen(test.code, yes.code, no.code))

    def _compare(self, node: ast.Compare, depth: int, *, positive: bool | None) -> Typed:
        codes = []
        left = node.left
        for op, right in zip(node.ops, node.comparators, strict=True):
            codes.append(self._pair(node, left, op, right, depth, positive=positive))
            left = right
        whole = codes[0] if len(codes) == 1 else self.made.all_of(codes)
        return Typed(Kind.YES_NO, "", whole)

    def _pair(
        self,
        node: ast.Compare,
        left: ast.expr,
        op: ast.cmpop,
        right: ast.expr,
        depth: int,
        *,
        positive: bool | None,
    ) -> Code:
        if isinstance(op, ast.In | ast.NotIn):
            return self._membership(left, op, right, depth, positive=positive)
        operation = _COMPARISONS.get(type(op))
        if operation is None:
            self.refuse(node, "compare with < <= > >= == != or in")
        one = self.part(left, depth, positive=None)
        other = self.part(right, depth, positive=None)
        one, other = self._as_duration(left, one, other), self._as_duration(right, other, one)
        if one.kind is not other.kind:
            self.refuse(node, f"a {one.kind} cannot be compared with a {other.kind}")
        if one.kind is Kind.NUMBER:
            self._same_unit(node, one, other)
        elif operation not in ("==", "!="):
            self.refuse(node, f"a {one.kind} can only be compared with == and !=")
        elif one.kind is Kind.TEXT:
            self._known_word(left, one, other, right)
        a = self._shifted(left, one.code, operation, positive=positive, on_left=True)
        b = self._shifted(right, other.code, operation, positive=positive, on_left=False)
        return code.comparison(operation, a, b)

    def _as_duration(self, node: ast.expr, this: Typed, other: Typed) -> Typed:
        # A quoted duration is read in the unit of the other side.
        if isinstance(this.literal, str) and other.unit in SECONDS:
            try:
                seconds = parse_duration(short(this.literal))
            except ValueError as error:
                self.refuse(node, str(error))
            value = seconds / SECONDS[other.unit]
            return Typed(Kind.NUMBER, other.unit, code.constant(value), value)
        return this

    def _known_word(self, left: ast.expr, one: Typed, other: Typed, right: ast.expr) -> None:
        for name, typed, place in ((left, other, right), (right, one, left)):
            if isinstance(name, ast.Name) and isinstance(typed.literal, str):
                words = self.figures[name.id].words
                if words and typed.literal not in words:
                    hint = nearest(typed.literal, words)
                    self.refuse(place, f"'{name.id}' is never '{short(typed.literal)}'; {hint}")

    def _shifted(
        self, node: ast.expr, value: Code, operation: str, *, positive: bool | None, on_left: bool
    ) -> Code:
        if not isinstance(node, ast.Name) or node.id not in self.deadband:
            return value
        if positive is None:
            self.refuse(node, f"the deadband of '{node.id}' has no direction here; give until")
        if operation not in ("<", "<=", ">", ">="):
            self.refuse(node, f"the deadband of '{node.id}' needs a limit: < <= > or >=")
        self.deadband_left.discard(node.id)
        above = (operation in (">", ">=")) == on_left
        amount = self.deadband[node.id]
        slack = code.constant(amount if above == positive else -amount)
        return self.made.arithmetic("+", value, slack)

    def _membership(
        self, left: ast.expr, op: ast.cmpop, right: ast.expr, depth: int, *, positive: bool | None
    ) -> Code:
        item = self._of_kind(left, Kind.TEXT, depth, positive=positive)
        word = "in" if isinstance(op, ast.In) else "not in"
        if isinstance(right, ast.Tuple | ast.List | ast.Set):
            codes = []
            for element in right.elts:
                typed = self.part(element, depth, positive=positive)
                if not isinstance(typed.literal, str):
                    self.refuse(element, "a list after 'in' holds quoted words")
                self._known_word(left, item, typed, element)
                codes.append(typed.code)
            return code.comparison(word, item.code, code.words(codes))
        words = self._of_kind(right, Kind.WORDS, depth, positive=positive)
        self._known_word(left, item, words, right)
        return code.comparison(word, item.code, words.code)

    def _call(self, node: ast.Call, depth: int) -> Typed:
        if not isinstance(node.func, ast.Name):
            self.refuse(node, "only the functions of the language can be called")
        function = FUNCTIONS.get(node.func.id)
        if function is None:
            hint = nearest(node.func.id, list(FUNCTIONS))
            self.refuse(node.func, f"unknown function '{short(node.func.id)}'; {hint}")
        if node.keywords or len(node.args) != 2:
            self.refuse(node, f"'{node.func.id}' takes two things: {function.form}")
        span = node.args[1]
        if not (isinstance(span, ast.Constant) and isinstance(span.value, str)):
            self.refuse(span, f"the window is a quoted duration: {function.form}")
        try:
            span_s = parse_duration(short(span.value))
        except ValueError as error:
            self.refuse(span, str(error))
        if span_s < 1:
            self.refuse(span, "a window is at least 1 s long")
        # The inside of a window never takes the deadband: that belongs to the limit outside.
        inner = Compiler(self.text, self.lead, self.figures, {})
        inner.parts_left = self.parts_left
        typed = inner.part(node.args[0], depth, positive=True)
        self.parts_left = inner.parts_left
        if inner.calls:
            self.refuse(node.args[0], "a window inside a window is not supported")
        if function.takes is not None and typed.kind is not function.takes:
            self.refuse(
                node.args[0],
                f"'{node.func.id}' is taken of a {function.takes}, but this is a {typed.kind}",
            )
        self.names.update(inner.names)
        evaluate = code.function("f", inner.outside, [f"return {typed.code.three}"])
        text = ast.unparse(node)
        same = [i for i, known in enumerate(self.calls) if known.text == text]
        index = same[0] if same else len(self.calls)
        if not same:
            if index == MOST_WINDOWS:
                self.refuse(node, f"more than {MOST_WINDOWS} functions in one condition")
            self.calls.append(WindowCall(text, node.func.id, span_s, evaluate))
        unit = function.unit if function.unit is not None else typed.unit
        value = code.variable(code.window(index), yes_no=function.gives is Kind.YES_NO)
        return Typed(function.gives, unit, value)


_ONLY_ARITHMETIC = "of arithmetic there is only + - * and /"


def _describe(node: ast.AST) -> str:
    known = {
        ast.Attribute: "an attribute (a dot)",
        ast.Subscript: "an index in brackets",
        ast.Lambda: "a lambda",
        ast.ListComp: "a comprehension",
        ast.SetComp: "a comprehension",
        ast.DictComp: "a comprehension",
        ast.GeneratorExp: "a comprehension",
        ast.JoinedStr: "an f-string",
        ast.NamedExpr: "an assignment",
        ast.Await: "await",
        ast.Tuple: "a comma outside 'in' (decimals have a point)",
        ast.List: "a list outside 'in'",
        ast.Set: "a list outside 'in'",
        ast.Dict: "a mapping",
        ast.Starred: "a star",
    }
    return known.get(type(node), "this")
