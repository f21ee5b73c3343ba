"""What people may ask of watchd on its request topic, and how it answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from pydantic import Field, ValidationError

from watchd.publish import Publish, encode
from watchd.schema import Section

LONGEST = 4096


class RequestError(Exception):
    """A request that is not done; the text is the answer."""


class RequestEntry(Section):
    """The payload of a request."""

    do: Literal["acknowledge"] = Field(description="what to do")
    alarm: str = Field(max_length=200, description="RULE/SUBJECT, such as cell-weak/pack/alder")


@dataclass(frozen=True, slots=True)
class Request:
    """A checked request."""

    do: str
    alarm: str


def parse_request(payload: bytes) -> Request:
    """Raises RequestError with a sentence for who asked."""
    if len(payload) > LONGEST:
        raise RequestError(f"larger than {LONGEST} bytes")
    try:
        entry = RequestEntry.model_validate_json(payload)
    except ValidationError as error:
        detail = error.errors(include_url=False)[0]
        where = ".".join(str(step) for step in detail["loc"])
        message = detail["msg"]
        raise RequestError(f"{where}: {message}" if where else message) from None
    return Request(entry.do, entry.alarm)


def answerable(topic: str, prefix: str) -> bool:
    """Whether an answer may go to `topic`: a plain topic, and none that watchd itself keeps."""
    plain = 0 < len(topic) <= 1000 and not any(c in topic for c in "+#\0")
    kept = topic.startswith(f"{prefix}/") and not topic.startswith(f"{prefix}/response/")
    return plain and not kept and not topic.startswith("$")


def answer(topic: str, data: dict[str, Any], correlation: bytes) -> Publish:
    """The answer to a request."""
    return Publish(topic, encode(data), qos=1, correlation=correlation)
