"""Readers: what form a file has, told only where no doubt is left; cells as text with their lines."""

import datetime as dt
import zipfile

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ventbook.errors import InputError
from ventbook.records import intake, readers
from ventbook.records.readers import text_files, text_form, workbooks
from ventbook.records.readers.mapping import date_pattern, name_table, read_mapping, split_header

HEAD = ["engine_id", "engine_type", "cylinders", "pump_displacement [cm3]"]
ROWS = [["007", "flat4", "4", "7.5"], ["1.10", "flat6", "6", ""]]


def write(path, rows, separator=",", encoding="utf-8", end="\n"):
    path.write_bytes(end.join(separator.join(row) for row in rows).encode(encoding) + end.encode(encoding))
    return path


def read(path, mapping=()):
    """(lines, rows of text, note codes) of the only sheet of a file."""
    sheets, _ = readers.open_sheets([path], mapping)
    batches = list(sheets[0].batches())
    lines = [line for batch in batches for line in batch.lines.to_pylist()]
    rows = [list(row) for b in batches for row in zip(*(c.to_pylist() for c in b.cells), strict=True)]
    return lines, rows, {note.code for note in sheets[0].notes}


GOOD = [["007", "flat4", "4", "7.5"], ["1.10", "flat6", "6", None]]


def test_a_plain_file(tmp_path):
    assert read(write(tmp_path / "engines.csv", [HEAD, *ROWS])) == ([2, 3], GOOD, set())


@pytest.mark.parametrize("mark", [";", "\t", "|"])
def test_text_full_of_another_separator_does_not_make_it_one(tmp_path, mark):
    row = ["7", "flat4", "4", "7.5", f'"a{mark * 90}b"']
    _, rows, codes = read(write(tmp_path / "engines.csv", [[*HEAD, "feed_order"], row]))
    assert rows[0][4] == f"a{mark * 90}b" and not codes


@pytest.mark.parametrize("separator", [";", "\t", "|"])
def test_the_separator_is_told_and_reported(tmp_path, separator):
    lines, rows, codes = read(write(tmp_path / "engines.csv", [HEAD, *ROWS], separator))
    assert (lines, rows, codes) == ([2, 3], GOOD, {"separator_chosen"})


@pytest.mark.parametrize(
    ("encoding", "code"),
    [
        ("utf-8-sig", None),
        ("utf-16", "encoding_chosen"),
        ("utf-16-le", "encoding_chosen"),
        ("utf-16-be", "encoding_chosen"),
        ("cp1252", "encoding_chosen"),
        ("latin-1", "encoding_chosen"),
    ],
)
def test_the_encoding_is_told_and_reported(tmp_path, encoding, code):
    rows = [HEAD, ["Müller-7", "flat4", "4", "7.5"], ["8", "flat6", "6", ""]]
    _, cells, codes = read(write(tmp_path / "engines.csv", rows, encoding=encoding))
    assert cells[0][0] == "Müller-7"
    assert codes == ({code} if code else set())


def test_a_file_of_two_encodings_is_read_line_by_line_and_reported(tmp_path):
    path = tmp_path / "engines.csv"
    text = ",".join(HEAD).encode() + b"\n" + "Ä1,flat4,4,\n".encode() + "Ä2,flat4,4,\n".encode("cp1252")
    path.write_bytes(text)
    _, cells, codes = read(path)
    assert [row[0] for row in cells] == ["Ä1", "Ä2"]
    assert codes == {"encoding_mixed"}


def test_title_rows_above_the_headers_are_reported(tmp_path):
    rows = [["Harbour workshop", "", "", ""], ["handed in 2026-10-01"], HEAD, *ROWS]
    lines, cells, codes = read(write(tmp_path / "engines.csv", rows))
    assert (lines, cells, codes) == ([4, 5], GOOD, {"rows_above_header"})


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(tmp_path, end):
    assert read(write(tmp_path / "engines.csv", [HEAD, *ROWS], end=end))[1] == GOOD


