"""The figures of calibration that DEVELOPERS.md quotes, read from the committed tables: python -m calibrate figures."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

HERE = Path(__file__).resolve().parent
DOCUMENT = HERE.parent / "DEVELOPERS.md"
FIRST = "<!-- figures: written by `python -m calibrate figures`, not by hand -->"
LAST = "<!-- end of figures -->"
TAKES = ("only", "min", "max", "mean", "count", "least_mean", "greatest_mean")


def read_cell(table: pd.DataFrame, cell: Mapping[str, Any]) -> float:
    """One figure of a table, as a percentage (or times ``times``). Raises ValueError where it is not there, or not one."""
    rows = table
    for column, value in cell.get("where", {}).items():
        rows = rows[rows[column].isin(value if isinstance(value, list) else [value])]
    values, take = rows[cell["column"]].astype(float), cell.get("take", "only")
    if values.empty or (take == "only" and len(values) != 1) or take not in TAKES:
        raise ValueError(f"{len(values)} rows for {dict(cell)}")
    if take in ("least_mean", "greatest_mean"):
        means = rows.groupby(cell["by"])[cell["column"]].mean()
        found = means.min() if take == "least_mean" else means.max()
    else:
        found = values.iloc[0] if take == "only" else values.agg(take)
    return float(found) * float(cell.get("times", 100))


class _OneDecimal(float):
    """A figure that reads with one decimal where the text says nothing else."""

    def __format__(self, spec: str) -> str:
        return super().__format__(spec or ".1f")


def read_figures(row: Mapping[str, Any], tables: Path) -> dict[str, float]:
    """All figures of a row, by name."""
    table = pd.read_csv(tables / row["table"], keep_default_na=False)
    return {name: _OneDecimal(read_cell(table, cell)) for name, cell in row["cells"].items()}


def write_section(*, quotes: Path = HERE / "figures.toml", tables: Path = HERE / "tables") -> str:
    """The section's text from the tables, marks included; a row without its figure in the tables raises ValueError."""
    document = tomllib.loads(quotes.read_text(encoding="utf-8"))
    lines = [FIRST, "", "| what | figure | table |", "|---|---|---|"]
    for row in document["row"]:
        figures = read_figures(row, tables)
        lines.append(
            f"| {row['what'].format(**figures)} | {row['figure'].format(**figures)} | {row['table']} |"
        )
    short = [
        f"- {row['text'].format(**read_figures(row, tables))} ({row['table']})" for row in document["short"]
    ]
    return "\n".join([*lines, "", "Known to fall short:", "", *short, "", LAST])


def place_section(text: str, section: str) -> str:
    """``text`` with what stands between the section's first and last line replaced by ``section``. Raises ValueError without
    these two marks.
    """
    begin, end = section.splitlines()[0], section.splitlines()[-1]
    head, first, rest = text.partition(begin)
    _, last, tail = rest.partition(end)
    if not first or not last:
        raise ValueError(f"the marks {begin} and {end} must stand in the text, once each and in this order")
    return head + section + tail


def main() -> int:
    """Writes the section into DEVELOPERS.md."""
    DOCUMENT.write_text(
        place_section(DOCUMENT.read_text(encoding="utf-8"), write_section()), encoding="utf-8"
    )
    return 0
