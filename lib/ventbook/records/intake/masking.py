"""Names that came to be known later, masked in what was taken in before.

Only text that nothing is looked up by is changed, in the snapshot that is being written; earlier snapshots stay as they
were. Identifiers, addresses and headers stay, for other rows refer to them.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import partial

import pyarrow as pa

from ventbook import tables
from ventbook.records.intake.load import IDENTIFIERS, PLACES
from ventbook.records.privacy import NameCoder
from ventbook.records.store import Writer

SENTENCES = {"issues": ("value", "what"), "quarantine": ("value", "what")}


def mask_again(writer: Writer, coder: NameCoder) -> None:
    """Mask all names known now in the rows that stand in the store and in those that are being added."""
    for name, table in tables.record_tables().items():
        if name == "samples" or name not in writer.versions:
            continue
        free = [
            c.stored
            for c in table.columns
            if c.kind == "text" and c.name not in ("technician", *IDENTIFIERS, *PLACES)
        ]
        change = partial(_mask_rows, coder, columns=free, cells="_other", key=table.key)
        writer.rewrite_rows(name, change, [*free, "_other", *(n for n in table.key if n not in free)])
    for name, columns in SENTENCES.items():
        if name in writer.versions:
            cells = "original" if name == "quarantine" else ""
            change = partial(_mask_rows, coder, columns=columns, cells=cells, key=())
            writer.rewrite_rows(name, change, [*columns, *filter(None, [cells])])


def _mask_rows(
    coder: NameCoder, rows: pa.Table, *, columns: Sequence[str], cells: str, key: tuple[str, ...]
) -> pa.Table:
    """The rows with names masked in some columns and in the values of the JSON column ``cells``; the same object where
    there is nothing to mask, or where two rows would come to have one key.
    """
    masked = rows
    for name in columns:
        old = rows.column(name).combine_chunks()
        new = coder.mask_column(old)
        if new is not old and not new.equals(old):
            masked = masked.set_column(masked.schema.get_field_index(name), name, new)
    if cells:
        old = rows.column(cells).combine_chunks()
        hit = coder.mask_column(old)
        if hit is not old and not hit.equals(old):
            texts = [
                text if text is None or text == other else _mask_values(coder, text)
                for text, other in zip(old.to_pylist(), hit.to_pylist(), strict=True)
            ]
            new = pa.array(texts, pa.string())
            if not new.equals(old):
                masked = masked.set_column(masked.schema.get_field_index(cells), cells, new)
    if masked is rows or (key and _count_keys(masked, key) < _count_keys(rows, key)):
        return rows
    return masked


def _mask_values(coder: NameCoder, text: str) -> str:
    cells = json.loads(text)
    return json.dumps(
        {n: coder.mask_text(v) if isinstance(v, str) else v for n, v in cells.items()}, ensure_ascii=False
    )


def _count_keys(rows: pa.Table, key: tuple[str, ...]) -> int:
    return int(rows.group_by(list(key)).aggregate([]).num_rows)