def test_trailing_empty_columns_mean_nothing_but_filled_ones_do(tmp_path):
    path = write(tmp_path / "engines.csv", [[*HEAD, "", ""], [*ROWS[0], "", ""], [*ROWS[1], "", "x"]])
    sheets, _ = readers.open_sheets([path])
    batches = list(sheets[0].batches())
    assert len(sheets[0].fields) == 4
    assert [fault for b in batches for fault in b.faults.values()] == [
        ("wrong_cell_count", "1.10 | flat6 | 6 |  |  | x")
    ]
    ragged = write(tmp_path / "engines_2.csv", [HEAD, [*ROWS[0], "", ""], ROWS[1]])
    assert sorted(read(ragged)[1]) == GOOD


# RFC 4180, section 2: quoted fields, line breaks and doubled quotation marks inside them.
RFC = [
    ('"aaa","bbb","4",""', ["aaa", "bbb", "4", None]),
    ('"aaa","b\r\nbb","4",', ["aaa", "b\r\nbb", "4", None]),
    ('"a""aa","b,bb",4,', ['a"aa', "b,bb", "4", None]),
    ('zzz,yyy,4,"7.5"', ["zzz", "yyy", "4", "7.5"]),
]


@pytest.mark.parametrize(("line", "cells"), RFC)
@pytest.mark.parametrize("end", ["\r\n", ""])
def test_rfc_4180(tmp_path, line, cells, end):
    path = tmp_path / "engines.csv"
    path.write_bytes((",".join(HEAD) + "\r\n" + line + end).encode())
    assert read(path)[1] == [cells]


def test_both_ways_of_reading_give_the_same_cells_and_lines(tmp_path, monkeypatch):
    rows = [HEAD] + [[f"E{n}", "flat4", "4", f"{n / 8}"] for n in range(500)]
    rows[7] = rows[7][:2]
    rows[20] = [*rows[20], "too", "many"]
    rows[30] = ['"E,30"', "flat4", "4", ""]
    path = write(tmp_path / "engines.csv", rows)

    def all_of():
        sheets, _ = readers.open_sheets([path])
        found = {}
        for batch in sheets[0].batches():
            for n, line in enumerate(batch.lines.to_pylist()):
                found[line] = ([c[n].as_py() for c in batch.cells], batch.faults.get(n))
        return found

    fast = all_of()
    real = text_form.scan_text
    monkeypatch.setattr(
        text_form, "scan_text", lambda *a: text_form.TextScan(**{**real(*a).__dict__, "plain": False})
    )
    slow = all_of()
    assert fast == slow
    assert len(fast) == 500
    assert fast[8][1] == ("wrong_cell_count", "E6 | flat4")


def test_blank_lines_do_not_shift_the_line_numbers(tmp_path):
    path = tmp_path / "engines.csv"
    path.write_text(",".join(HEAD) + "\n007,flat4,4,7.5\n\n\n1.10,flat6,6,\n")
    assert read(path)[:2] == ([2, 5], GOOD)


# ---- decimal marks -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cells", "mark"),
    [
        (["0,5", "12,75"], ","),
        (["0,250", "1,250"], ","),
        (["0.5", "0,5"], "."),
        (["5", "12"], "."),
        (["1.250"], "."),
        (["-0,5", ""], ","),
    ],
)
def test_the_decimal_mark_is_told_where_no_doubt_is_left(cells, mark):
    assert text_form.choose_decimal(cells, "f.csv")[0] == mark


def test_a_comma_that_could_separate_thousands_is_refused():
    with pytest.raises(InputError, match="'1,250' could be a decimal comma or thousands"):
        text_form.choose_decimal(["1,250", "3,100"], "f.csv")


