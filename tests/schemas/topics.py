"""What an AsyncAPI document says of a message: its channel, message and bindings."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from jsonschema import Draft7Validator, FormatChecker

from watchd.publish import Publish

_FORMATS = FormatChecker(formats=())


@_FORMATS.checks("date-time", raises=ValueError)
def _is_time(value: object) -> bool:
    return not isinstance(value, str) or datetime.fromisoformat(value).tzinfo is not None


class Documented:
    """An AsyncAPI document, to hold messages against. It keeps in mind what was seen."""

    def __init__(self, document: dict[str, Any]) -> None:
        self.document = document
        self.seen: set[tuple[str, str]] = set()  # channel and message
        self.keys: set[tuple[str, str]] = set()  # message and key of its payload, at any depth
        self._schemas: dict[str, Draft7Validator] = {}
        self._addresses: dict[str, re.Pattern[str]] = {
            name: _pattern(channel)
            for name, channel in document["channels"].items()
            if channel["address"] is not None
        }

    def check(self, message: Publish, channel: str | None = None) -> None:
        """Raise AssertionError unless the document tells of it. `channel`: for an answer."""
        name: str = channel or self.channel(message.topic)
        found = [m for m in self.document["channels"][name]["messages"] if self.fits(m, message)]
        assert len(found) == 1, f"{message} is {found} of {name}"
        self.seen.add((name, found[0]))
        if channel is None:
            self._bindings(name, found[0], message)
        if message.payload:
            self.keys |= {(found[0], key) for key in _keys(json.loads(message.payload))}

    def documented_keys(self, name: str) -> set[tuple[str, str]]:
        """The keys that a message may have, in its sections as well."""
        schemas = self.document["components"]["schemas"]
        waiting = [self.document["components"]["messages"][name]["payload"]]
        done: list[Any] = []
        keys: set[tuple[str, str]] = set()
        while waiting:
            node = waiting.pop()
            if node in done:
                continue
            done.append(node)
            if isinstance(node, dict):
                keys |= {(name, key) for key in node.get("properties", {})}
                if "$ref" in node:
                    waiting.append(schemas[node["$ref"].rsplit("/", 1)[1]])
            waiting.extend(node.values() if isinstance(node, dict) else ())
            waiting.extend(node if isinstance(node, list) else ())
        return keys

    def channel(self, topic: str) -> str:
        """The one channel of a topic."""
        found = [name for name, pattern in self._addresses.items() if pattern.fullmatch(topic)]
        assert len(found) == 1, f"{topic} is {found}"
        return found[0]

    def fits(self, name: str, message: Publish) -> bool:
        """Whether a payload is this message."""
        text = self.document["components"]["messages"][name]["contentType"] == "text/plain"
        if text or not message.payload:
            return text and self.schema(name).is_valid(message.payload.decode())
        return self.schema(name).is_valid(json.loads(message.payload))

    def schema(self, name: str) -> Draft7Validator:
        """The schema of a message's payload; AsyncAPI 3.0.0 has JSON Schema draft 7."""
        if name not in self._schemas:
            payload = self.document["components"]["messages"][name]["payload"]
            whole = {**payload, "components": self.document["components"]}
            self._schemas[name] = Draft7Validator(whole, format_checker=_FORMATS)
        return self._schemas[name]

    def _bindings(self, channel: str, name: str, message: Publish) -> None:
        binding = self.document["operations"][f"send-{channel}"]["bindings"]["mqtt"]
        assert (message.qos, message.retain) == (binding["qos"], binding["retain"]), message
        if name != "withdrawal":
            assert message.expires_in_s == binding.get("messageExpiryInterval"), message


def _keys(data: Any) -> Iterator[str]:
    if isinstance(data, dict):
        yield from data
    for inner in (
        data.values() if isinstance(data, dict) else data if isinstance(data, list) else ()
    ):
        yield from _keys(inner)


def _pattern(channel: dict[str, Any]) -> re.Pattern[str]:
    def level(match: re.Match[str]) -> str:
        words = channel["parameters"][match[1]].get("enum")
        return f"({'|'.join(map(re.escape, words))})" if words else "[^/]+"

    parts = re.split(r"(\{\w+\})", channel["address"])
    return re.compile(
        "".join(
            level(match) if (match := re.fullmatch(r"\{(\w+)\}", part)) else re.escape(part)
            for part in parts
        )
    )
