"""The fast decoder against the one that says why: the same verdict and the same value."""

from __future__ import annotations

import random
from typing import Any

import pytest
from pydantic_core import from_json

from watchd.telemetry import document
from watchd.telemetry.document import DEEPEST, PayloadError, document_of

PIECES = [
    b"{", b"}", b"[", b"]", b",", b":", b'"', b'"a"', b'"b":', b'"a":1,', b"1", b"-", b".", b"e",
    b"E", b"+", b"0", b"9", b"true", b"false", b"null", b"\\u", b"d800", b"\\udc00", b"\\ud800",
    b"\\ud83d\\ude00", b"\\n", b"\\", b" ", b"\t", b"\n", b"\x0c", b"\x00", b"\x1f", b"\x7f",
    b"\x80", b"\xc3\xa4", b"\xed\xa0\x80", b"\xf0\x9f\x98\x80", b"\xef\xbb\xbf", b"-0", b"-0.0",
    b"12345678901234567890", b"1e308", b"1e-320", b"1e400", b"NaN", b"Infinity", b"-Infinity",
    b"0." + b"1" * 60, b"9" * 400, b"9" * 4301,
]  # fmt: skip
BMS = b'{"volts":52.29,"amps":-2.2,"temp":[17.7,1],"mv":[3269,3267],"chg":true,"s":"x\\u00e4"}'


def by_reason(payload: bytes) -> Any:
    """What the decoder with the reasons makes of it, or `PayloadError`."""
    try:
        return from_json(payload, allow_inf_nan=False)
    except ValueError:
        return PayloadError


def by_speed(payload: bytes) -> Any:
    try:
        return document_of(payload)
    except PayloadError:
        return PayloadError


def text_of(value: Any) -> str:
    """Tells -0.0 from 0.0, 1 from 1.0 and True, and the order of members."""
    # An integer of thousands of digits is not written out by Python.
    return repr(value) if not isinstance(value, int) else hex(value) + str(type(value))


def changed(rng: random.Random) -> bytes:
    if rng.random() < 0.5:
        payload = b"".join(rng.choice(PIECES) for _ in range(rng.randint(1, 7)))
        opening, closing = rng.choice([(b"", b""), (b"[", b"]"), (b'"', b'"'), (b'{"a":', b"}")])
        return opening + payload + closing
    found = bytearray(BMS)
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(found))
        piece = rng.choice(PIECES) if rng.random() < 0.7 else bytes([rng.randrange(256)])
        found[at : at + rng.choice([0, 1, 1, 2])] = piece
    return bytes(found)


@pytest.mark.parametrize("number", [20_000, pytest.param(500_000, marks=pytest.mark.long)])
def test_any_bytes(number: int) -> None:
    rng = random.Random(5)
    taken = 0
    for _ in range(number):
        payload = changed(rng)
        found, expected = by_speed(payload), by_reason(payload)
        assert text_of(found) == text_of(expected), payload
        taken += expected is not PayloadError
    assert number // 20 < taken < number // 2


@pytest.mark.parametrize("number", [10_000, pytest.param(300_000, marks=pytest.mark.long)])
def test_any_number(number: int) -> None:
    rng = random.Random(6)
    for _ in range(number):
        whole, part = (rng.randint(0, 10 ** rng.randint(1, 25)) for _ in range(2))
        text = rng.choice(
            [f"{whole}", f"-{whole}.{part}", f"{whole}e{part % 40}", repr(rng.uniform(-300, 300)),
             f"{whole}.{part}E{rng.randint(-340, 320)}", f"{whole}{part}{whole}"]
        ).encode()  # fmt: skip
        assert text_of(by_speed(text)) == text_of(by_reason(text)), text


@pytest.mark.parametrize("levels", [DEEPEST - 1, DEEPEST, DEEPEST + 1, DEEPEST + 2, 700, 20_000])
@pytest.mark.parametrize("ends", [(b"[", b"]"), (b'{"a":', b"}"), (b'[{"a":', b"}]")])
def test_nesting(levels: int, ends: tuple[bytes, bytes]) -> None:
    count = levels // (2 if ends[1] == b"}]" else 1)
    payload = ends[0] * count + b"1" + ends[1] * count
    if by_reason(payload) is PayloadError:
        with pytest.raises(PayloadError, match="nested too deep"):
            document_of(payload)
    else:
        assert document_of(payload) == by_reason(payload)


@pytest.mark.parametrize("digits", [20, 308, 309, 4299, 4300, 4301, 5000])
@pytest.mark.parametrize("rest", ["", ".5", "e-4299", "e-5000", ".0e-4300", "e4"])
@pytest.mark.parametrize("first", ["", "-"])
def test_digits(digits: int, rest: str, first: str) -> None:
    for payload in (f"{first}{'7' * digits}{rest}", f'{{"v": [{first}{"7" * digits}{rest}, 1]}}'):
        found, expected = by_speed(payload.encode()), by_reason(payload.encode())
        assert text_of(found) == text_of(expected)


def test_what_is_in_order_needs_no_second_decoder(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(document, "from_json")
    cells = b'{"cells":[' + b",".join([b'{"v":3.3}'] * 32) + b"]}"
    assert len(document_of(cells)["cells"]) == 32
    assert document_of(BMS)["amps"] == -2.2
