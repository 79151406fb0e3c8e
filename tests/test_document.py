"""Blocks: nothing is lost on the way through a notebook, and every renderer says the same."""

from __future__ import annotations

import ast
import datetime as dt
import json
import math
import re
from fnmatch import fnmatchcase
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
import pytest
from bs4 import BeautifulSoup
from hypothesis import given
from hypothesis import strategies as st

from ventbook.document import MEDIA, arrange_page, find_closing, read_blocks
from ventbook.document.blocks import (
    Answer,
    Closing,
    Column,
    Data,
    Explain,
    Figure,
    Heading,
    List,
    Plain,
    Remark,
    Span,
    Table,
    Text,
    make_words,
    plain_words,
)
from ventbook.document.codec import decode_blocks, encode_blocks
from ventbook.document.columns import choose_columns, make_data, make_table, read_columns, text_rows
from ventbook.document.findings import table_csv
from ventbook.document.formulas import PATTERN, find_typst, read_formula, read_formulas
from ventbook.document.html import block_html
from ventbook.document.sequence import Blocks
from ventbook.document.text import read_markdown
from ventbook.document.typst import Writer, set_table, text_width
from ventbook.tables import DATA, TableError

PAGES = Path(__file__).resolve().parents[1] / "lib" / "ventbook" / "reports"
cells = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False)
    | st.text(st.characters(exclude_categories=["Cs"]))
)


def through_a_notebook(blocks: Blocks) -> Blocks:
    """The blocks as they come back from a notebook that showed them and was written and read."""
    output = nbformat.v4.new_output("execute_result", blocks._repr_mimebundle_())
    cell = nbformat.v4.new_code_cell("shown", outputs=[output])
    written = nbformat.writes(nbformat.v4.new_notebook(cells=[cell]))
    return read_blocks(nbformat.reads(written, as_version=4))


@given(st.lists(cells, max_size=6), st.text(st.characters(exclude_categories=["Cs"]), min_size=1))
def test_a_table_comes_back_as_it_was(values, header):
    table = Table(
        "t", "A table", (Column("b", header, "mm"), Column("a", "a")), (tuple(values), tuple(values)), 99
    )
    data = Data("t", "A table", (Column("b", header),), {"b": tuple(values), "a": tuple(values)})
    closing = Closing("T", "all", "us", {"label": "2026Q3"}, ("Yes.",), {"z": 1, "a": {"is": [1.5]}}, (data,))
    back = decode_blocks(json.loads(json.dumps(encode_blocks([table, closing]))))
    assert back[0] == table
    assert back[1] == Closing(**{**closing.__dict__, "stamp": {"z": 1, "a": {"is": (1.5,)}}})
    assert list(back[1].tables[0].cells) == ["b", "a"]
    assert [type(a) for a in back[0].cells[0]] == [type(a) for a in values]


def test_texts_that_repeat_are_written_once():
    values = (None, "Harbour", "Lake", None, "Harbour", "Harbour", "=1")
    table = Table(
        "t", "T", (Column("a", "A"), Column("b", "B")), (values, (1.0, 1, True, "1", None, "x", 0)), 7
    )
    made = encode_blocks([table])["blocks"][0]["cells"]
    assert made[0]["texts"] == ["Harbour", "Lake", "=1"] and made[0]["of"] == "[null,0,1,null,0,0,2]"
    assert "texts" not in made[1]
    back = decode_blocks(encode_blocks([table]))[0]
    assert back == table and [type(cell) for cell in back.cells[1]] == [type(cell) for cell in table.cells[1]]


def test_blocks_come_back_from_a_written_notebook():
    frame = pd.DataFrame(
        {
            "z": [1 / 3, math.inf, math.nan],
            "a": pd.to_datetime(["2026-01-02", "2026-01-02 03:04", None], format="ISO8601"),
        }
    )
    columns = {"z": Column("z", "Z", "mm"), "a": Column("a", "A")}
    shown = Blocks(
        Answer("all", ("One.", "Two."), "Careful."),
        Explain("x", ((Span("From "), Span("k/n", "formula")),)),
        Figure("f", "<svg>\n</svg>", "A line.", "Rises."),
        Heading(make_words("Here"), 2),
        List(((Text(make_words("a")), List(((Text(make_words("b")),),))),)),
        Plain("1\n 2"),
        Remark("Comment", ("x",), "It moved."),
        make_table("t", frame, columns, title="T"),
    ) + Blocks("A sentence.", "")
    assert through_a_notebook(shown) == shown
    assert shown[7].cells == ((1 / 3, math.inf, None), ("2026-01-02", "2026-01-02T03:04:00", None))
    assert text_rows(shown[7]) == [["0.33", "2026-01-02"], ["not reached", "2026-01-02 03:04:00"], ["", ""]]


