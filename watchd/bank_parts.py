"""A saved state taken apart by bank, and put together again: a bank can move with its state.

What is watchd's own stays: counters, digests, what was told of floods and groups. The times in a
part are kept time of the daemon that wrote it, which is that of its clock where it was never set.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import chain
from typing import Any

State = dict[str, Any]
_HEAD = ("version", "at", "step_s", "since")
_BY_SUBJECT = ("due", "trends")
_BY_PACK = ("packs", "reanchor")


def split(state: Mapping[str, Any], banks: Mapping[str, str]) -> dict[str, State]:
    """The part of each bank in an engine's snapshot. `banks`: the bank of each pack."""
    head = {name: state[name] for name in _HEAD if name in state}
    parts: dict[str, State] = {
        bank: {**head, "banks": {bank: saved}} for bank, saved in state.get("banks", {}).items()
    }
    for section in _BY_PACK:
        for pack, saved in state.get(section, {}).items():
            _put(parts, banks.get(pack), section, pack, saved)
    for section in _BY_SUBJECT:
        for subject, saved in state.get(section, {}).items():
            _put(parts, bank_of(subject, banks), section, subject, saved)
    for key, saved in state.get("alarms", {}).items():
        _put(parts, bank_of(key.partition("/")[2], banks), "alarms", key, saved)
    return parts


def join(state: Mapping[str, Any], parts: Mapping[str, Mapping[str, Any]]) -> State:
    """The state with these banks as their parts have them, be there others of them or not.

    Without a state it is as old as the newest part; one that is older counts as that old.
    """
    newest: Mapping[str, Any] = max(parts.values(), key=lambda p: p.get("at", 0.0), default={})
    joined: State = {**{n: newest[n] for n in _HEAD if n in newest}, **state}
    for section in ("banks", *_BY_PACK, *_BY_SUBJECT, "alarms"):
        moved = [part[section] for part in parts.values() if section in part]
        if moved:
            joined[section] = {
                **joined.get(section, {}),
                **dict(chain(*(m.items() for m in moved))),
            }
    return joined


def bank_of(subject: str, banks: Mapping[str, str]) -> str | None:
    """The bank of `pack/NAME`, `cell/NAME/7` or `bank/NAME`; None for watchd itself."""
    kind, _, rest = subject.partition("/")
    name = rest.partition("/")[0]
    return name if kind == "bank" else banks.get(name)


def _put(parts: dict[str, State], bank: str | None, section: str, key: str, saved: object) -> None:
    if bank is not None and bank in parts:
        parts[bank].setdefault(section, {})[key] = saved