def test_a_decimal_point_in_a_file_of_commas_is_held(tmp_path):
    path = write(
        tmp_path / "engines.csv", [HEAD, ["A", "flat4", "4", "7,5"], ["B", "flat4", "4", "8,5"]], ";"
    )
    (tmp_path / "more").mkdir()
    result = intake.ingest([path], store=tmp_path / "store")
    assert result.counts.loc["engines", "accepted"] == 2
    path = write(
        tmp_path / "more" / "engines.csv",
        [HEAD, *[[f"C{n}", "flat4", "4", "7.5" if n == 1600 else "7,5"] for n in range(1700)]],
        ";",
    )
    result = intake.ingest([path], store=tmp_path / "store")
    assert list(result.quarantine["code"]) == ["decimal_mark"]
    assert list(result.quarantine["line"]) == [1602]


# ---- headers and mapping -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "parts"),
    [
        ("gap [mm]", ("gap", "mm")),
        ("gap[in]", ("gap", "in")),
        ("tank_overpressure [bar(g)]", ("tank_overpressure", "bar(g)")),
        ("gap (mm)", ("gap", "mm")),
        ("note (own)", ("note (own)", None)),
        ("gap", ("gap", None)),
    ],
)
def test_units_are_split_from_headers(header, parts):
    assert split_header(header) == parts


def test_a_table_is_told_by_the_beginning_of_a_name():
    found = {
        n: (t.name if (t := name_table(n)) else None)
        for n in ("ventings_2026Q3", "Lifter checks 3", "Starts")
    }
    assert found == {"ventings_2026Q3": "ventings", "Lifter checks 3": "lifter_checks", "Starts": "starts"}
    assert name_table("startstop") is None
    assert name_table("my ventings") is None


MAPPING = """
[[source]]
files = "Motoren*.csv"
table = "engines"
header_row = 3
separator = ";"
decimal = ","
encoding = "windows-1252"
[source.columns]
"Motor Nr." = "engine_id"
"Baumuster" = "engine_type"
"Zylinder" = "cylinders"
"Fördervolumen" = "pump_displacement"
"Lader" = "turbocharged"
[source.units]
pump_displacement = "cm3"
[source.codes.turbocharged]
"mit" = "yes"
"ohne" = "no"
"""


def test_a_mapping_lets_a_workshop_keep_its_forms(tmp_path):
    (tmp_path / "map.toml").write_text(MAPPING, "utf-8")
    rows = [["Liste"], ["x;"], ["Motor Nr.", "Baumuster", "Zylinder", "Fördervolumen", "Lader"]]
    rows += [["007", "flat4", "4", "7,5", "mit"], ["8", "flat4", "4", "", "Ohne"]]
    path = write(tmp_path / "Motoren 2026.csv", rows, ";", "cp1252")
    intake.ingest([path], store=tmp_path / "store", mapping=tmp_path / "map.toml")
    from ventbook.records.store import open_store

    frame = open_store(tmp_path / "store").snapshot().read("engines")
    assert list(frame["engine_id"]) == ["007", "8"]
    assert list(frame["turbocharged"]) == [True, False]
    assert frame["pump_displacement_cm3"].iloc[0] == 7.5


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("separator", "seperator"), "unknown key 'seperator'; did you mean 'separator'"),
        (('table = "engines"', 'table = "motors"'), "table 'motors' is not one of engines, ventings"),
        (('= "cylinders"', '= "cylinder"'), "'cylinder' is not a column; did you mean 'cylinders'"),
        (('"cm3"', '"ccs"'), "pump_displacement = 'ccs' is not a known spelling"),
        (('"mit" = "yes"', '"mit" = "ja"'), "'mit' = 'ja' is not one of yes, no"),
        (("header_row = 3", 'header_row = "3"'), "header_row must be a whole number"),
        (("windows-1252", "klingon"), "encoding 'klingon' is not known"),
        (('decimal = ","', 'decimal = ";"'), "decimal must be"),
        (("[[source]]", "[[sauce]]"), "unknown key 'sauce'|has no"),
        (("[[source]]", "[[source"), "not a TOML file"),
    ],
)
def test_a_wrong_mapping_is_told_in_words(tmp_path, change, message):
    path = tmp_path / "map.toml"
    path.write_text(MAPPING.replace(*change), "utf-8")
    with pytest.raises(InputError, match=message):
        readers.load_mapping(path)


