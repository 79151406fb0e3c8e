"""Blocks as plain text, for a notebook read without a browser, and the notebooks' markdown as blocks.

Headings, paragraphs, lists, code and tables of words are read. Raw HTML in markdown is shown, not obeyed; links keep their words
only, for a report leads nowhere; pictures are left out.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

from ventbook.document.blocks import (
    Answer,
    Block,
    Cautions,
    Column,
    Explain,
    Figure,
    Finding,
    Heading,
    List,
    Pairs,
    Plain,
    Remark,
    Span,
    SpanKind,
    Table,
    Text,
    Words,
    plain_words,
)
from ventbook.document.columns import heading, text_rows
from ventbook.document.formulas import PATTERN, read_formula

if TYPE_CHECKING:
    from markdown_it.tree import SyntaxTreeNode


ROWS = 20
# Formulas are put aside while markdown is read, so that an underscore in one is not taken for stress.
_MARK = "\ue000{}\ue001"
_MARKED = re.compile("\ue000(\\d+)\ue001")
_STRESS: dict[str, SpanKind] = {"em": "em", "strong": "strong"}


def block_text(block: Block) -> str:
    """One block as plain text; empty where it has nothing to say in this form."""
    match block:
        case Heading() | Text():
            return plain_words(block.words)
        case Plain():
            return block.text
        case List():
            return "\n".join(block_text(part) for item in block.items for part in item)
        case Answer():
            todo = [f"{number}. {text}" for number, text in enumerate(block.todo, 1)]
            head = "What to do:" if todo else ""
            parts = (block.scope, block.caution, block.banner, *block.sentences, head, *todo, *block.warnings)
            return "\n".join(part for part in parts if part)
        case Explain():
            prose = "\n\n".join(_with_signs(words) for words in block.paragraphs)
            return f"How this was worked out: {block.title}\n{prose}"
        case Finding():
            return block.sentence
        case Table():
            return _table_text(block)
        case Figure():
            return f"Figure: {block.caption}\n{block.alt}"
        case Cautions():
            return "\n".join(block.texts)
        case Pairs():
            return "\n".join(f"{a}: {b}" for a, b in block.rows)
        case Remark():
            return "\n".join(part for part in (block.head, block.changed, *block.paragraphs) if part)
    return ""


def _with_signs(words: Words) -> str:
    signs = {"formula": "$", "display": "$$"}
    return "".join(f"{signs.get(span.kind, '')}{span.text}{signs.get(span.kind, '')}" for span in words)


def _table_text(table: Table) -> str:
    """The table's first rows."""
    lines = [table.title, " | ".join(heading(column, table.units) for column in table.columns)]
    lines += [" | ".join(row) for row in text_rows(table)[:ROWS]]
    if table.rows > ROWS:
        lines.append(f"... {table.rows} rows")
    return "\n".join(lines)


@cache
def _reader() -> Any:
    from markdown_it import MarkdownIt

    return MarkdownIt("commonmark", {"html": False}).enable("table")


def read_markdown(text: str) -> tuple[Block, ...]:
    """The blocks of a piece of markdown."""
    from markdown_it.tree import SyntaxTreeNode

    formulas: list[Span] = []

    def put_aside(match: re.Match[str]) -> str:
        formulas.append(read_formula(match))
        return _MARK.format(len(formulas) - 1)

    text = PATTERN.sub(put_aside, text.replace("\ue000", "").replace("\ue001", ""))
    tree = SyntaxTreeNode(_reader().parse(text))
    return tuple(block for node in tree.children for block in _blocks(node, formulas))


def _blocks(node: SyntaxTreeNode, formulas: list[Span]) -> list[Block]:
    if node.type == "heading":
        return [Heading(_words(node, formulas), int(node.tag[1]))]
    if node.type == "paragraph":
        words = _words(node, formulas)
        return [Text(words)] if plain_words(words).strip() else []
    if node.type in ("bullet_list", "ordered_list"):
        items = tuple(
            tuple(block for part in item.children for block in _blocks(part, formulas))
            for item in node.children
        )
        return [List(items, ordered=node.type == "ordered_list")]
    if node.type in ("fence", "code_block"):
        return [Plain(_put_back_text(node.content.rstrip("\n"), formulas))]
    if node.type == "table":
        return [_table(node, formulas)]
    return [block for part in node.children for block in _blocks(part, formulas)]


def _table(node: SyntaxTreeNode, formulas: list[Span]) -> Table:
    lines = [
        [plain_words(_words(cell, formulas)) for cell in row.children]
        for part in node.children
        for row in part.children
    ]
    heads, rows = lines[0], lines[1:]
    columns = tuple(Column(f"column-{place}", head, format="text") for place, head in enumerate(heads, 1))
    values = tuple(zip(*rows, strict=True)) if rows else tuple(() for _ in heads)
    return Table("words", ", ".join(heads), columns, values, rows=len(rows))


def _words(node: SyntaxTreeNode, formulas: list[Span]) -> Words:
    """The words below a node, in order, neighbours of one kind put together."""
    made: list[Span] = []

    def add(text: str, kind: SpanKind) -> None:
        place = 0
        for match in _MARKED.finditer(text):
            keep(Span(text[place : match.start()], kind))
            keep(formulas[int(match[1])])
            place = match.end()
        keep(Span(text[place:], kind))

    def keep(span: Span) -> None:
        if not span.text:
            return
        if made and made[-1].kind == span.kind and span.kind not in ("formula", "display"):
            made[-1] = replace(made[-1], text=made[-1].text + span.text)
        else:
            made.append(span)

    def walk(part: SyntaxTreeNode, kind: SpanKind) -> None:
        if part.type == "code_inline":
            keep(Span(_put_back_text(part.content, formulas), "code"))
        elif part.type in ("softbreak", "hardbreak"):
            add("\n", kind)
        elif part.type in ("text", "html_inline"):
            add(part.content, kind)
        elif part.type != "image":
            for below in part.children:
                walk(below, _STRESS.get(part.type, kind))

    walk(node, "")
    return tuple(made)


def _put_back_text(text: str, formulas: list[Span]) -> str:
    """Code in which a formula was put aside, as it was written."""
    signs = {"formula": "$", "display": "$$"}
    return _MARKED.sub(
        lambda match: (
            f"{signs[formulas[int(match[1])].kind]}{formulas[int(match[1])].text}{signs[formulas[int(match[1])].kind]}"
        ),
        text,
    )
