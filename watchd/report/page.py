"""The page: one HTML document with nothing outside it, and no script.

After WCAG 2.1: headings in order, a sentence for each drawing (1.1.1), and its numbers as a table.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from html import escape
from typing import Any

from watchd.report.findings.finding import Finding
from watchd.report.report import Report, Section
from watchd.report.series.alarms import Alarms
from watchd.report.series.shown import Shown
from watchd.report.span import DAY_S, MONTHS, Span
from watchd.report.table import Table
from watchd.report.words import MOST_FIRST, Paragraph, more_to_do, said_once
from watchd.report.writing import lasted, listed

# The numbers of a drawing, its own name in the page and its sentence -> an `<svg>`.
Drawn = Callable[[Any, str, str], str]
OLD_S = DAY_S  # what is kept ends longer ago than that: the reader is told
_UNIT = re.compile(rf"(?<=\d) (?=%|(?:mV|kWh|Ah|mΩ|V|A|W|h|min|days?|{'|'.join(MONTHS)})\b)")
_CODE = re.compile(r"`([^`]+)`")


def page_of(report: Report, style: str, drawn: Drawn, now: float) -> Iterator[str]:
    """The document, part by part. `style` is its style sheet, `now` when it is made (Unix s)."""
    title = f"{listed(report.banks)}, {_span(report.span)}"
    yield (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n"
    )
    yield from _head(report, now)
    yield "<main>\n"
    for section in report.sections:
        yield from _section(section, drawn)
    yield "</main>\n"
    yield _foot(report.span)
    yield "</body>\n</html>\n"


def _head(report: Report, now: float) -> Iterator[str]:
    span, asked = report.span, report.asked
    yield (
        f'<header>\n<p class="span">{escape(_span(span))}</p>\n'
        f"<h1>{escape(listed(report.banks))}</h1>\n"
        f'<p class="opening">{_text(report.opening)}</p>\n'
    )
    if report.left_out:
        yield f"<p>{_text(_partly(report))}</p>\n"
    if now - span.end > OLD_S:
        last = escape(span.moment(span.end))
        yield f"<p>What is kept ends on {last}. Of what came after, this page knows nothing.</p>\n"
    if asked:
        yield '<div class="doing">\n<h2 class="lead">What to do first</h2>\n'
        if cautions := list(dict.fromkeys(f.caution for f in asked[:MOST_FIRST] if f.caution)):
            yield f'<p class="caution">{_text(said_once(cautions))}</p>\n'
        yield '<ol class="first">\n'
        for finding in asked[:MOST_FIRST]:
            yield _to_do(finding)
        yield "</ol>\n"
        if more := more_to_do(asked):
            yield f"<p>{_text(more)}</p>\n"
        yield "</div>\n"
    if len(report.sections) > 2:
        links = ", ".join(
            f'<a href="#{_id(s)}">{escape(s.name)}</a>' for s in report.sections if s.kind == "pack"
        )
        yield f'<nav aria-label="Packs"><p>The packs: {links}.</p></nav>\n'
    yield "</header>\n"


def _partly(report: Report) -> str:
    return (
        f"This page is about {listed(report.packs)} alone, not about {listed([*report.left_out])}."
    )


def _to_do(finding: Finding) -> str:
    return (
        f"<li><strong>{escape(finding.name)}.</strong> {_text(finding.what)} "
        f"{_text(finding.do)}</li>\n"
    )


def _section(section: Section, drawn: Drawn) -> Iterator[str]:
    label = f"{section.kind} {section.name}"
    yield (
        f'<section id="{_id(section)}" class="{section.kind}" aria-label="{escape(label)}">\n'
        f"<h2><small>{section.kind.capitalize()}</small> {escape(section.name)}</h2>\n"
    )
    yield _paragraph(section.words)
    yield '<div class="drawings">\n'
    for number, shown in enumerate(section.drawings, 1):
        yield _figure(shown, f"{_id(section)}-{number}", drawn, section.name)
    yield "</div>\n</section>\n"


def _paragraph(words: Paragraph) -> str:
    parts = "".join(
        f'<p class="{p.kind}"><b>{escape(p.lead)}.</b> {_text(p.text)}</p>\n' for p in words.parts
    )
    return f'<div class="words">\n{parts}</div>\n'


def _figure(shown: Shown, name: str, drawn: Drawn, whose: str) -> str:
    title = escape(shown.title)
    wide = " wide" if isinstance(shown, Alarms) else ""
    head = f'<h3 id="{name}">{title}</h3>\n<p class="sentence">{_text(shown.sentence)}</p>\n'
    if shown.is_empty:
        return f'<div class="exhibit empty" role="group" aria-labelledby="{name}">\n{head}</div>\n'
    picture = drawn(shown, name, f"{shown.title} of {whose}. {shown.sentence}")
    return (
        f'<div class="exhibit{wide}" role="group" aria-labelledby="{name}">\n{head}'
        f"<figure>\n{picture}\n<figcaption>{_text(shown.key)}</figcaption>\n</figure>\n"
        f'<details>\n<summary>The numbers<span class="unseen"> of: {title}, '
        f"{escape(whose)}</span></summary>\n{_table(shown.table, f'{shown.title}, {whose}')}"
        "</details>\n</div>\n"
    )


def _table(table: Table, caption: str) -> str:
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in table.head)
    rows = "\n".join(
        f'<tr><th scope="row">{escape(first)}</th>'
        + "".join(f"<td>{escape(cell)}</td>" for cell in others)
        + "</tr>"
        for first, *others in table.rows
    )
    # It may be wider than a phone: it scrolls by itself, also with the keyboard.
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(caption)}">\n<table>\n'
        f'<caption class="unseen">{escape(caption)}</caption>\n'
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table>\n</div>\n"
    )


def _foot(span: Span) -> str:
    offset = span.clock(span.end).strftime("%z")
    zone = f"UTC{offset[:3]}:{offset[3:5]}" if offset.strip("+-0") else "UTC"
    return (
        "<footer>\n<p>Days are those of UTC; moments, and dates on the axes, are by the keeper's "
        f"clock ({escape(zone)} at the end). Charge is positive. The text is advice only: watchd "
        "changes no setting, and the cell maker's limits, local code and a licensed person come "
        "before it.</p>\n</footer>\n"
    )


def _span(span: Span) -> str:
    first, last = span.date(span.begin), span.date(span.end - 1.0)
    if first == last:
        return f"{first}, {lasted(span.end - span.begin)}"
    shared = first[-4:] == last[-4:]
    return f"{first[:-5] if shared else first} to {last}"


def _id(section: Section) -> str:
    return f"{section.kind}-{section.name}"


def _text(text: str) -> str:
    """Escaped; what stands in backquotes is a command, and a unit stays with its number."""
    kept = _UNIT.sub("\N{NO-BREAK SPACE}", escape(text, quote=False))
    return _CODE.sub(r"<code>\1</code>", kept)