def test_date_forms():
    assert date_pattern("DD.MM.YYYY") == "%d.%m.%Y"
    assert date_pattern("MM/DD/YYYY") == "%m/%d/%Y"
    assert date_pattern("DD.MM.YY") == ""
    assert date_pattern("DD.YYYY") == ""


def test_a_draft_marks_what_it_is_unsure_of_and_reads_back(tmp_path):
    rows = [
        ["Ventings of Ridge"],
        ["Venting ID", "Engine", "Date", "Site", "Reason", "Rotations", "counted at"],
    ]
    rows += [["V1", "007", "31.07.2026", "Ridge", "oil change", "40", "propeller"]]
    path = write(tmp_path / "list 2026.csv", rows, ";")
    text = readers.draft_mapping([path])
    (tmp_path / "draft.toml").write_text(text, "utf-8")
    assert 'files = "list *.csv"' in text
    assert "header_row = 2" in text
    assert 'date_form = "DD.MM.YYYY"' in text
    assert '"Venting ID" = "venting_id"' in text
    assert "# unsure" in text
    assert '"oil change" = "oil_change"' in text
    sources = readers.load_mapping(tmp_path / "draft.toml")
    assert sources[0].table == "ventings"


FOREIGN_FORMS = {
    "Liste_Entlueftung.csv": (
        "ventings",
        "Auftrag;Motor Nr.;Datum;Werkstatt;Pr\u00fcfer;Grund;St\u00f6\u00dfel-Los;\u00d6ltemp. [\u00b0C];Tankdruck [bar];K\u00fchler leer;"
        "Umdrehungen;gez\u00e4hlt an;Druck da\n"
        "A-1;M-7;03.04.2026;Plain;AB;\u00d6lwechsel;L1;18,5;0,5;ja;42;Propeller;ja\n"
        "A-2;M-8;23.04.2026;Plain;AB;\u00fcberholt;L1;17,5;0;nein;52;Kurbelwelle;nein\n",
    ),
    "releve_jeux.csv": (
        "lifter_checks",
        "Ordre;N\u00b0 contr\u00f4le;Cylindre;Soupape;Effort N;Jeu imm\u00e9diat mm;Jeu mm;Instrument;Technicien\n"
        "O-1;1;1;ADM;70;0,12;0,15;J1;X\nO-1;1;1;ECH;70;0,02;0,05;J1;X\n",
    ),
    "motoren.csv": (
        "engines",
        "Motornr;Motortype;Aantal cilinders;Kleppen per cilinder;Turbo;Plunjerdiameter (mm)\n"
        "M-7;flat4;4;2;nee;12,1\nM-9;flat6;6;2;ja;12,1\n",
    ),
    "arranques.csv": (
        "starts",
        "Orden de trabajo;Arranque;Tiempo hasta presi\u00f3n [s];Presi\u00f3n vista;Duraci\u00f3n marcha extra [min]\n"
        "T-1;1;6,5;s\u00ed;5\n",
    ),
    "jobs.csv": (
        "ventings",
        "WO,ESN,Date,Shop,Work done,Lot,TSO [h],Oil temp [degF],Tank pressure [psi],Turns,Counted at,Pressure OK\n"
        "1,7,2026-03-04,P,oil change,L,12,60,7,44,prop,Y\n",
    ),
}


@pytest.mark.parametrize("file", FOREIGN_FORMS)
def test_a_draft_knows_the_trades_words_in_five_languages_without_a_line_by_hand(tmp_path, file):
    """Words of the trade: common practice, no source."""
    table, text = FOREIGN_FORMS[file]
    (tmp_path / file).write_text(text, "utf-8")
    draft = readers.draft_mapping([tmp_path / file])
    assert f'table = "{table}"' in draft
    assert [line for line in draft.splitlines()[2:] if line.startswith("#")] == []
    (tmp_path / "mapping.toml").write_text(draft, "utf-8")
    sheets, _ = readers.open_sheets([tmp_path / file], readers.load_mapping(tmp_path / "mapping.toml"))
    fields = [field for field in sheets[0].fields if field.column is None]
    assert fields == []


