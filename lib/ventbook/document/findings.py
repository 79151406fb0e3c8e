"""findings.json and the tables as CSV: what other programs read. Canonical units, ten significant digits."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ventbook.document import wording
from ventbook.document.blocks import Closing, Data, Figure, Finding
from ventbook.document.values import Cell, json_number, json_scalar, neutral_text, plain_cell
from ventbook.results import DIGITS

# Paths of the machine that a page was made on tell nothing to whoever reads its numbers.
PLACES = ("store", "limits")
ROWS_AT_ONCE = 100_000


def finding_row(finding: Finding) -> dict[str, Any]:
    """A finding as it stands in findings.json."""
    return {
        "id": finding.id,
        "group": {name: json_scalar(value) for name, value in finding.group.items()},
        "period_start": finding.period_start,
        "period_end": finding.period_end,
        "estimate": json_number(finding.estimate),
        "low": json_number(finding.low),
        "high": json_number(finding.high),
        "level": finding.level,
        "unit": finding.unit,
        "n": finding.n,
        "clusters": finding.clusters,
        "tier": finding.tier,
        "state": finding.state,
        "verdict": finding.verdict,
        "sentence": finding.sentence,
        "method": finding.method,
    }


def findings_json(closing: Closing, findings: Sequence[Finding]) -> str:
    """The text of findings.json."""
    stamp = closing.stamp
    content = {
        "report": stamp["report"],
        "version": 1,
        "parameters": {name: value for name, value in stamp["parameters"].items() if name not in PLACES},
        "snapshot": stamp["snapshot"],
        "findings": [finding_row(finding) for finding in findings],
        "tables": {table.name: f"tables/{table.name}.csv" for table in closing.tables},
    }
    return json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def table_csv(table: Data) -> str:
    """A whole table as CSV: comma, point, ISO dates, empty for missing, text cells made inert."""
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    writer.writerow([neutral_text(name) for name in table.cells])
    columns = [_each_text(values) for values in table.cells.values()]
    writer.writerows(zip(*columns, strict=True))
    return target.getvalue()


def _each_text(values: Sequence[Cell]) -> list[str]:
    """Cells as text; each text that differs is cleaned once."""
    known: dict[str, str] = {}
    made = []
    for value in values:
        if isinstance(value, str):
            if value not in known:
                known[value] = neutral_text(wording.clean_text(value, longest=10_000))
            made.append(known[value])
        else:
            made.append(_number_text(value))
    return made


def _number_text(value: float | bool | None) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value) if isinstance(value, int) else f"{value:.{DIGITS}g}"


def write_frame(path: Path, frame: pd.DataFrame) -> None:
    """A frame as the CSV that :func:`table_csv` makes of it, some rows at a time, each value that differs worded once."""
    comma, end = (pa.scalar(text, pa.large_string()) for text in (",", "\n"))
    with path.open("wb") as target:
        names = _quote(neutral_text(str(name)) for name in frame.columns)
        target.write((",".join(names) + "\n").encode())
        for begin in range(0, len(frame), ROWS_AT_ONCE):
            part = frame.iloc[begin : begin + ROWS_AT_ONCE]
            rows = pc.binary_join_element_wise(*(_text_column(part[name]) for name in part.columns), comma)
            lines = pc.binary_join_element_wise(rows, end, pa.scalar("", end.type))
            target.write(memoryview(lines.buffers()[2])[: pc.sum(pc.binary_length(lines)).as_py()])


def _text_column(values: pd.Series) -> pa.Array:
    codes, distinct = pd.factorize(values)
    texts = [*_each_text([plain_cell(value) for value in distinct]), ""]
    return pa.array(_quote(texts), pa.large_string()).take(pa.array(codes % len(texts)))


def _quote(texts: Iterable[str]) -> list[str]:
    """Texts as cells of a CSV file."""
    lines: list[str] = []
    writer = csv.writer(SimpleNamespace(write=lines.append), lineterminator="\n")
    writer.writerows([text, ""] for text in texts)
    return [line.removesuffix(",\n") for line in lines]


def write_whole(folder: Path, closing: Closing, frames: Mapping[str, pd.DataFrame]) -> None:
    """The CSV of each table of which only the first rows are held, from its whole frame."""
    (folder / "tables").mkdir(parents=True, exist_ok=True)
    for table in closing.tables:
        if table.total and table.name in frames:
            write_frame(folder / "tables" / f"{table.name}.csv", frames[table.name])


def write_files(
    folder: Path,
    closing: Closing,
    findings: Sequence[Finding],
    figures: Mapping[str, Figure],
    *,
    frames: Mapping[str, pd.DataFrame] | None = None,
) -> None:
    """Writes findings.json, tables/*.csv and figures/*.svg.

    A table of which only the first rows are held is written whole from ``frames``; without, a file that was written so
    before stays.
    """
    for name in ("tables", "figures"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    for table in closing.tables:
        path = folder / "tables" / f"{table.name}.csv"
        if not table.total or (frames is None and not path.exists()):
            _write(path, table_csv(table))
    write_whole(folder, closing, frames or {})
    for name, figure in figures.items():
        _write(folder / "figures" / f"{name}.svg", figure.svg)
    _write(folder / "findings.json", findings_json(closing, findings))


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="")
