"""What strangers may send: good payloads changed at random, and nonsense by a grammar. Seeded."""

from __future__ import annotations

import json
from collections.abc import Callable
from random import Random
from typing import Any

# Invented, as whoever means harm invents it.
_NUMBERS = [
    "0", "-0", "1e999", "-1e999", "1e-400", "9" * 400, "9" * 5000, "-1", "1.5", "0x10", "01", "+1",
    "NaN", "Infinity", "-Infinity", "1e308", "2147483648", "18446744073709551616", "1_000", ".5",
]  # fmt: skip
_TEXTS = [
    "", " ", "on", "off", "true", "OVER_VOLT", "{pack.__class__}", "{0.__init__}", "%s%n",
    "\0", "\x1b[2J",
    "\u202e", "\ufeff", "\uffff", "a" * 300, "../../etc/passwd", "$(reboot)",
    "'; DROP TABLE state; --",
    "hut/+/#", "$SYS/x", "null", "1,5", "٣", "½", "💥", "2026-01-01T00:00:00Z",
    "0001-01-01T00:00:00+23:59",
    "9999-12-31T23:59:59-23:59", "noon",
]  # fmt: skip
_RAW = [
    b"", b"\0", b"\xff\xfe", b"\xed\xa0\x80", b"\xc0\x80", b"[" * 100_000, b'{"a":' * 20_000,
    b"{}", b"[]",
    b"null", b'"', b"\\", b"{", b'{"a":1}{"b":2}', b'{"a":1,"a":2}', b'{"\\ud800":1}',
    b'["\\udfff"]',
    b"\xef\xbb\xbf{}", b"//", b"1" * 70_000, b'"' + b"a" * 70_000 + b'"', b" " * 5000, b"<x/>",
]  # fmt: skip


class Stranger:
    """Makes payloads from good ones and from nothing."""

    def __init__(self, seed: int, good: list[Any]) -> None:
        self.rng = Random(seed)
        self._good = good

    def payload(self) -> bytes:
        """One payload."""
        ways: list[Callable[[], bytes]] = [
            self._changed, self._changed, self._cut, self._flipped, self._spliced, self._grammar,
            lambda: self.rng.choice(_RAW),
        ]  # fmt: skip
        return self.rng.choice(ways)()

    def text(self) -> str:
        """One text, such as a level of a topic."""
        pool = [*_TEXTS, *_NUMBERS, "alder", "birch", "elm", "1", "16", "17", "-1", "top"]
        text = self.rng.choice(pool)
        return text if self.rng.random() < 0.7 else text + self.rng.choice(pool)

    def value(self, depth: int = 0) -> Any:
        """A JSON value."""
        rng = self.rng
        kind = rng.randrange(8 if depth < 4 else 5)
        if kind == 0:
            return rng.choice([None, True, False])
        if kind == 1:
            return rng.choice([0, -1, 1, 3, 53, 3300, 10**18, -(10**30), 2**63, 10**400])
        if kind == 2:
            return rng.choice([0.0, -0.0, 1e308, -1e-320, 3.3, 52.8, 1e-9])
        if kind in (3, 4):
            return self.text()
        if kind == 5:
            return [self.value(depth + 1) for _ in range(rng.choice([0, 1, 16, 17]))]
        return {self.text(): self.value(depth + 1) for _ in range(rng.randrange(4))}

    def _document(self) -> Any:
        return json.loads(json.dumps(self.rng.choice(self._good)))

    def _changed(self) -> bytes:
        """A good one in which some values are others."""
        document = self._document()
        for _ in range(self.rng.randint(1, 4)):
            document = self._with_change(document)
        return json.dumps(document, ensure_ascii=self.rng.random() < 0.5).encode(
            errors="surrogatepass"
        )

    def _with_change(self, data: Any) -> Any:
        rng = self.rng
        if isinstance(data, dict) and data and rng.random() < 0.9:
            key = rng.choice(list(data))
            how = rng.randrange(4)
            if how == 0:
                del data[key]
            elif how == 1:
                data[self.text()] = self.value()
            else:
                data[key] = self._with_change(data[key])
            return data
        if isinstance(data, list) and data and rng.random() < 0.8:
            data[rng.randrange(len(data))] = self.value()
            return data
        return self.value()

    def _good_bytes(self) -> bytes:
        return json.dumps(self.rng.choice(self._good)).encode()

    def _cut(self) -> bytes:
        data = self._good_bytes()
        return data[: self.rng.randrange(len(data) + 1)]

    def _flipped(self) -> bytes:
        data = bytearray(self._good_bytes())
        for _ in range(self.rng.randint(1, 8)):
            if data:
                data[self.rng.randrange(len(data))] = self.rng.randrange(256)
        return bytes(data)

    def _spliced(self) -> bytes:
        """A number of a good one is written as none would be."""
        text = self._good_bytes().decode()
        digits = [i for i, c in enumerate(text) if c.isdigit()]
        if not digits:
            return text.encode()
        at = self.rng.choice(digits)
        return (text[:at] + self.rng.choice(_NUMBERS) + text[at + 1 :]).encode()

    def _grammar(self) -> bytes:
        return json.dumps(self.value()).encode(errors="surrogatepass")