def test_a_draft_lists_the_required_columns_that_it_did_not_find(tmp_path):
    (tmp_path / "ventings.csv").write_text("Auftrag,Datum,Foo\nA,2026-01-02,x\n", "utf-8")
    draft = readers.draft_mapping([tmp_path / "ventings.csv"])
    missing = [line.split('"')[1] for line in draft.splitlines() if "required, not found" in line]
    assert missing == ["engine_id", "site", "reason", "rotations", "rotations_counted_at", "pressure_shown"]


def test_the_words_for_headers_and_codes_belong_to_columns_and_codes_of_the_dictionary():
    from ventbook import tables
    from ventbook.records.readers.draft import known_words

    columns = [column for table in tables.record_tables().values() for column in table.columns]
    assert set(known_words("columns")) <= {column.name for column in columns}
    assert set(known_words("codes")) <= {code for column in columns for code in column.codes} | {"yes", "no"}


# ---- workbooks ---------------------------------------------------------------------------------------------


def write_book(path, sheets):
    import xlsxwriter

    with xlsxwriter.Workbook(str(path)) as book:
        day = book.add_format({"num_format": "dd/mm/yyyy"})
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for r, row in enumerate(rows):
                for c, cell in enumerate(row):
                    if isinstance(cell, (dt.date, dt.datetime)):
                        sheet.write_datetime(r, c, cell, day)
                    elif isinstance(cell, str) and cell.startswith("="):
                        sheet.write_formula(r, c, cell, None, 4)
                    elif isinstance(cell, str):
                        sheet.write_string(r, c, cell)
                    elif cell is not None:
                        sheet.write(r, c, cell)
    return path


def test_a_workbook_with_titles_dates_numbers_as_text_and_formulas(tmp_path):
    rows = [["Engines of Harbour"], [], HEAD, ["007", "flat4", "=2+2", "7.5"], ["1.10", "flat6", 6, None]]
    path = write_book(tmp_path / "book.xlsx", {"notes": [["hello"]], "engines": rows})
    sheets, left_out = readers.open_sheets([path])
    batch = next(sheets[0].batches())
    assert batch.lines.to_pylist() == [4, 5]
    assert [c.to_pylist() for c in batch.cells] == [
        ["007", "1.10"],
        ["flat4", "flat6"],
        ["4", "6"],
        ["7.5", None],
    ]
    assert [(file, sheet, note.code) for file, sheet, note in left_out] == [
        ("book.xlsx", "notes", "sheet_left_out")
    ]


def test_identifiers_that_a_workbook_holds_as_numbers_are_noted(tmp_path):
    path = write_book(tmp_path / "engines.xlsx", {"engines": [HEAD, [7, "flat4", 4, None]]})
    sheets, _ = readers.open_sheets([path])
    assert "identifier_was_number" in {note.code for note in sheets[0].notes}


def test_dates_of_a_workbook_are_dates(tmp_path):
    head = [
        "venting_id",
        "engine_id",
        "date",
        "site",
        "reason",
        "rotations",
        "rotations_counted_at",
        "pressure_shown",
    ]
    row = ["V1", "007", dt.date(2026, 4, 3), "Harbour", "oil_change", 40, "propeller", "yes"]
    path = write_book(
        tmp_path / "b.xlsx", {"engines": [HEAD, ["007", "flat4", 4, None]], "ventings": [head, row]}
    )
    result = intake.ingest([path], store=tmp_path / "store", today=dt.date(2026, 10, 1))
    assert result.quarantine.empty
    from ventbook.records.store import open_store

    assert (
        str(open_store(tmp_path / "store").snapshot().read("ventings")["date"].iloc[0].date()) == "2026-04-03"
    )


