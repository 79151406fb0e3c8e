"""Blocks as plain text, for a notebook read without a browser."""

from __future__ import annotations

from .blocks import (
    Answer,
    Block,
    Cautions,
    Explain,
    Figure,
    Finding,
    Heading,
    List,
    Pairs,
    Plain,
    Remark,
    Table,
    Text,
    Words,
    plain_words,
)
from .columns import heading
from .tables import text_rows

ROWS = 20


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
            return "\n".join([block.scope, *block.sentences])
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
