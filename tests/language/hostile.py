"""Conditions of people who mean harm, and of those who paste what they do not know: at random.

Fast enough for a hundred thousand; `conditions.py` has slower ones that shrink to what is wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from tests.language.conditions import OUTSIDE, Author, written
from tests.language.vocabulary import FIGURES
from watchd.language.expression import LONGEST_TEXT


def _words(text: str) -> list[str]:
    return text.split()


NAMES = [*FIGURES, *OUTSIDE]
DUNDERS = _words("""
    __class__ __bases__ __subclasses__ __globals__ __builtins__ __code__ __init__ __reduce_ex__
    __dict__ __getattribute__ gi_frame f_back mro
""")
# Full-width letters and ligatures become plain ones in Python's eyes; others are not seen at all.
TRICKS = [
    "\uff45val", "e\u200bval", "\u202ecurrent_a", "curre\u00adnt_a", "\ufb01", "\u00aa", "\u0663",
    "\u0441urrent_a", "\ufe33\ufe33class\ufe33\ufe33", "\U0001d41e\U0001d42f\U0001d41a\U0001d425",
    "\0", "\ud83d", "\ufeff", "\u2028", "\x0c", "\x1b[2J", "\u00b2", "\u00bd", "e\u0301",
    "\uff43urrent_a", "cell_max\uff3fv",
]  # fmt: skip
POWERS = _words("""
    9**9**9 9**9**9**9 2**-9**9 10**10**10 1<<9999999999 (-8)**0.5 9**9**9%7 'a'*10**10 [0]*10**10
    'a'*9999999999 (1,)*10**9 1e999 1e308*10 0xffffffff 1_000_000**1_000_000 9e9**9e9 1j**1j 10**40
    --1**9**9 ~9**9**9
""")
WORDS = _words("""
    and or not in is if else for lambda await yield async import True None ... < <= == != > = := +
    - * / // % ** @ & | ^ ~ << >> -> . , : ; ( ) [ ] { } ' " \'\'\' # \\ $ ` ? ! 0 1.5 f'{x}' rb\'\'
    0x 1_ °
""")
PIECES = [*NAMES, *DUNDERS, *TRICKS, *POWERS, *WORDS, "'5 min'", '"1 h"', "\n", "\t"]
# What can stand around something: again and again, it is nested.
AROUND = _words("""
    (|) [|] {|} not_| -| -_| +| ~| f(|) mean(|,_'1_h') lambda:_| [*|] 1_if_|_else_2 1+(|)
    (current_a_if_True_else_|) True_and_(|) True_or_not_(|) (current_a<|) 'a'_in_(|) f'{|}'
    await_| {1:_|} (x:=|) (current_a>1)==(|) (True_if_|_else_False) not(|) 0<-(|)
""")
BETWEEN = _words("""
    < _<_ == + - * / ** % _and_ _or_ _in_ _is_ . () [0] , if _if_1_else_ _not_in_ // @ | != ; : = _
""")
HOLES = _words("""
    @ '@'_==_'a' @_>_1 trip_events_==_'@' mean(@,_'1_h')_>_1 mean(current_a,_'@')_>_1 current_a_>_@
    @(current_a) 1e@_>_1 current_a_*_(@)_>_1 -(@)_<_0 @_+_@_>_1 (@)_if_True_else_1
