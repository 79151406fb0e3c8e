"""Speeds that DEVELOPERS.md quotes stand in the tables that the measurements left in bench/."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.]*\d)")


def quoted_rows():
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    section = text[text.index("\n## How fast") :].split("\n## ", 2)[1]
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in section.splitlines()
        if line[:2] == "| "
    ]
    return [row for row in rows if row[-1].endswith(".txt")]


def test_every_figure_quoted_is_in_the_table_named_beside_it():
    rows = quoted_rows()
    assert len(rows) > 10
    for what, figure, *_, table in rows:
        measured = [
            float(number) for number in NUMBER.findall((ROOT / "bench" / "tables" / table).read_text("utf-8"))
        ]
        for said in NUMBER.findall(figure):
            half = 0.5 * 10.0 ** -len(said.partition(".")[2])
            assert any(abs(number - float(said)) <= half * 1.000001 for number in measured), (what, said)
