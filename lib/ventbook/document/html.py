"""Blocks as HTML: a small closed set of tags, every text escaped, no script, no request to anywhere.

A notebook shows blocks by :func:`block_html`; a report is one file around all of its blocks, readable on paper and by a
screen reader.
"""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ventbook.document.arrange import Document
from ventbook.document.blocks import (
    Answer,
    Block,
    Cautions,
    Closing,
    Column,
    Explain,
    Figure,
    Finding,
    Heading,
    List,
    Numbers,
    Pairs,
    Plain,
    Remark,
    Table,
    Text,
    Words,
    block_anchor,
    make_anchor,
)
from ventbook.document.columns import (
    NUMBERS_HEADS,
    NUMBERS_TITLE,
    PAIRS_HEADS,
    cut_note,
    heading,
    number_rows,
    text_rows,
)
from ventbook.document.formulas import make_mathml

TEMPLATES = Path(__file__).resolve().parents[1] / "templates"
POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
_DATE = re.compile(r"\d{4}-\d\d(-\d\d)?|\d{4}Q\d|[A-Za-z]{0,6}\d+(-\d+)?")


def escape(text: Any) -> str:
    """Text made safe inside HTML, attributes included."""
    return html.escape(str(text), quote=True)


def block_html(block: Block, anchor: str | None = None) -> str:
    """One block as HTML; ``anchor`` is its id on a page where another block has the one that it would take."""
    name = block_anchor(block) if anchor is None else anchor
    match block:
        case Heading():
            level = f"h{block.level}"
            mark = f' id="{name}"' if name else ""
            return f"<{level}{mark}>{words_html(block.words)}</{level}>"
        case Text():
            return f"<p>{words_html(block.words)}</p>"
        case Plain():
            return f"<pre>{escape(block.text)}</pre>"
        case List():
            return _list_html(block)
        case Answer():
            banner = f'<p class="vb-banner">{escape(block.banner)}</p>' if block.banner else ""
            caution = f'<p class="vb-release">{escape(block.caution)}</p>' if block.caution else ""
            return f'<p class="vb-scope">{escape(block.scope)}</p>{caution}{banner}<div class="vb-answer">{_paragraphs(block.sentences)}</div>'
        case Explain():
            prose = "".join(f"<p>{words_html(words)}</p>" for words in block.paragraphs)
            return f'<details class="vb-explain"><summary>How this was worked out: {escape(block.title)}</summary>{prose}</details>'
        case Finding():
            about = make_anchor(f"{block.id} {' '.join(map(str, block.group.values()))}")
            return f'<p class="vb-finding" data-finding="{about}">{escape(block.sentence)}</p>'
        case Table():
            return _table_html(block, name)
        case Figure():
            data = base64.b64encode(block.svg.encode("utf-8")).decode("ascii")
            return (
                f'<figure class="vb-figure" id="{name}">'
                f'<img alt="{escape(block.alt)}" src="data:image/svg+xml;base64,{data}">'
                f"<figcaption>{escape(block.caption)}</figcaption></figure>"
            )
        case Numbers():
            return _numbers_html(block, name)
        case Cautions():
            items = "".join(f"<li>{escape(text)}</li>" for text in block.texts)
            return f'<ul class="vb-cautions">{items}</ul>'
        case Pairs():
            rows = "".join(
                f'<tr><th scope="row">{escape(a)}</th><td>{escape(b)}</td></tr>' for a, b in block.rows
            )
            head = "".join(f'<th scope="col">{word}</th>' for word in PAIRS_HEADS)
            return f'<div class="vb-stamp"><table><caption>{escape(block.title)}</caption><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>'
        case Remark():
            changed = f'<p class="vb-changed">{escape(block.changed)}</p>' if block.changed else ""
            return f'<div class="vb-comment"><p class="vb-comment-head">{escape(block.head)}</p>{changed}{_paragraphs(block.paragraphs)}</div>'
        case Closing():
            return ""


def words_html(words: Words) -> str:
    """Words of a paragraph with stress, code and formulas."""
    made = []
    for span in words:
        if span.kind in ("formula", "display"):
            made.append(make_mathml(span.text, display=span.kind == "display"))
        elif span.kind:
            made.append(f"<{span.kind}>{escape(span.text)}</{span.kind}>")
        else:
            made.append(escape(span.text))
    return "".join(made)


def _paragraphs(texts: Sequence[str]) -> str:
    return "".join(f"<p>{escape(text)}</p>" for text in texts)


def _list_html(block: List) -> str:
    tag = "ol" if block.ordered else "ul"
    items = []
    for item in block.items:
        if len(item) == 1 and isinstance(item[0], Text):
            items.append(f"<li>{words_html(item[0].words)}</li>")
        else:
            items.append(f"<li>{''.join(block_html(part) for part in item)}</li>")
    return f"<{tag}>{''.join(items)}</{tag}>"


def _table_html(table: Table, anchor: str) -> str:
    """A table with caption, header cells and the rows it shows; a cut is said below."""
    head = "".join(
        f'<th scope="col"{_number_class(column)}>{escape(heading(column, table.units))}</th>'
        for column in table.columns
    )
    lines = []
    for row in text_rows(table):
        cells = []
        for place, (text, column) in enumerate(zip(row, table.columns, strict=True)):
            shown = _breakable(text)
            if place == 0 and not column.number:
                cells.append(f'<th scope="row"{_text_class(shown)}>{shown}</th>')
            else:
                cells.append(f"<td{_number_class(column) or _text_class(shown)}>{shown}</td>")
        lines.append(f"<tr>{''.join(cells)}</tr>")
    notes = cut_note(table)
    below = f'<p class="vb-note">{escape(notes)}</p>' if notes else ""
    return _scrolled(anchor, table.title, head, lines, len(table.columns), below)


def _scrolled(anchor: str, title: str, head: str, lines: list[str], columns: int, below: str = "") -> str:
    """A table that scrolls in its own frame, which the keyboard reaches."""
    lines = lines or [f'<tr><td colspan="{max(columns, 1)}">none</td></tr>']
    return (
        f'<div class="vb-table" id="{anchor}">'
        f'<div class="vb-scroll" tabindex="0" role="region" aria-label="{escape(title)}">'
        f"<table><caption>{escape(title)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(lines)}</tbody></table></div>{below}</div>"
    )


def _number_class(column: Column) -> str:
    return ' class="vb-number"' if column.number else ""


def _breakable(text: str) -> str:
    """Escaped text in which words too long for a column may break."""
    return escape(re.sub(r"\S{30}(?=\S)", lambda word: word[0] + "\0", text)).replace("\0", "<wbr>")


def _text_class(text: str) -> str:
    """Dates and short identifiers stay on one line, sentences get room."""
    if _DATE.fullmatch(text):
        return ' class="vb-date"'
    return ' class="vb-words"' if len(text) > 45 else ""


def _numbers_html(numbers: Numbers, anchor: str) -> str:
    lines = []
    for first, *others in number_rows(numbers):
        cells = "".join(f"<td>{escape(cell)}</td>" for cell in others)
        lines.append(f'<tr><th scope="row">{escape(first)}</th>{cells}</tr>')
    head = "".join(f'<th scope="col">{word}</th>' for word in NUMBERS_HEADS)
    return _scrolled(anchor, NUMBERS_TITLE, head, lines, len(NUMBERS_HEADS))


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
    body = "\n".join(block_html(block, anchor) for anchor, block in document.parts)
    return page_html(f"{document.title}, {scope}", body, head=contents_html(document.sections), foot=foot)
