"""The page as one HTML file: no script, no request to anywhere, readable on paper and by a screen reader."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ventbook.pages.show import escape

from .document import Document

TEMPLATES = Path(__file__).resolve().parents[1] / "templates"
POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def page_html(title: str, body: str, *, head: str = "", foot: str = "", kind: str = "vb-frame") -> str:
    """A whole HTML file around ``body`` (mark-up, already clean)."""
    style = (TEMPLATES / "report.css").read_text("utf-8")
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n"
        f'<a class="vb-skip" href="#main">Skip to the answer</a>\n<div class="{kind}">\n{head}'
        f'<main id="main" tabindex="-1">\n{body}\n{foot}</main>\n</div>\n</body>\n</html>\n'
    )


def contents_html(sections: Sequence[tuple[str, str]]) -> str:
    """The list of contents, linked."""
    rows = "".join(f'<li><a href="#{escape(name)}">{escape(title)}</a></li>' for name, title in sections)
    return f'<nav aria-label="Contents"><h2>Contents</h2><ol>{rows}</ol></nav>\n'


def report_html(document: Document, *, scope: str, stamp: str) -> str:
    """One report as HTML."""
    foot = f"<footer>{escape(stamp)}</footer>\n"
    body = document.body.decode(formatter="minimal")
    return page_html(f"{document.title}, {scope}", body, head=contents_html(document.sections), foot=foot)