@pytest.mark.parametrize(
    "content",
    [
        None,
        {"version": 2, "blocks": []},
        {"version": 1},
        {"version": 1, "blocks": "x"},
        {"version": 1, "blocks": [{"is": "Path", "x": 1}]},
        {"version": 1, "blocks": [{"is": "Span", "text": "x"}]},
        {"version": 1, "blocks": [{"is": "Heading", "words": [], "level": "1 onclick=x"}]},
        {"version": 1, "blocks": [{"is": "Text", "words": [{"is": "Span", "text": "x", "kind": "script"}]}]},
        {"version": 1, "blocks": [{"is": "Figure", "name": "../x", "svg": "", "alt": "x", "caption": ""}]},
        {
            "version": 1,
            "blocks": [
                {
                    "is": "Data",
                    "name": "a/b",
                    "title": "",
                    "columns": [],
                    "cells": {"is": "mapping", "of": []},
                }
            ],
        },
        {
            "version": 1,
            "blocks": [
                {
                    "is": "Table",
                    "name": "t",
                    "title": "",
                    "columns": [],
                    "cells": [{"is": "column", "of": "["}],
                    "rows": 1,
                }
            ],
        },
    ],
)
def test_what_are_no_blocks_is_refused(content):
    with pytest.raises(ValueError, match=r"blocks|one of|level|name is|columns"):
        decode_blocks(content)


@pytest.mark.parametrize("column", [{"of": "[9]", "texts": []}, {"of": "[[9]]"}, {"of": "9"}, {"of": 9}, {}])
def test_what_is_no_column_is_refused(column):
    table = {"is": "Table", "name": "t", "title": "", "rows": 1, "cells": [{"is": "column", **column}]}
    table["columns"] = [{"is": "Column", "name": "a", "header": "A"}]
    with pytest.raises(ValueError, match="no blocks"):
        decode_blocks({"version": 1, "blocks": [table]})


def test_what_another_library_shows_is_kept_as_its_text():
    output = nbformat.v4.new_output(
        "display_data", {"text/html": "<script>x</script>", "text/plain": "a <b>"}
    )
    printed = nbformat.v4.new_output("stream", name="stdout", text="seen\n")
    warned = nbformat.v4.new_output("stream", name="stderr", text="/home/x: careful")
    cell = nbformat.v4.new_code_cell("x", outputs=[output, printed, warned])
    notebook = nbformat.v4.new_notebook(cells=[cell])
    assert list(read_blocks(notebook)) == [Plain("a <b>"), Plain("seen\n")]
    assert block_html(Plain("a <b>")) == "<pre>a &lt;b&gt;</pre>"
    assert find_closing(read_blocks(notebook)) is None


def test_markdown_becomes_blocks():
    made = read_markdown(
        "# On *gaps* and `x_1`\n\nA **strong** $a_1 b_1$ word <b>raw</b>, [a link](http://example.invalid).\n\n"
        "- one\n- two\n  1. inner\n\n```\nx = 1\n```\n\n| a | b |\n|---|---|\n| 1 | $t$ |\n\n> said\n\n![p](q.png)\n"
    )
    assert made[0] == Heading((Span("On "), Span("gaps", "em"), Span(" and "), Span("x_1", "code")), 1)
    assert made[1] == Text(
        (
            Span("A "),
            Span("strong", "strong"),
            Span(" "),
            Span("a_1 b_1", "formula"),
            Span(" word <b>raw</b>, a link."),
        )
    )
    assert made[2] == List(
        (
            (Text(make_words("one")),),
            (Text(make_words("two")), List(((Text(make_words("inner")),),), ordered=True)),
        )
    )
    assert made[3] == Plain("x = 1")
    assert isinstance(made[4], Table) and text_rows(made[4]) == [["1", "t"]]
    assert made[5] == Text(make_words("said"))
    assert len(made) == 6
    shown = BeautifulSoup(Blocks(*made).html, "html.parser")
    assert shown.find("b") is None and shown.find("a") is None and shown.find("math")["alttext"] == "a_1 b_1"


def test_a_page_has_one_title_headings_in_order_and_no_anchor_twice():
    def head(text: str, level: int) -> Heading:
        return Heading(make_words(text), level)

    before, after = (Text(make_words(text)) for text in ("Before.", "After."))
    made = arrange_page(
        (
            *(before, head("Title", 1), head("Empty", 2), head("By site", 2), head("Deep", 5), after),
            *(head("By site", 2), head("Again", 1), after, head("End", 2)),
        ),
        title="Other",
        remarks={
            "by-site": [Remark("c", ("x",))],
            "deep": [Remark("d", ("y",))],
            "gone": [Remark("e", ("z",))],
        },
    )
    assert made.title == "Title"
    told = [
        (anchor, block.level, plain_words(block.words))
        if isinstance(block, Heading)
        else type(block).__name__ + (block.head if isinstance(block, Remark) else "")
        for anchor, block in made.parts
    ]
    assert told == [
        ("", 1, "Title"),
        "Text",
        ("by-site", 2, "By site"),
        ("deep", 3, "Deep"),
        "Text",
        "Remarkd",
        "Remarkc",
        ("again", 2, "Again"),
        "Text",
        ("comments", 2, "Comments whose section is no longer on this page"),
        "Remarke",
    ]
    assert [anchor for anchor, _ in made.sections] == ["by-site", "again", "comments"]


