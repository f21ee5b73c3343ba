"""Pages as the command makes them, without a store."""

from __future__ import annotations

from importlib.resources import files

from watchd.report.drawings import DRAWINGS
from watchd.report.drawings.svg import drawn
from watchd.report.page import page_of
from watchd.report.report import Report

STYLE = (files("watchd.report") / "page.css").read_text("utf-8")


def page(report: Report, *, now: float | None = None, with_drawings: bool = True) -> str:
    """The document; `now` is the end of its span if not given."""
    return "".join(
        page_of(
            report,
            STYLE,
            lambda shown, name, label: (
                drawn(DRAWINGS[type(shown)], shown, name, label) if with_drawings else "<svg></svg>"
            ),
            report.span.end if now is None else now,
        )
    )
