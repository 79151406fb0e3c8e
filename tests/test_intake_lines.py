"""Every physical line of a text file is accounted for: a quotation mark that opens and swallows lines loses none.

The shapes are common practice on handwritten and typed sheets (ditto marks, inch signs); quoting itself is RFC 4180.
"""

import datetime as dt
import json
import random

import pytest

from ventbook.errors import InputError
from ventbook.records import intake, store
from ventbook.run.export import describe_intake

TODAY = dt.date(2026, 10, 1)
HEAD = (
    "venting_id,engine_id,date,site,reason,rotations,rotations_counted_at,pressure_shown,lifter_lot,remarks"
)
ENGINES = "engine_id,engine_type,cylinders\nE1,flat4,4\n"


def line(n, *, site="Harbour", lot="L1", remarks=""):
    return f"V{n},E1,2026-07-{n:02d},{site},oil_change,4{n},crankshaft,yes,{lot},{remarks}"


def take(folder, text, *, name="ventings.csv", **options):
    (folder / "engines.csv").write_text(ENGINES)
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return intake.ingest([folder / "engines.csv", path], store=folder / "store", today=TODAY, **options)


def account(result):
    (own,) = (s["lines"] for s in result.sources if s["table"] == "ventings")
    parts = sum(own[name] for name in ("above", "header", "rows", "blank", "left_out", "continued"))
    assert own["lines"] == parts, own
    return own


DITTO = {
    "ditto marks under the site": [line(1), *(line(n, site='"') for n in (2, 3)), line(4)],
    "ditto marks in two columns": [
        line(1),
        line(2, site='"'),
        line(3, lot='"'),
        line(4),
    ],
    "ditto marks down a column": [line(1), *(line(n, lot='"') for n in range(2, 8))],
    "inch sign that opens and meets the next one": [
        line(1, remarks='" hose'),
        line(2),
        line(3),
        line(4, remarks='"'),
    ],
    "quoted remark that is never closed": [line(1), line(2, remarks='"replaced hose'), line(3), line(4)],
    "quoted remark closed lines later": [
        line(1),
        line(2, remarks='"new hose'),
        line(3),
        line(4, remarks='"ok"'),
    ],
    "never closed on the last line": [line(1), line(2, remarks='"')],
    "quote behind a quote within a cell": [line(1, lot='7"x', remarks='"z'), line(2), line(3)],
}


@pytest.mark.parametrize("name", DITTO)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_that_a_quotation_mark_swallows_are_held_by_their_numbers(tmp_path, name, end):
    rows = DITTO[name]
    result = take(tmp_path, end.join([HEAD, *rows]) + end)
    touched = [n for n, row in enumerate(rows, 2) if '"' in row]
    counts = result.counts.loc["ventings"]
    assert counts["rows"] == len(rows) == counts["accepted"] + counts["quarantined"]
    held = result.quarantine[result.quarantine["table"] == "ventings"]
    assert set(touched) <= set(held["line"])
    assert set(held["code"]) == {"lines_swallowed"}
    for number, text in zip(
        held["line"], held["original"], strict=True
    ):  # each line as it stands in the file
        cells = [value or "" for value in json.loads(text).values()]
        cells[3] = cells[3] if cells[3] == '"' else "Harbour"  # a text that may be a name is coded
        assert ",".join(cells).rstrip(",") == rows[number - 2].rstrip(",")
    first, last = min(touched), max(held["line"])
    assert any(f"line {first}" in what for what in held["what"])
    assert any(f"{last}" in what for what in held["what"])
    assert account(result)["rows"] == len(rows)


def test_four_rows_of_seven_are_never_accepted_in_silence(tmp_path):
    rows = [line(n, lot='"' if n > 1 else "L1") for n in range(1, 8)]
    result = take(tmp_path, "\n".join([HEAD, *rows]) + "\n")
    counts = result.counts.loc["ventings"]
    assert (counts["rows"], counts["accepted"], counts["quarantined"]) == (7, 1, 6)