def test_whole_tables_keep_every_column_and_print_ten_digits():
    frame = pd.DataFrame(
        {
            "gap_mm": [1 / 3, 1e-12, math.inf],
            "n": pd.array([3, None, 5], dtype="Int64"),
            "day": [dt.date(2026, 1, 2), None, dt.date(2026, 1, 3)],
            "ok": pd.array([True, None, False], dtype="boolean"),
            "said": pd.Series(["=1+1", "a\x07b\ud800", None], dtype=object),
            "mixed": [1, "x", np.float64(2.5)],
        }
    )
    data = make_data("t", frame, {"n": Column("n", "Count")}, title="T")
    assert [column.name for column in data.columns] == ["n"] and data.columns[0].number
    assert table_csv(data) == (
        "gap_mm,n,day,ok,said,mixed\n"
        "0.3333333333,3,2026-01-02,yes,'=1+1,1\n"
        "1e-12,,,,a b\ufffd,x\n"
        "inf,5,2026-01-03,no,,2.5\n"
    )


def formulas_in_use() -> set[str]:
    """Every formula of an explanation in the pages' code and of the notebooks' markdown."""
    texts = []
    for path in PAGES.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                texts.append(node.value)
    for path in (DATA.parent / "notebooks").glob("*.ipynb"):
        texts += [c.source for c in nbformat.read(path, as_version=4).cells if c.cell_type == "markdown"]
    found = {read_formula(match).text for text in texts for match in PATTERN.finditer(text)}
    marker = r"\uparrow"  # drawn in a figure
    return {tex for tex in found if tex != marker and not re.search(r"[|^]\(|\\d", tex)}


def test_every_formula_has_its_spelling_for_print_and_no_row_is_left_over():
    used = formulas_in_use()
    assert {tex for tex in used if find_typst(tex) is None} == set()
    assert set(read_formulas()) <= used


def test_formulas_are_set_by_the_print_renderer(tmp_path):
    import typst

    lines = "\n\n".join(f"${spelling}$" for spelling in read_formulas().values())
    (tmp_path / "x.typ").write_text(lines, encoding="utf-8")
    assert typst.compile(str(tmp_path / "x.typ"), root=str(tmp_path))[:4] == b"%PDF"
    unknown = Writer(tmp_path).block(Text((Span("\\frac{a}{b}", "formula"),)))
    assert unknown == '#math.equation(block: false, alt: "\\\\frac{a}{b}", $"\\\\frac{a}{b}"$);\n\n'


def test_a_cell_shows_html_and_carries_its_blocks():
    shown = Blocks("One in <four>.")
    bundle = shown._repr_mimebundle_()
    assert set(bundle) == {"text/html", "text/plain", MEDIA}
    assert bundle["text/html"] == "<p>One in &lt;four&gt;.</p>" and bundle["text/plain"] == "One in <four>."
    assert Blocks(*decode_blocks(bundle[MEDIA])) == shown


def test_columns_are_headed_by_their_name():
    frame = ["site", "n", "low", "gap_mm", "own_thing_mm"]
    chosen = choose_columns(frame, ["gap_mm", "site", Column("n", "In 2026Q3")], table="x")
    assert list(chosen) == ["gap_mm", "site", "n"]
    assert chosen["gap_mm"] == Column("gap_mm", "Gap", "mm") and chosen["n"].header == "In 2026Q3"
    known = read_columns()
    assert known.find("n").header == "Ventings" and known.find("n", "blanks").header == "Lifters"
    assert choose_columns(frame, None)["own_thing_mm"] == Column("own_thing_mm", "own thing", "mm")
    with pytest.raises(ValueError, match=r"table x: columns z, own are not in the frame"):
        choose_columns(frame, [Column("z", "Z"), "own"], table="x")
    with pytest.raises(ValueError, match=r"table x: columns own_thing_mm have no row in columns\.toml"):
        choose_columns(frame, ["site", "own_thing_mm"], table="x")


