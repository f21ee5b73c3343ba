"""Python code of a checked part of a condition, with its three values written out.

A figure is in a variable `v_NAME`, the value of a window in `w_NUMBER`, and what was computed on
the way in `t_NUMBER`. All of it is built from parts that the compiler has checked.

`true` and `false` are plain yes or no: whether the part is known to be true, and whether it is
known to be false. They are Kleene's logic taken apart: a whole `x and y` is true where both are,
and false where either is; so no third value has to be carried through `and`, `or` and `not`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

# Of the floats of 64 bits (IEEE 754, binary64).
_LARGEST = "1.7976931348623157e+308"


@dataclass(frozen=True, slots=True)
class Code:
    """The code of a part. `three` is an expression that gives its value, or None for unknown.

    Where all of `guards` hold, in their order, its value is known and is `value`: a variable, a
    number, or for a comparison an expression. `true` and `false` are of a yes/no alone.
    """

    guards: tuple[str, ...]
    value: str
    three: str
    true: str = ""
    false: str = ""


class Temporaries:
    """Gives each result on the way a variable of its own."""

    def __init__(self) -> None:
        self._count = 0

    def new(self) -> str:
        """A name that was not given before."""
        self._count += 1
        return f"t_{self._count}"

    # --- numbers ---

    def arithmetic(self, sign: str, left: Code, right: Code) -> Code:
        """`left sign right`; unknown where it is not finite, and for a division by zero."""
        result = self.new()
        guards = [*left.guards, *right.guards]
        if sign == "/":
            guards.append(f"{right.value} != 0")
        # What is no number at all (NaN) is not between them either.
        reckoned = f"({result} := {left.value} {sign} {right.value})"
        guards.append(f"-{_LARGEST} <= {reckoned} <= {_LARGEST}")
        return _of(guards, result)

    def chosen(self, test: Code, yes: Code, no: Code) -> Code:
        """`yes if test else no`, of any kind; unknown where the test is."""
        tested, result = self.new(), self.new()
        known = self._known(tested, test)

        def either(one: str, other: str, unknown: str) -> str:
            return f"(({one} if {tested} else {other}) if {known} else {unknown})"

        three = either(yes.three, no.three, "None")
        guards = (f"({result} := {three}) is not None",)
        if not yes.true:
            return Code(guards, result, three)
        true, false = either(yes.true, no.true, "False"), either(yes.false, no.false, "False")
        return Code(guards, result, three, true, false)

    # --- yes and no ---

    def negation(self, inner: Code) -> Code:
        """`not inner`."""
        result = self.new()
        guards = (self._known(result, inner),)
        three = f"(not {result} if {guards[0]} else None)"
        return Code(guards, f"(not {result})", three, inner.false, inner.true)

    def all_of(self, parts: Sequence[Code]) -> Code:
        """`x and y`, of two parts or more."""
        names = [self.new() for _ in parts]
        pairs = list(zip(names, parts, strict=True))
        false = " or ".join(f"({n} := {p.three}) is False" for n, p in pairs)
        unknown = " or ".join(f"{n} is None" for n in names)
        return self._whole(
            f"(False if {false} else None if {unknown} else True)",
            " and ".join(part.true for part in parts),
            f"({' or '.join(part.false for part in parts)})",
        )

    def any_of(self, parts: Sequence[Code]) -> Code:
        """`x or y`, of two parts or more."""
        names = [self.new() for _ in parts]
        pairs = list(zip(names, parts, strict=True))
        true = " or ".join(f"({n} := {p.three}) is True" for n, p in pairs)
        unknown = " or ".join(f"{n} is None" for n in names)
        return self._whole(
            f"(True if {true} else None if {unknown} else False)",
            f"({' or '.join(part.true for part in parts)})",
            " and ".join(part.false for part in parts),
        )

    def _whole(self, three: str, true: str, false: str) -> Code:
        result = self.new()
        return Code((f"({result} := {three}) is not None",), result, three, true, false)

    @staticmethod
    def _known(name: str, part: Code) -> str:
        return f"({name} := {part.three}) is not None"


def constant(value: float | bool | str) -> Code:
    """A number, a word, or True or False."""
    if isinstance(value, bool):
        return Code((), repr(value), repr(value), repr(value), repr(not value))
    return Code((), repr(value), repr(value))


def variable(name: str, *, yes_no: bool) -> Code:
    """What is in a variable; unknown where it is None."""
    true, false = (f"{name} is True", f"{name} is False") if yes_no else ("", "")
    return Code((f"{name} is not None",), name, name, true, false)


def negative(inner: Code) -> Code:
    """`-inner`."""
    return _of(inner.guards, f"-{inner.value}")


def comparison(sign: str, left: Code, right: Code) -> Code:
    """`left sign right`, also `in` and `not in`."""
    guards = tuple(dict.fromkeys((*left.guards, *right.guards)))
    compared = f"{left.value} {sign} {right.value}"
    true = " and ".join((*guards, compared))
    false = " and ".join((*guards, f"not {compared}"))
    return Code(guards, f"({compared})", _three(guards, compared), true, false)


def words(parts: Iterable[Code]) -> Code:
    """A list of quoted words."""
    return _of((), f"({''.join(f'{part.value}, ' for part in parts)})")


def _of(guards: Iterable[str], value: str) -> Code:
    unique = tuple(dict.fromkeys(guards))
    return Code(unique, value, _three(unique, value))


def _three(guards: tuple[str, ...], value: str) -> str:
    return f"({value} if {' and '.join(guards)} else None)" if guards else value


# --- code to functions ---


def figure(name: str) -> str:
    """The variable that a figure is in."""
    return f"v_{name}"


def window(index: int) -> str:
    """The variable that the value of a window is in."""
    return f"w_{index}"


def function(parameters: str, names: Iterable[str], lines: Iterable[str]) -> Callable[..., Any]:
    """A function of `lines`, with the figures of these names taken from `f`.

    The code is generated from checked parts only: there are no builtins to reach.
    """
    taken = (f"{figure(name)} = f[{name!r}]" for name in names)
    body = "\n".join(f"    {line}" for line in (*taken, *lines))
    code = compile(
        f"def made({parameters}):\n{body}\n", "<condition>", "exec", dont_inherit=True, optimize=2
    )
    scope: dict[str, Any] = {"__builtins__": {}}
    exec(code, scope)  # noqa: S102 - generated from checked parts only
    made: Callable[..., Any] = scope.pop("made")
    return made
