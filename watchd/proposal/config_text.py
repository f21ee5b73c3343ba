"""A proposal -> the text of a config, with the reason of each guess as a comment."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass

from watchd.proposal.guess import Certainty
from watchd.proposal.mapped import Mapped, Proposal, ProposedLayout, ProposedPack, ProposedSource

ENTER = "ENTER"
# A cell at the end of charge, below the makers' 3.65 V (common practice, no source).
CHARGE_V = 3.50
WIDTH = 96
_ABOUT = """\
# Proposed by `watchd setup` from what it heard. Each guess has its reason; look at those that say
# NOT SURE, and enter every value that is marked with {enter}, for it cannot be seen on the broker:
# then take the mark away. `watchd check` names the marks that are left. config.example.yaml has
# every key.
#
# Take limits from the cell maker's sheet and from your BMS's own settings. watchd advises only; the
# protection of the bank stays with BMS, fuses and charger."""
_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_/-]*")
_RESERVED = frozenset(["true", "false", "yes", "no", "on", "off", "null", "y", "n"])


@dataclass(frozen=True, slots=True)
class Around:
    """What the config says of the broker and the store."""

    host: str = "localhost"
    port: int = 1883
    user: str | None = None
    password_file: str | None = None
    ca_file: str | None = None
    is_tls: bool = False
    prefix: str = "watchd"
    store: str | None = None


def config_text(proposal: Proposal, around: Around) -> str:
    """The file. `watchd check` accepts it; what a person must enter is marked with ENTER."""
    lines = [
        *_ABOUT.format(enter=ENTER).splitlines(),
        "",
        *_broker(around),
    ]
    if around.prefix != "watchd":
        lines.append(f"prefix: {quoted(around.prefix)}")
    lines += ["", "banks:", *_banks(proposal)]
    lines += ["", "# Charge is positive, everywhere.", "packs:"]
    for pack in proposal.packs:
        lines += _pack(pack)
    lines += ["", "sources:"]
    for layout in proposal.layouts:
        lines += _layout(layout)
    if around.store is not None:
        lines += [
            "",
            f"store: {{path: {quoted(around.store)}}} # as a service: /var/lib/watchd/watchd.db",
        ]
    return "\n".join(lines) + "\n"


def to_enter(text: str) -> list[tuple[int, str]]:
    """The lines that still wait for a person: number, and the line without its lead."""
    return [
        (number, line.strip())
        for number, line in enumerate(text.splitlines(), 1)
        if f"# {ENTER}" in line and not line.lstrip().startswith("#")
    ]


def quoted(text: str) -> str:
    """A text as YAML has it."""
    if _PLAIN.fullmatch(text) and text.lower() not in _RESERVED:
        return text
    body = "".join(
        f"\\{c}" if c in '\\"' else c if c.isprintable() and ord(c) < 0xFFFE else _escaped(c)
        for c in text
    )
    return f'"{body}"'


def _escaped(character: str) -> str:
    code = ord(character)
    return f"\\U{code:08X}" if code > 0xFFFF else f"\\u{code:04X}"


def _broker(around: Around) -> Iterator[str]:
    yield "broker:"
    yield f"  host: {quoted(around.host)}"
    yield f"  port: {around.port}"
    if around.user is not None:
        yield f"  user: {quoted(around.user)}"
    if around.password_file is not None:
        yield f"  password_file: {quoted(around.password_file)}"
    if around.is_tls:
        ca_file = "" if around.ca_file is None else f"ca_file: {quoted(around.ca_file)}"
        yield f"  tls: {{{ca_file}}}"


def _banks(proposal: Proposal) -> Iterator[str]:
    for name, (cells, reason) in proposal.banks.items():
        yield from _comment(f"{reason}; those on one DC bus belong together", "  ")
        yield f"  {name}:"
        yield (
            f"    charge_voltage_v: {CHARGE_V * cells:g} # {ENTER} what the charger holds; this is "
            f"{CHARGE_V:.2f} V x {cells}"
        )
        yield "    # max_charge_a: 200 # what the chargers may give together"


