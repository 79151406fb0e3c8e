"""The original text of rows, for those that are held: their own headers and cells, names hidden."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ventbook.privacy import NameCoder
from ventbook.readers import Batch, Field

from .load import FREE_TEXT, Loaded, drop_lines

ESCAPED = r'["\\\x00-\x1f]'  # what JSON writes in another way


@dataclass
class Originals:
    """``texts``: position -> own header -> original text as JSON. ``broken``: the same as a mapping for rows that
    could not be split into cells; theirs stand as they came, and are not in ``texts``.
    """

    texts: dict[int, str] = field(default_factory=dict)
    broken: dict[int, dict[str, str | None]] = field(default_factory=dict)


def read_originals(loaded: Loaded, which: np.ndarray, coder: NameCoder) -> Originals:
    """The rows ``which`` (sorted positions), technicians coded and known names masked."""
    found = Originals()
    for number, sheet in enumerate(loaded.sheets):
        headers = [f.header or f"column {n + 1}" for n, f in enumerate(sheet.fields)]
        for positions, inside, batch in _find_rows(loaded, which, number):
            cells = [
                _hide_names(f, _texts(c.take(pa.array(inside))), coder)
                for f, c in zip(sheet.fields, batch.cells, strict=True)
            ]
            texts = _as_json(headers, cells, len(inside))
            for place, (position, row) in enumerate(zip(positions.tolist(), inside.tolist(), strict=True)):
                if row in batch.faults:
                    split: list[str | None] = list(batch.faults[row][1].split(" | "))
                    names = headers + [f"column {n + 1}" for n in range(len(headers), len(split))]
                    split += [None] * (len(names) - len(split))
                    found.broken[position] = dict(zip(names, split, strict=True))
                else:
                    found.texts[position] = texts[place]
    return found


def _find_rows(
    loaded: Loaded, which: np.ndarray, number: int
) -> Iterator[tuple[np.ndarray, np.ndarray, Batch]]:
    """(positions in the table, rows of the batch, batch) of the wanted rows of one sheet."""
    sheet = loaded.sheets[number]
    begin, end = np.searchsorted(loaded.source, [number, number + 1])
    own = which[(which >= begin) & (which < end)]
    if not len(own):
        return
    if sheet.read_lines is not None and number not in loaded.kept:
        lines = loaded.rows.column("_line").take(pa.array(own)).to_numpy()
        order = np.argsort(lines)
        own, lines = own[order], lines[order]
        for batch in sheet.read_lines(lines):
            yield own[np.searchsorted(lines, np.asarray(batch.lines))], np.arange(batch.rows), batch
        return
    at = int(begin)
    for batch in loaded.kept.get(number) or (drop_lines(sheet, batch)[0] for batch in sheet.batches()):
        inside = own[(own >= at) & (own < at + batch.rows)]
        if len(inside):
            yield inside, inside - at, batch
        at += batch.rows


def _as_json(headers: list[str], cells: list[pa.Array], rows: int) -> list[str]:
    """One JSON object a row, written column by column."""
    if len(set(headers)) < len(headers):  # of two columns of one name, the later one counts
        columns = [column.to_pylist() for column in cells]
        each = zip(*columns, strict=True) if columns else [()] * rows
        return [json.dumps(dict(zip(headers, row, strict=True)), ensure_ascii=False) for row in each]
    parts: list[pa.Array | pa.Scalar] = []
    for number, (header, column) in enumerate(zip(headers, cells, strict=True)):
        name = ("{" if not number else ", ") + json.dumps(header, ensure_ascii=False) + ": "
        odd = pc.match_substring_regex(column, ESCAPED).fill_null(False)
        if pc.any(odd).as_py():
            written = [json.dumps(v, ensure_ascii=False)[1:-1] for v in column.filter(odd).to_pylist()]
            column = pc.replace_with_mask(column, odd, pa.array(written, pa.string()))
        quoted = pc.binary_join_element_wise('"', column, '"', "")
        parts += [pa.scalar(name), quoted.fill_null("null")]
    if not parts or not rows:
        return ["{}"] * rows
    found: list[str] = pc.binary_join_element_wise(*parts, pa.scalar("}"), "").to_pylist()
    return found


def _hide_names(part: Field, texts: pa.Array, coder: NameCoder) -> pa.Array:
    if part.column is not None and part.column.name == "technician":
        each = texts.dictionary_encode()
        names = [coder.code_name(t) if t.strip() else t for t in each.dictionary.to_pylist()]
        return pa.array(names, pa.string()).take(each.indices)
    if part.column is not None and part.column.name not in FREE_TEXT:
        return coder.hide_whole(texts)
    return coder.mask_column(texts)


def _texts(cells: pa.Array) -> pa.Array:
    if pa.types.is_string(cells.type):
        return cells
    return pa.array([None if value is None else str(value) for value in cells.to_pylist()], pa.string())