def test_ods_is_read(tmp_path):
    cells = "".join(
        "<table:table-row>"
        + "".join(
            f'<table:table-cell office:value-type="string"><text:p>{cell}</text:p></table:table-cell>'
            for cell in row
        )
        + "</table:table-row>"
        for row in [HEAD[:3], ["007", "flat4", "4"]]
    )
    spaces = " ".join(
        f'xmlns:{p}="urn:oasis:names:tc:opendocument:xmlns:{n}:1.0"'
        for p, n in (("office", "office"), ("table", "table"), ("text", "text"))
    )
    content = (
        f'<?xml version="1.0"?><office:document-content {spaces}><office:body><office:spreadsheet>'
        f'<table:table table:name="engines">{cells}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    path = tmp_path / "book.ods"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", content)
        archive.writestr("META-INF/manifest.xml", "<x/>")
    assert read(path)[1] == [["007", "flat4", "4"]]


def make_bomb(path, size):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * size)
    return path


def test_an_archive_that_unpacks_to_far_more_is_not_opened(tmp_path):
    with pytest.raises(InputError, match="unpacks to far more than it weighs"):
        readers.open_sheets([make_bomb(tmp_path / "engines.xlsx", 60 << 20)])


def test_a_stray_cell_at_the_end_of_the_sheet_is_refused_before_memory_is_taken(tmp_path):
    path = write_book(tmp_path / "engines.xlsx", {"engines": [HEAD, ["007", "flat4", 4, None]]})
    target = tmp_path / "engines_2.xlsx"
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(target, "w") as new:
        for item in old.infolist():
            data = old.read(item)
            if item.filename.endswith("sheet1.xml"):
                cell = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
                data = data.replace(b"</sheetData>", cell)
            new.writestr(item, data)
    with pytest.raises(InputError, match=r"spans .* cells"):
        readers.open_sheets([target])


def test_one_endless_text_in_many_cells_is_refused(tmp_path):
    path = write_book(tmp_path / "engines.xlsx", {"engines": [HEAD, *[["007", "flat4", 4, None]] * 3000]})
    target = tmp_path / "engines_2.xlsx"
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(target, "w") as new:
        for item in old.infolist():
            data = old.read(item)
            if item.filename.endswith("sharedStrings.xml"):
                data = data.replace(b"flat4", b"x" * 3_000_000)
            new.writestr(item, data)
    with pytest.raises(InputError, match="longer than any cell can hold"):
        readers.open_sheets([target])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[source.columns]\n"a" = ["cylinders"]', "columns: 'a' must be text"),
        ("[source.units]\ngap = [1]", "units: 'gap' must be text"),
        ('[source.codes]\nreason = "oil_change"', "codes.reason must be a table"),
        ('[source.codes.reason]\na = ["oil_change"]', "codes.reason must be a table"),
    ],
)
def test_a_mapping_whose_values_are_of_another_kind_is_told(text, said):
    with pytest.raises(InputError, match=said):
        read_mapping(f'[[source]]\nfiles = "*"\n{text}\n', "m.toml")


def test_a_broken_workbook_is_told_in_a_line(tmp_path):
    path = tmp_path / "engines.xlsx"
    path.write_bytes(b"PK\x03\x04 not really")
    with pytest.raises(InputError, match="can't be read as a workbook"):
        readers.open_sheets([path])
    book = write_book(tmp_path / "b.xlsx", {"notes": [["x"]], "more": [["y"]]})
    with pytest.raises(InputError, match="no sheet is named after a table"):
        readers.open_sheets([book])


def test_cells_of_a_workbook_as_text():
    assert workbooks.cell_text(12.0) == "12"
    assert workbooks.cell_text(0.45) == "0.45"
    assert workbooks.cell_text(True) == "yes"
    assert workbooks.cell_text(dt.datetime(2026, 7, 1)) == "2026-07-01"
    assert workbooks.cell_text(dt.datetime(2026, 7, 1, 8, 15)) == "2026-07-01 08:15:00"
    assert workbooks.cell_text("007") == "007"


# ---- Parquet and Delta -------------------------------------------------------------------------------------