@pytest.mark.parametrize("own_column", ["first", "last"])
def test_line_breaks_that_belong_into_a_cell_are_continuation(tmp_path, own_column):
    head = f"note of ours,{HEAD}" if own_column == "first" else HEAD
    text = '"hose, new\nand tight\n\nchecked, twice"'
    rows = [f"{text},{line(1)}" if own_column == "first" else line(1, remarks=text), "", line(2)]
    if own_column == "first":
        rows[2] = "," + rows[2]
    result = take(tmp_path, "\n".join([head, *rows]))
    assert result.counts.loc["ventings", "accepted"] == 2
    own = account(result)
    assert (own["continued"], own["blank"], own["rows"]) == (3, 1, 2)
    if own_column == "last":
        kept = store.open_store(tmp_path / "store").snapshot().read("ventings")
        assert kept["remarks"].iloc[0] == "hose, new\nand tight\n\nchecked, twice"


def test_titles_blank_lines_separators_and_footers_have_their_places(tmp_path):
    text = "\n".join(["Harbour", "", HEAD, line(1), "", ",,,,,,,,,", line(2), "seen: the chief", ""])
    own = account(take(tmp_path, text))
    assert own == {"lines": 8, "above": 1, "header": 1, "rows": 2, "blank": 3, "left_out": 1, "continued": 0}


def test_headers_that_swallow_rows_are_refused(tmp_path):
    with pytest.raises(InputError, match=r"line 1: a quotation mark opens .*lines 2 to 3"):
        take(tmp_path, "\n".join([HEAD.replace("remarks", '"remarks'), line(1), line(2, remarks='"')]))


def test_a_quote_that_swallows_a_whole_book_is_refused_in_one_line(tmp_path):
    rows = [line(1, remarks='"')] + [line(1 + n % 9) for n in range(12_000)]
    with pytest.raises(InputError, match="quotation mark that opens on line 2 is still open 10,000 lines"):
        take(tmp_path, "\n".join([HEAD, *rows]))


def test_the_account_is_said_and_kept(tmp_path):
    result = take(tmp_path, "\n".join([HEAD, line(1), "", line(2, remarks='"hose\nnew"')]))
    said = list(describe_intake(result, store=tmp_path / "store"))
    assert "lines of text files: 7 = 2 headers + 3 rows + 1 blank + 1 within a cell" in said
    kept = store.open_store(tmp_path / "store").snapshot().sources()
    assert kept["lines"].iloc[-1]["continued"] == 1


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_the_account_holds_in_every_encoding(tmp_path, encoding):
    text = "\r\n".join([HEAD, line(1, site="Häfen"), "", line(2, site='"'), line(3, site='"'), line(4)])
    own = account(take(tmp_path, text.encode(encoding)))
    assert (own["lines"], own["rows"], own["blank"]) == (6, 4, 1)


def test_the_account_holds_wherever_quotes_and_breaks_are_strewn(tmp_path):
    rng = random.Random(7)
    for n in range(40):
        text = list("\n".join([HEAD, *(line(k, remarks="a hose") for k in range(1, 9))]) + "\n")
        for _ in range(rng.randrange(1, 6)):
            text.insert(
                rng.randrange(len(HEAD) + 1, len(text)), rng.choice(['"', '"', '""', "\n", "\r", '",', ',"'])
            )
        (tmp_path / str(n)).mkdir()
        own = account(take(tmp_path / str(n), "".join(text), dry_run=True))
        broken = "".join(text).replace("\r\n", "\n").replace("\r", "\n")
        assert own["lines"] == broken.count("\n") + (not broken.endswith("\n"))


@pytest.mark.parametrize("mark", ['"', "''", "〃", "„", "do.", "ditto", '-"-'])
def test_a_ditto_mark_is_no_value(tmp_path, mark):
    quoted = '"' + mark.replace('"', '""') + '"'
    result = take(tmp_path, "\n".join([HEAD, line(1), line(2, site=quoted), line(3, lot=quoted)]))
    held = result.quarantine[result.quarantine["table"] == "ventings"]
    assert list(held["code"]) == ["ditto_mark"] * 2 and list(held["column"]) == ["site", "lifter_lot"]