def _pack(pack: ProposedPack) -> Iterator[str]:
    certain = "" if pack.certainty is not Certainty.NOT_SURE else " NOT SURE"
    yield f"  {pack.name}: #{certain} {_one_line(pack.reason)}"
    yield f"    bank: {pack.bank}"
    yield f"    cells_in_series: {pack.cells_in_series}"
    yield f"    nameplate_ah: 1 # {ENTER} rated capacity; 1 stands for: not entered"
    yield f"    max_charge_a: 1 # {ENTER} the lowest of cells, BMS, fuse and wiring; not entered"
    yield "    # max_discharge_a: 150 # likewise for discharge"
    yield f"    bms: # {ENTER} what your BMS is set to, a cell; these are usual"
    yield "      overvoltage_v: 3.65"
    yield "      overvoltage_recovery_v: 3.55"
    yield "      undervoltage_v: 2.60"
    yield "      undervoltage_recovery_v: 2.90"


def _layout(layout: ProposedLayout) -> Iterator[str]:
    for source in layout.sources:
        yield f"  - topic: {quoted(source.topic)}"
        if source.pack is not None:
            yield f"    pack: {source.pack}"
        yield from _source(source)
        if source.pack_names:
            names = ", ".join(f"{_key(t)}: {o}" for t, o in source.pack_names.items())
            yield f"    pack_names: {{{names}}} # theirs to ours"
        if source.stale_after_s is not None:
            yield f"    stale_after: {source.stale_after_s:.0f} s # it sends seldom"
    for note in layout.notes:
        yield from _comment(note, "  ")
    if layout.unused:
        yield "  # Seen there, and not used:"
        for one in layout.unused:
            yield from _comment(f"  {one.where}: {one.seen}", "  ")


def _source(source: ProposedSource) -> Iterator[str]:
    if source.is_plain:
        ((_, mapped),) = source.entries
        yield from _reason(mapped, "    ")
        yield f"    value: {_value(mapped)}"
        if mapped.capture == "cell":
            yield f"    first_cell: {source.first_cell}"
        return
    yield "    json:"
    by_name: dict[str, list[tuple[str, Mapped]]] = {}
    for path, mapped in source.entries:
        by_name.setdefault(mapped.name, []).append((path or "$", mapped))
    for name, entries in by_name.items():
        for _, mapped in entries:
            yield from _reason(mapped, "      ")
        if len(entries) == 1:
            yield f"      {name}: {_path(*entries[0])}"
        else:
            yield f"      {name}:"
            for path, mapped in entries:
                yield f"        - {_path(path, mapped)}"


def _reason(mapped: Mapped, lead: str) -> Iterator[str]:
    certain = {Certainty.SURE: "", Certainty.LIKELY: "likely: ", Certainty.NOT_SURE: "NOT SURE: "}
    yield from _comment(f"{certain[mapped.certainty]}{mapped.reason}", lead)


def _path(path: str, mapped: Mapped) -> str:
    more = _more(mapped)
    return f"{{path: {quoted(path)}{more}}}" if more else quoted(path)


def _value(mapped: Mapped) -> str:
    more = _more(mapped)
    return f"{{name: {mapped.name}{more}}}" if more else mapped.name


def _more(mapped: Mapped) -> str:
    text = "" if mapped.scale == 1.0 else f", scale: {mapped.scale:.10g}"
    text += "" if mapped.offset == 0.0 else f", offset: {mapped.offset:.10g}"
    if mapped.words:
        text += f", words: {{{', '.join(f'{_key(t)}: {e}' for t, e in mapped.words.items())}}}"
    if mapped.when_true is not None:
        text += f", when_true: {mapped.when_true}"
    return text


def _key(text: str) -> str:
    return quoted(text)


def _comment(text: str, lead: str) -> Iterator[str]:
    yield from textwrap.wrap(
        _one_line(text),
        WIDTH,
        initial_indent=f"{lead}# ",
        subsequent_indent=f"{lead}# ",
        break_on_hyphens=False,
    )


def _one_line(text: str) -> str:
    return " ".join(
        "".join(c if c.isprintable() and ord(c) < 0xFFFE else " " for c in text).split()
    )