""")
_OF_NUMBERS = ["mean", "highest", "lowest", "slope"]
_OF_CONDITIONS = ["count", "elapsed", "since", "changed"]


class Vandal:
    """Writes hostile texts at random."""

    def __init__(self, rng: Random) -> None:
        self._rng = rng
        self._author = Author(rng)
        self._ways: list[Callable[[], str]] = [
            self._pieces, self._pieces, self._code, self._code, self._nested, self._chained,
            self._long, self._spliced, self._spliced, self._windows, self._doubling, self._power,
            self._condition, self._condition, self._condition, self._window,
        ]  # fmt: skip

    def text(self) -> str:
        """One of them."""
        text = self._rng.choice(self._ways)()
        # The longest that is looked at are the most that anyone can ask for.
        return text[:LONGEST_TEXT] if self._rng.random() < 0.9 else text

    def _name(self) -> str:
        return self._rng.choice(NAMES)

    def _condition(self) -> str:
        return written(self._author.condition())

    def _window(self) -> str:
        function, span = self._rng.choice(_OF_CONDITIONS), self._rng.choice(["1 s", "1 h", "30 d"])
        return f"{function}({self._condition()}, '{span}')"

    def _pieces(self) -> str:
        rng = self._rng
        count = rng.choice([3, 8, 20, 400])
        return rng.choice(["", " ", " "]).join(rng.choices(PIECES, k=rng.randint(1, count)))

    def _code(self) -> str:
        rng, one, other = self._rng, self._name(), self._name()
        dunder, inner = rng.choice(DUNDERS), self._condition()
        return rng.choice(
            [
                f"{one}.{dunder}",
                f"{one}.{dunder}.{rng.choice(DUNDERS)}({inner})",
                f"().{dunder}.{rng.choice(DUNDERS)}[0]",
                f"{one}({inner})",
                f"{one}({inner}, '1 h') > 1",
                f"{one}(*{other})",
                f"{one}(**{{'x': {inner}}})",
                f"__import__('os').system('{one}')",
                f"[{one} for {one} in {other}]",
                f"{{{one}: {inner} for x in {other}}}",
                f"sum({one} for _ in {other} if {inner})",
                f"(lambda {one}: {inner})({other})",
                f"(lambda f: f(f))(lambda f: f(f)) or {inner}",
                f"f'{{{one}.{dunder}}}' == '{other}'",
                f"f'{{{one}!r:>{{{other}}}}}'",
                f"'{{0.{dunder}}}'.format({one}) == ''",
                f"({one} := {inner})",
                f"{one}[{inner}]",
                f"{one}[{inner}:{other}]",
                f"{one} is {other}",
                f"await {one}",
                f"(yield {one})",
                f"*{one}, {other}",
                f"{one} = {inner}",
                f"import os; {inner}",
                f"{inner} if {one} else {other}.{dunder}",
                f"{inner} and {one}.{dunder}",
                f"mean({one}.{dunder}, '1 h') > {other}",
                f"mean({inner}, '{'9' * rng.randint(1, 400)} d') > 1",
            ]
        )

    def _nested(self) -> str:
        """Something inside of itself, as deep as it fits or somewhat deep."""
        rng = self._rng
        before, after = rng.choice(AROUND).replace("_", " ").split("|")
        before, after = (part.replace("current a", "current_a") for part in (before, after))
        most = LONGEST_TEXT // (len(before) + len(after)) - 1
        depth = rng.choice([rng.randint(1, 45), rng.randint(1, most), most])
        inner = rng.choice(["current_a", "charge_allowed", "1", "", self._name()])
        closed = depth if rng.random() < 0.8 else rng.randint(0, depth)
        return before * depth + inner + after * closed

    def _chained(self) -> str:
        rng = self._rng
        sign = rng.choice(BETWEEN).replace("_", " ")
        links = ["current_a", "charge_allowed", "1", "'a'", "x", "-1", "not 1", self._name()]
        link = rng.choice(links)
        most = LONGEST_TEXT // (len(sign) + len(link))
        return sign.join([link] * rng.choice([rng.randint(2, 30), most]))

    def _long(self) -> str:
        rng = self._rng
        count = rng.choice([100, 1000, LONGEST_TEXT, 3 * LONGEST_TEXT, 100_000])
        pieces = ["a", "9", "é", "\u0130", "_", "cell_max_v", " ", "\n", "'", "(", "#", "\\", "0."]
        return self._filled((rng.choice(pieces) * count)[:count])

    def _power(self) -> str:
        return self._filled(self._rng.choice(POWERS))

    def _filled(self, filler: str) -> str:
        hole = self._rng.choice(HOLES).replace("_", " ").replace("current a", "current_a")
        return hole.replace("trip events", "trip_events").replace("@", filler)

    def _spliced(self) -> str:
        """A condition as it should be, with something in it that should not."""
        rng = self._rng
        text = self._condition() if rng.random() < 0.7 else written(self._author.limits())
        at = rng.randint(0, len(text))
        return text[:at] + rng.choice(["", *PIECES]) + text[at + rng.choice([0, 0, 1, 5]) :]

    def _windows(self) -> str:
        rng = self._rng
        calls = []
        of = rng.choice(["current_a", "current_a>1"])
        functions = _OF_NUMBERS if of == "current_a" else _OF_CONDITIONS
        spans = rng.choice([["1 h"], ["1 s", "0 s", "9999 d", "0.5 s", "1e9 d", ""]])
        for number in range(rng.choice([1, 3, 20, 40, 90])):
            span = rng.choice([f"{number + 1} h", *spans])
            calls.append(f"{rng.choice(functions)}({of},'{span}')")
        return rng.choice(["+", " and ", "<", " or "]).join(calls)

    def _doubling(self) -> str:
        """The middle of a chain is written twice: inside of each other they double each time."""
        text = "current_a"
        for _ in range(self._rng.randint(1, 45)):
            chains = [
                f"(0<({text})<9)",
                f"(0<(1 if {text} else 2)<9)",
                f"(True==({text})==True)",
                f"(1<({text} if True else 1)<3)",
            ]
            text = self._rng.choice(chains)
        return text