@pytest.mark.parametrize(
    ("row", "match"),
    [
        ("{ unit = 'mm' }", "columns.toml, gap: missing header"),
        ("{ header = ' ' }", "header must say"),
        ("{ header = 'Gap', unit = 'furlong' }", "unit 'furlong' is not one"),
        ("{ header = 'Gap', decimals = 12 }", "decimals must be 0 to 9; got 12"),
        ("{ header = 'Gap', decimals = true }", "decimals must be"),
        ("{ header = 'Gap', kind = 'float' }", "kind must be one of number, text"),
        ("{ header = 'Gap', kind = 'text', decimals = 1 }", "decimals or kind, not both"),
        ("{ header = 'Gap', form = 'x' }", "unknown form"),
        ("'Gap'", "a row is a table"),
    ],
)
def test_a_wrong_row_of_columns_is_named(row, match, tmp_path, monkeypatch):
    monkeypatch.setattr("ventbook.document.columns.TABLE", tmp_path / "columns.toml")
    (tmp_path / "columns.toml").write_text(f"[column]\ngap = {row}\n", encoding="utf-8")
    with pytest.raises(TableError, match=match):
        read_columns.__wrapped__()


def test_a_tables_own_row_says_only_what_differs(tmp_path, monkeypatch):
    monkeypatch.setattr("ventbook.document.columns.TABLE", tmp_path / "columns.toml")
    text = "[column]\nlow = { header = 'From', decimals = 2 }\n[table.gaps]\nlow = { unit = 'mm' }\n[table.counts]\nlow = { header = 'Least' }\n[table.'*s']\nlow = { header = 'Down to' }\n"
    (tmp_path / "columns.toml").write_text(text, encoding="utf-8")
    known = read_columns.__wrapped__()
    assert known.find("low", "gaps") == Column("low", "From", "mm", "")
    assert known.find("low", "counts") == Column("low", "Least", "", "2")
    assert known.find("low", "other") == Column("low", "From", "", "2")
    assert known.find("low", "shares") == Column("low", "Down to", "", "2")
    assert known.find("high", "gaps") is None


def test_widths_of_a_printed_table_come_from_its_texts():
    assert text_width("iiii") < 0.5 * text_width("WWWW") < 0.5 * text_width("WWWW", bold=True)
    short = set_table("T", ["Site", "n"], [["Harbour", "12"]], right=[False, True])
    assert "columns: (auto, auto,)" in short and "align: (left, right,)" in short
    said = "a sentence that goes on and on " * 12
    row = ["Harbour", said, said, said, "outside the limit"]
    made = set_table("T", ["Site", "What", "Why", "How", "Verdict"], [row] * 3)
    widths = [float(width) for width in re.findall(r"([\d.]+)pt", made.split("align")[0].split("columns")[1])]
    size = float(re.search(r"#rows\(([\d.]+)pt", made)[1])
    # Narrow columns get all they need on one line, sentences share what is left of the page.
    assert widths[0] >= size * text_width("Harbour") and widths[4] >= size * text_width("outside the limit")
    assert widths[1] == widths[2] == widths[3] > widths[4] and sum(widths) == pytest.approx(488, abs=1)


def text_in(node: ast.AST) -> set[str]:
    return {
        part.value
        for part in ast.walk(node)
        if isinstance(part, ast.Constant) and isinstance(part.value, str)
    }


def named_columns() -> set[tuple[str, str]]:
    """Table and column of every table that a page adds; where part of a name is put together at run time, it is ``*``."""
    named = {
        ("published_values", name)
        for name in text_in(ast.parse((PAGES / "reference_conversions.py").read_text("utf-8")))
    }
    for path in sorted(PAGES.rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        for node in ast.walk(tree):
            if not (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and node.func.attr == "add_table"
            ):
                continue
            table = node.args[0]
            parts = getattr(table, "values", [table])
            name = "".join(str(part.value) if isinstance(part, ast.Constant) else "*" for part in parts)
            columns = next(word.value for word in node.keywords if word.arg == "columns")
            plain = isinstance(columns, ast.List) and not any(
                isinstance(e, ast.Starred) for e in columns.elts
            )
            named |= {(name, column) for column in text_in(columns if plain else tree)}
    return named


def test_every_row_of_the_columns_is_shown_in_a_table():
    known, named = read_columns(), named_columns()
    shown = {name for table, name in named if known.find(name, table) is known.columns.get(name)}
    assert not set(known.columns) - shown
    own = {(pattern, name) for pattern, rows in known.tables.items() for name in rows}
    used = {
        (pattern, name)
        for pattern, name in own
        for table, column in named
        if column == name and fnmatchcase(table, pattern)
    }
    assert not own - used
    said_twice = {
        (table, name) for table, name in own if known.tables[table][name] == known.columns.get(name)
    }
    assert not said_twice


def test_pages_name_their_columns_and_leave_the_headers_to_the_table():
    for path in sorted(PAGES.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Column":
                assert not isinstance(node.args[1], ast.Constant), f"{path.name}: {ast.unparse(node)}"
