"""Banks that stand in files of their own: kinds, and what one bank has otherwise.

A pack of such a bank is called BANK.PACK. No name has a dot in it, so no two can be the same.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import Field, ValidationError

from watchd.config.bank import Bank
from watchd.config.pack import Pack, PackOfBank
from watchd.config.values import Name, fault_of_name
from watchd.documents import Document, Path
from watchd.errors import Problem, nearest
from watchd.schema import Section, schema_problems, show_input

_KEYS = ("like", "bank", "packs")


class Kind(Section):
    """What many banks have in common."""

    bank: Bank = Field(description="the bank")
    packs: dict[Name, PackOfBank] = Field(min_length=1, description="its packs")


@dataclass(frozen=True, slots=True)
class Entry:
    """A bank as it stands in a document, at `path`."""

    name: str
    document: Document
    path: Path


@dataclass(frozen=True, slots=True)
class Found:
    """The banks of files, and their packs by their full names."""

    banks: dict[str, Bank]
    packs: dict[str, Pack]
    problems: list[Problem]


def pack_name(bank: str, pack: str) -> str:
    """What a pack of a bank in a file is called everywhere else."""
    return f"{bank}.{pack}"


def is_from_file(name: str, pack: Pack) -> bool:
    """Whether a pack is of a bank in a file of its own."""
    return name.startswith(f"{pack.bank}.")


def name_in_bank(name: str, pack: Pack) -> str:
    """What a pack is called among those of its bank."""
    return name.removeprefix(f"{pack.bank}.")


def entries_of(document: Document, name: str | None) -> tuple[list[Entry], list[Problem]]:
    """The banks of a file: the one whose `name` the file has, or each that it names (None)."""
    if name is not None:
        fault = fault_of_name(name)
        problems = [] if fault is None else [Problem(f"the file's name names the bank: {fault}")]
        placed = [document.problem(p.what, ()) for p in problems]
        return ([] if fault else [Entry(name, document, ())]), placed
    if not isinstance(document.data, dict) or not document.data:
        what = "a file of banks has a key for each: its name, with like, bank or packs"
        return [], [document.problem(what, ())]
    entries, faults = [], []
    for key in document.data:
        fault = fault_of_name(str(key))
        if fault is None:
            entries.append(Entry(str(key), document, (key,)))
        else:
            faults.append(document.problem(fault, (key,), at_key=True))
    return entries, faults


def build_banks(
    entries: Sequence[Entry], kinds: Mapping[str, Kind], written: Mapping[str, Any]
) -> Found:
    """The banks of these entries. `written`: the kinds as their file has them."""
    found = Found({}, {}, [])
    twice = [name for name, count in Counter(e.name for e in entries).items() if count > 1]
    for entry in entries:
        if entry.name in twice:
            what = f"the bank '{entry.name}' stands in two files"
            found.problems.append(entry.document.problem(what, entry.path, at_key=True))
            continue
        kind = _built(entry, kinds, written, found.problems)
        if kind is None:
            continue
        found.banks[entry.name] = kind.bank
        for name, pack in kind.packs.items():
            # What is checked already is not checked again, and shares its parts.
            own = Pack.model_construct(**{**pack.__dict__, "bank": entry.name})
            found.packs[pack_name(entry.name, name)] = own
    return found


def _built(
    entry: Entry, kinds: Mapping[str, Kind], written: Mapping[str, Any], problems: list[Problem]
) -> Kind | None:
    document, path = entry.document, entry.path
    data: Any = document.data
    for step in path:
        data = data[step]
    if not isinstance(data, dict) or not data:
        what = "a bank has like (a name under kinds:), or bank and packs"
        problems.append(document.problem(what, path))
        return None
    like = data.get("like")
    if "like" in data and not isinstance(like, str):
        what = f"'like' needs the name of a kind, but this is {show_input(like)}"
        problems.append(document.problem(what, (*path, "like")))
        return None
    if "like" in data and like not in kinds:
        known = list(kinds)
        hint = nearest(str(like), known) if known else "the config has no kinds:"
        problems.append(document.problem(f"no kind is called '{like}'; {hint}", (*path, "like")))
        return None
    own = {key: value for key, value in data.items() if key != "like"}
    if like is not None and not own:
        return kinds[like]
    unknown = [key for key in own if key not in _KEYS]
    for key in unknown:
        what = f"unknown key '{key}'; {nearest(str(key), _KEYS)}"
        problems.append(document.problem(what, (*path, key), at_key=True))
    if unknown:
        return None
    try:
        return Kind.model_validate(merged(written[like], own) if like is not None else own)
    except ValidationError as error:
        problems.extend(schema_problems(document, error, Kind, path))
        return None


def merged(base: Any, own: Any) -> Any:
    """`base` with what `own` has in its place, key by key; a list takes the place of a list."""
    if not isinstance(base, dict) or not isinstance(own, dict):
        return own
    return {**base, **{key: merged(base.get(key), value) for key, value in own.items()}}


def faults_of_voltage(bank: Bank, packs: Mapping[str, PackOfBank]) -> Iterator[tuple[str, str]]:
    """The packs whose cells would trip before the bank's charge voltage is reached, and why."""
    for name, pack in packs.items():
        # Worth refusing, not only a finding: with it the first full charge ends in a trip.
        per_cell = bank.charge_voltage_v / pack.cells_in_series
        if per_cell >= pack.bms.overvoltage_v:
            what = (
                f"{pack.cells_in_series} cells at the bank's charge voltage are at "
                f"{per_cell:.3f} V each, not below overvoltage_v {pack.bms.overvoltage_v:g} V"
            )
            yield name, what