def test_parquet_and_delta_with_typed_columns(tmp_path):
    table = pa.table(
        {
            "engine_id": pa.array(["007", "1.10"]).dictionary_encode(),
            "engine_type": ["flat4", "flat6"],
            "cylinders": pa.array([4, 6], pa.int8()),
            "pump_displacement [cm3]": pa.array([7.5, float("nan")], pa.float32()),
            "turbocharged": [True, None],
        }
    )
    pq.write_table(table, tmp_path / "engines.parquet")
    result = intake.ingest([tmp_path / "engines.parquet"], store=tmp_path / "store")
    assert result.counts.loc["engines", "accepted"] == 2
    from deltalake import write_deltalake

    from ventbook.records.store import open_store

    frame = open_store(tmp_path / "store").snapshot().read("engines")
    assert list(frame["engine_id"]) == ["007", "1.10"]
    assert frame["pump_displacement_cm3"].isna().tolist() == [False, True]
    write_deltalake(
        str(tmp_path / "engines"),
        table.cast(
            pa.schema(
                [f if f.name != "engine_id" else pa.field("engine_id", pa.string()) for f in table.schema]
            )
        ),
    )
    again = intake.ingest([tmp_path / "engines"], store=tmp_path / "store")
    assert again.counts.loc["engines", "duplicate"] == 2


def test_broken_parquet_is_told_in_a_line(tmp_path):
    (tmp_path / "engines.parquet").write_bytes(b"PAR1 no PAR1")
    with pytest.raises(InputError, match="can't be read as Parquet"):
        readers.open_sheets([tmp_path / "engines.parquet"])


def test_a_folder_stands_for_the_record_files_in_it(tmp_path):
    write(tmp_path / "engines.csv", [HEAD, *ROWS])
    (tmp_path / "letter.docx").write_bytes(b"x")
    write(tmp_path / "addresses.csv", [["a", "b"], ["1", "2"]])
    sheets, notes = readers.open_sheets([tmp_path])
    assert [sheet.file for sheet in sheets] == ["engines.csv"]
    assert sorted(note.value for _, _, note in notes) == ["addresses.csv", "letter.docx"]


def test_quotes_that_span_lines_are_found_across_chunks(monkeypatch, tmp_path):
    monkeypatch.setattr(text_form, "CHUNK", 16)
    path = tmp_path / "engines.csv"
    path.write_text(",".join(HEAD) + '\n"a long\nname",flat4,4,\n')
    assert not text_form.scan_text(path).plain
    path.write_text(",".join(HEAD) + '\n"a long name",flat4,4,\n')
    assert text_form.scan_text(path).plain


def test_a_file_cut_in_the_middle_of_a_character_loses_no_row(tmp_path):
    path = tmp_path / "engines.csv"
    path.write_bytes((",".join(HEAD) + "\n007,flat4,4,7.5\nE1,gr").encode() + "ö".encode()[:1])
    sheets, _ = readers.open_sheets([path])
    batches = list(sheets[0].batches())
    assert sum(batch.rows for batch in batches) == 2
    assert [fault[0] for batch in batches for fault in batch.faults.values()] == ["wrong_cell_count"]


@pytest.mark.parametrize("at", [1, 900])
def test_a_row_larger_than_a_block_does_not_stop_the_reading(tmp_path, monkeypatch, at):
    monkeypatch.setattr(text_files, "BLOCK", 4096)
    rows = [HEAD] + [[f"E{n}", "flat4", "4", ""] for n in range(1000)]
    rows[at][1] = "x" * 30_000
    rows[700] = rows[700][:2]
    lines, cells, _ = read(write(tmp_path / "engines.csv", rows))
    assert sorted(lines) == list(range(2, 1002))
    assert len(cells[lines.index(at + 1)][1]) == 30_000


def test_a_large_file_streams_in_blocks(tmp_path, monkeypatch):
    monkeypatch.setattr(text_files, "BLOCK", 4096)
    rows = [HEAD] + [[f"E{n}", "flat4", "4", ""] for n in range(2000)]
    sheets, _ = readers.open_sheets([write(tmp_path / "engines.csv", rows)])
    batches = list(sheets[0].batches())
    assert len(batches) > 5
    assert [line for b in batches for line in b.lines.to_pylist()] == list(range(2, 2002))
