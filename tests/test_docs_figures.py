"""Figures of calibration in DEVELOPERS.md stand there as the committed tables have them."""

import re
import tomllib

import pandas as pd
import pytest
from calibrate import figures


def test_the_quoted_figures_are_those_of_the_committed_tables():
    text = figures.DOCUMENT.read_text(encoding="utf-8")
    assert figures.place_section(text, figures.write_section()) == text, "run: python -m calibrate figures"


def test_no_figure_of_calibration_is_typed_outside_the_marks():
    """The chapter on calibration has its numbers between the marks; around them stands only how to run it."""
    text = figures.DOCUMENT.read_text(encoding="utf-8")
    chapter = text[text.index("## How well the numbers are calibrated") : text.index("## How fast")]
    around = chapter.replace(figures.write_section(), "")
    assert not re.search(r"\d+(\.\d+)? ?%|\+-|\d in 100", around)


def test_every_figure_has_a_place_in_a_table_and_is_quoted():
    document = tomllib.loads((figures.HERE / "figures.toml").read_text(encoding="utf-8"))
    for row in [*document["row"], *document["short"]]:
        text = row.get("text", "") + row.get("what", "") + row.get("figure", "")
        assert set(re.findall(r"{(\w+)[:}]", text)) == set(row["cells"])
        found = figures.read_figures(row, figures.HERE / "tables")
        assert all(value == value for value in found.values())


def test_a_changed_table_changes_the_section(tmp_path):
    for path in (figures.HERE / "tables").glob("*.csv"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    table = pd.read_csv(tmp_path / "lifter.csv")
    table.loc[0, "right"] = 0.5
    table.to_csv(tmp_path / "lifter.csv", index=False)
    assert "right 50.0 %" in figures.write_section(tables=tmp_path)
    assert "right 50.0 %" not in figures.write_section()


def test_a_figure_that_is_not_in_its_table_is_an_error():
    table = pd.DataFrame({"fleet": ["a", "a"], "share": [0.1, 0.3]})
    assert figures.read_cell(table, {"column": "share", "take": "mean"}) == pytest.approx(20.0)
    with pytest.raises(ValueError, match="2 rows for"):
        figures.read_cell(table, {"column": "share", "where": {"fleet": "a"}})
    with pytest.raises(ValueError, match="0 rows for"):
        figures.read_cell(table, {"column": "share", "where": {"fleet": "b"}, "take": "mean"})
    with pytest.raises(ValueError, match="the marks"):
        figures.place_section("no marks here", "section")
