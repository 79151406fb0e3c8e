"""The original text of rows, for those that are held: their own headers and cells, names hidden."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from ventbook.privacy import NameCoder
from ventbook.readers import Field

from .load import FREE_TEXT, Loaded, drop_lines


def read_originals(
    loaded: Loaded, which: np.ndarray, coder: NameCoder
) -> Iterator[tuple[int, dict[str, str | None]]]:
    """(position, own header -> original text) of the rows ``which`` (sorted positions), technicians coded and known
    names masked. The cells of a row that could not be split stand as they came.
    """
    starts = np.searchsorted(loaded.source, np.arange(len(loaded.sheets) + 1))
    for number, sheet in enumerate(loaded.sheets):
        own = which[(which >= starts[number]) & (which < starts[number + 1])] - starts[number]
        if not len(own):
            continue
        at = 0
        batches = loaded.kept.get(number) or (drop_lines(sheet, batch)[0] for batch in sheet.batches())
        headers = [f.header or f"column {n + 1}" for n, f in enumerate(sheet.fields)]
        for batch in batches:
            inside = own[(own >= at) & (own < at + batch.rows)] - at
            taken = [
                _hide_names(f, _texts(c.take(pa.array(inside))), coder)
                for f, c in zip(sheet.fields, batch.cells, strict=True)
            ]
            for place, row in enumerate(inside):
                if int(row) in batch.faults:
                    cells: list[str | None] = list(batch.faults[int(row)][1].split(" | "))
                    names = headers + [f"column {n + 1}" for n in range(len(headers), len(cells))]
                else:
                    cells, names = [column[place] for column in taken], headers
                yield (
                    int(row) + at + int(starts[number]),
                    dict(zip(names, cells + [None] * (len(names) - len(cells)), strict=True)),
                )
            at += batch.rows


def _hide_names(part: Field, texts: list[str | None], coder: NameCoder) -> list[str | None]:
    if part.column is not None and part.column.name == "technician":
        return [coder.code_name(t) if t and t.strip() else t for t in texts]
    column = pa.array(texts, pa.string())
    if part.column is not None and part.column.name not in FREE_TEXT:
        return coder.hide_whole(column).to_pylist()
    return coder.mask_column(column).to_pylist()


def _texts(cells: pa.Array) -> list[str | None]:
    if pa.types.is_string(cells.type):
        return cells.to_pylist()
    return [None if value is None else str(value) for value in cells.to_pylist()]
