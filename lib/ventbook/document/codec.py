"""Blocks as JSON and back, nothing lost: floats are exact, texts and their order as they were.

A block is an object that names its kind in ``is`` and leaves out what stands at its default. Notebooks are written with
sorted keys, so a mapping, whose order counts, is a list of pairs. JSON has no infinity, so that is an object too. What is
read back is checked by the blocks themselves.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, fields
from typing import Any

from ventbook.document import blocks
from ventbook.document.blocks import Block
from ventbook.document.values import Cell

VERSION = 1
KINDS: dict[str, Any] = {
    kind.__name__: kind
    for kind in (
        blocks.Answer,
        blocks.Cautions,
        blocks.Closing,
        blocks.Column,
        blocks.Data,
        blocks.Explain,
        blocks.Figure,
        blocks.Finding,
        blocks.Heading,
        blocks.List,
        blocks.Numbers,
        blocks.Pairs,
        blocks.Plain,
        blocks.Remark,
        blocks.Span,
        blocks.Table,
        blocks.Text,
    )
}


def encode_blocks(made: Iterable[Block]) -> dict[str, Any]:
    """Blocks as an object that JSON can hold."""
    return {"version": VERSION, "blocks": [_encode(block) for block in made]}


def decode_blocks(content: Any) -> tuple[Block, ...]:
    """The blocks of such an object. Raises ValueError where it is none, or was changed so that it can't be read."""
    if not isinstance(content, Mapping) or content.get("version") != VERSION:
        raise ValueError(f"blocks of another version than {VERSION}")
    try:
        made = _decode(content["blocks"])
    except (KeyError, IndexError, TypeError, AttributeError, RecursionError, ValueError) as error:
        raise ValueError(f"no blocks ({type(error).__name__}: {error})") from None
    if not isinstance(made, tuple) or not all(isinstance(block, Block) for block in made):
        raise ValueError("no blocks")
    return made


def _encode(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return {"is": "float", "of": str(value)}
    if value is None or isinstance(value, (str, bool, int, float)):
        return value
    if isinstance(value, (list, tuple)):
        return [_encode(item) for item in value]
    if isinstance(value, Mapping):
        return {"is": "mapping", "of": [[name, _encode(item)] for name, item in value.items()]}
    kind = type(value).__name__
    if KINDS.get(kind) is not type(value):
        raise TypeError(f"a block can't hold a {kind}")
    made = {"is": kind}
    for item in fields(value):
        held = getattr(value, item.name)
        if item.name == "cells":
            made[item.name] = _encode_cells(held)
        elif item.default is MISSING or held != item.default:
            made[item.name] = _encode(held)
    return made


def _encode_cells(cells: Any) -> Any:
    """The columns of a table, one object each."""
    if isinstance(cells, Mapping):
        return {"is": "mapping", "of": [[name, _encode_column(column)] for name, column in cells.items()]}
    return [_encode_column(column) for column in cells]


def _encode_column(column: tuple[Cell, ...]) -> dict[str, Any]:
    """A column as one line of JSON in a text, for notebooks are written with one value a line.

    Of texts that come again and again, each is written once and its place in that list in every row.
    """
    made: dict[str, Any] = {"is": "column"}
    texts = list(dict.fromkeys(cell for cell in column if isinstance(cell, str)))
    if 2 * len(texts) < len(column) and all(cell is None or isinstance(cell, str) for cell in column):
        made["texts"] = texts
        places = {text: place for place, text in enumerate(texts)}
        column = tuple(None if cell is None else places[cell] for cell in column)  # type: ignore[index]
    return {**made, "of": json.dumps(column, ensure_ascii=False, separators=(",", ":"))}


def _decode_column(value: Mapping[str, Any]) -> tuple[Cell, ...]:
    cells = json.loads(value["of"])
    texts = value.get("texts")
    if texts is not None:
        cells = [None if place is None else texts[place] for place in cells]
    if not all(cell is None or isinstance(cell, (str, int, float)) for cell in cells):
        raise TypeError("a cell is a text, a number, yes or no, or empty")
    return tuple(cells)


def _decode(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_decode(item) for item in value)
    if not isinstance(value, Mapping):
        return value
    kind = value["is"]
    if kind == "float":
        return float(value["of"])
    if kind == "column":
        return _decode_column(value)
    if kind == "mapping":
        return {name: _decode(item) for name, item in value["of"]}
    return KINDS[kind](**{name: _decode(item) for name, item in value.items() if name != "is"})
