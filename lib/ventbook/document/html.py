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
TODO_HEAD = "What to do"
# Pixels of a browser in a point; width between the margins of a phone; how wide a figure is shown at most, in pixels and in
# multiples of the size that it was drawn for.
PIXELS, PHONE, WIDEST, LARGEST = 96 / 72, 358.0, 832.0, 1.5
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
            todo = "".join(f"<li>{escape(text)}</li>" for text in block.todo)
            warnings = "".join(f'<p class="vb-note">{escape(text)}</p>' for text in block.warnings)
            todo = f'<p class="vb-todo">{TODO_HEAD}</p><ol>{todo}</ol>{warnings}' if todo else ""
            return f'<p class="vb-scope">{escape(block.scope)}</p>{caution}{banner}<div class="vb-answer">{_paragraphs(block.sentences)}{todo}</div>'
        case Explain():
            prose = "".join(f"<p>{words_html(words)}</p>" for words in block.paragraphs)
            return f'<details class="vb-explain"><summary>How this was worked out: {escape(block.title)}</summary>{prose}</details>'
        case Finding():
            about = make_anchor(f"{block.id} {' '.join(map(str, block.group.values()))}")
            return f'<p class="vb-finding" data-finding="{about}">{escape(block.sentence)}</p>'
        case Table():
            return _table_html(block, name)
        case Figure():
            return _figure_html(block, name)
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


def _figure_html(figure: Figure, anchor: str) -> str:
    """A drawing at the size that it was drawn for or larger, never smaller: one wider than a phone scrolls in a frame of its own."""
    data = base64.b64encode(figure.svg.encode("utf-8")).decode("ascii")
    caption = f"<figcaption>{escape(figure.caption)}</figcaption>"
    image = f'<img alt="{escape(figure.alt)}" src="data:image/svg+xml;base64,{data}"'
    if figure.size is None:
        return f'<figure class="vb-figure" id="{anchor}">{image}>{caption}</figure>'
    width = figure.size[0] * PIXELS
    image += f' style="min-width: {width:.0f}px">'
    if width > PHONE:
        label = escape(figure.name.replace("_", " "))
        image = (
            f'<div class="vb-scroll" tabindex="0" role="region" aria-label="figure: {label}">{image}</div>'
        )
    most = min(WIDEST, LARGEST * width)
    return (
        f'<figure class="vb-figure" id="{anchor}" style="max-width: {most:.0f}px">{image}{caption}</figure>'
    )


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


def folded_contents(sections: Sequence[tuple[str, str]]) -> str:
    """The same for a narrow window, which has no room beside the page: folded, after the answer."""
    rows = "".join(f'<li><a href="#{escape(name)}">{escape(title)}</a></li>' for name, title in sections)
    return f'<details class="vb-contents"><summary>Contents</summary><nav aria-label="Contents"><ol>{rows}</ol></nav></details>'


def report_html(document: Document, *, scope: str, stamp: str) -> str:
    """One report as HTML."""
    foot = f"<footer>{escape(stamp)}</footer>\n"
    parts: list[str] = []
    folded = folded_contents(document.sections)
    for (anchor, block), (_, before) in zip(document.parts, (("", None), *document.parts), strict=False):
        if isinstance(before, Answer):
            if isinstance(block, Figure):
                # the answer and its picture side by side where the window is wide enough
                both = f"<div>{parts.pop()}</div>{block_html(block, anchor)}"
                parts += [f'<div class="vb-first">{both}</div>', folded]
                continue
            parts.append(folded)
        parts.append(block_html(block, anchor))
    head = contents_html(document.sections)
    return page_html(f"{document.title}, {scope}", "\n".join(parts), head=head, foot=foot)
