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

from . import blocks
from .blocks import Block

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
    except (KeyError, TypeError, AttributeError, RecursionError, ValueError) as error:
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
    """Columns of a table: each is one line of JSON in a text, for notebooks are written with one value a line."""
    if isinstance(cells, Mapping):
        return {"is": "mapping", "of": [[name, *_encode_cells([column])] for name, column in cells.items()]}
    return [{"is": "column", "of": json.dumps(column, ensure_ascii=False)} for column in cells]


def _decode(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_decode(item) for item in value)
    if not isinstance(value, Mapping):
        return value
    kind = value["is"]
    if kind == "float":
        return float(value["of"])
    if kind == "column":
        return tuple(json.loads(value["of"]))
    if kind == "mapping":
        return {name: _decode(item) for name, item in value["of"]}
    return KINDS[kind](**{name: _decode(item) for name, item in value.items() if name != "is"})
