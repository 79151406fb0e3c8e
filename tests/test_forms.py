"""Forms made from the dictionary, and held rows given back: what is written can be handed in."""

import csv
import datetime as dt
import math

import pytest

from ventbook import model, tables
from ventbook.errors import InputError
from ventbook.model import conformity
from ventbook.records import forms, intake
from ventbook.records import store as stores
from ventbook.records.forms import workbook
from ventbook.tables import record_tables

TODAY = dt.date(2026, 10, 1)


def open_book(path):
    import openpyxl

    return openpyxl.load_workbook(path)


def test_one_sheet_a_table_with_units_in_the_headers(tmp_path):
    book = open_book(forms.write_forms(tmp_path / "forms.xlsx"))
    assert book.sheetnames == ["explanations", *(name for name in record_tables() if name != "samples")]
    headers = [cell.value for cell in book["lifter_checks"][1]]
    assert "gap [mm]" in headers and "force [N]" in headers
    assert len(headers) == len(record_tables()["lifter_checks"].columns)


def test_codes_and_yes_no_are_drop_downs_and_ranges_are_checked(tmp_path):
    book = open_book(forms.write_forms(tmp_path / "forms.xlsx"))
    rules = {str(rule.sqref): rule for rule in book["ventings"].data_validations.dataValidation}
    names = [column.name for column in record_tables()["ventings"].columns]

    def rule_of(name):
        from openpyxl.utils import get_column_letter

        letter = get_column_letter(names.index(name) + 1)
        return rules[f"{letter}2:{letter}{workbook.ROWS + 1}"]

    assert rule_of("turned_by").formula1 == '"hand,starter"'
    assert rule_of("lines_empty").formula1 == '"yes,no"'
    pressure = rule_of("tank_overpressure")
    assert (pressure.type, float(pressure.formula1), float(pressure.formula2)) == ("decimal", 0, 3)
    assert "0 to 3 bar" in pressure.prompt


def test_the_empty_forms_with_their_example_rows_hold_no_record(tmp_path):
    path = forms.write_forms(tmp_path / "forms.xlsx")
    result = intake.ingest([path], store=tmp_path / "store", today=TODAY)
    assert result.counts.empty or not result.counts[["rows", "accepted", "quarantined"]].to_numpy().any()
    assert set(result.issues["code"]) <= {"example_row", "sheet_left_out"}


def test_filled_forms_are_taken(tmp_path):
    path = forms.write_forms(tmp_path / "forms.xlsx")
    book = open_book(path)
    book["engines"].append(["007", "flat4", 4])
    names = [column.name for column in record_tables()["ventings"].columns]
    filled = {
        "venting_id": "V1",
        "engine_id": "007",
        "date": dt.date(2026, 7, 1),
        "site": "Harbour",
        "reason": "oil_change",
        "rotations": 40,
        "rotations_counted_at": "propeller",
        "pressure_shown": "yes",
        "remarks": "=HYPERLINK(1)",
    }
    book["ventings"].append([filled.get(name) for name in names])
    book["ventings"].cell(3, names.index("remarks") + 1).data_type = "s"
    book.save(path)
    result = intake.ingest([path], store=tmp_path / "store", today=TODAY)
    assert result.quarantine.empty
    frame = stores.open_store(tmp_path / "store").snapshot().read("ventings")
    assert list(frame["rotations"]) == [40]
    assert list(frame["remarks"]) == ["=HYPERLINK(1)"]


def example_job(folder):
    """The example rows as files of one delivery, every lifter of the engine read as the one of the example."""
    for name, row in forms.example_rows().items():
        headers = [column.header for column in record_tables()[name].columns]
        rows = [row]
        if name == "lifter_checks":
            rows = [
                row | {"cylinder": str(n), "valve": valve}
                for n in range(1, 5)
                for valve in ("inlet", "exhaust")
            ]
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as out:
            csv.writer(out).writerows([headers, *(list(line.values()) for line in rows)])
    return [folder / f"{name}.csv" for name in forms.example_rows()]


def test_the_example_rows_are_taken_with_nothing_to_say_of_them(tmp_path):
    result = intake.ingest(example_job(tmp_path), store=tmp_path / "store", today=TODAY)
    assert result.quarantine.empty, list(result.quarantine["what"])
    assert (result.counts["accepted"] == result.counts["rows"]).all() and len(result.counts) == 6
    assert result.issues.empty, list(result.issues["what"])


@pytest.mark.parametrize("manual", [None, tables.DATA / "demo_limits.toml"])
def test_the_example_rows_describe_a_sound_engine_and_a_job_inside_the_limits(tmp_path, manual):
    """Held against the limits that ship, and against those of the demo's manual."""
    intake.ingest(example_job(tmp_path), store=tmp_path / "store", today=TODAY)
    records = stores.open_store(tmp_path / "store").snapshot().records()
    limits = tables.load_limits(manual)
    lifters = model.build_lifters(records, limits=limits)
    job = model.build_ventings(records, limits=limits, lifters=lifters)
    assert len(lifters) == 8 and not lifters["over_first"].any() and lifters["comparable_first"].all()
    assert not lifters["near_limit_first"].any() and (lifters["over_probability_first"] < 1e-6).all()
    assert job["failed_first"].eq(False).all()
    assert 0.7 < job["rotations_ratio"].iloc[0] < 1.4
    steps = conformity.check_steps(records, job, lifters, limits=limits)
    assert set(steps["verdict"]) <= {"within", "no_limit", "not_recorded"}, steps[
        ["step", "value", "verdict"]
    ]
    judged = steps[steps["verdict"] == "within"]["step"]
    assert {"gap_at_last_check", "time_to_pressure", "pressure_threshold"} <= set(judged)


def test_the_example_lifter_holds_no_air_and_leaks_as_its_clearance_says():
    """A sound lifter: no travel at once, none more at twice the force, and the leak-down of its own clearance in the hold.

    Leak-down between plunger and bore by hand, c^3 dp t / (3 mu l D) (laminar flow in a narrow slit; from memory), with a
    viscosity of 10W-40 at 52 degC between 0.03 and 0.1 Pa s (SAE J300 limits it at 100 degC only; common practice, no source).
    """
    row = {name: text for name, text in forms.example_rows()["lifter_checks"].items() if text}
    engine = {name: text for name, text in forms.example_rows()["engines"].items() if text}
    slack, at_once, second, gap = (
        float(row[n]) for n in ("gap_no_force", "gap_at_once", "second_gap", "gap")
    )
    assert at_once - slack <= 0.01 and abs(second - at_once) <= 0.01
    area_m2 = math.pi / 4 * (float(engine["plunger_diameter"]) / 1e3) ** 2
    rise_Pa = (float(row["force"]) - float(engine["plunger_spring_force"])) / area_m2
    slit = (float(engine["plunger_clearance"]) / 1e6) ** 3 * rise_Pa * float(row["hold"])
    size = 3 * float(engine["plunger_land"]) / 1e3 * float(engine["plunger_diameter"]) / 1e3
    least, most = (1e3 * float(engine["rocker_ratio"]) * slit / (size * mu) for mu in (0.1, 0.03))
    assert least - 0.005 <= gap - at_once <= most + 0.005, (least, most)


def test_the_example_row_stands_on_its_sheet(tmp_path):
    sheet = open_book(forms.write_forms(tmp_path / "forms.xlsx"))["lifter_checks"]
    shown = dict(zip((c.value for c in sheet[1]), (c.value for c in sheet[2]), strict=True))
    assert (shown["venting_id"], shown["gap [mm]"], shown["feel"]) == ("example", "0.05", "firm")


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(InputError, match=r"name a file that ends in \.xlsx .* or \.html"):
        forms.write_forms(tmp_path / "forms.csv")
    (tmp_path / "taken").write_text("x")
    with pytest.raises(InputError, match="can't be written"):
        forms.write_forms(tmp_path / "taken" / "forms.xlsx")


# ---- held rows given back ----------------------------------------------------------------------------------

MAPPING = """
[[source]]
files = "Liste*.csv"
table = "ventings"
separator = ";"
decimal = ","
date_form = "DD.MM.YYYY"
[source.columns]
"Auftrag" = "venting_id"
"Motor" = "engine_id"
"Tag" = "date"
"Ort" = "site"
"Wer" = "technician"
"Grund" = "reason"
"Umdrehungen" = "rotations"
"gezählt an" = "rotations_counted_at"
"Druck da" = "pressure_shown"
"Vordruck" = "tank_overpressure"
[source.units]
tank_overpressure = "psi"
[source.codes.reason]
"Ölwechsel" = "oil_change"
"""


@pytest.fixture
def held(tmp_path):
    """A store with two rows held from a workshop's own form."""
    (tmp_path / "engines.csv").write_text("engine_id,engine_type,cylinders\n007,flat4,4\n")
    (tmp_path / "map.toml").write_text(MAPPING, "utf-8")
    rows = [
        "Auftrag;Motor;Tag;Ort;Wer;Grund;Umdrehungen;gezählt an;Druck da;Vordruck;eigenes",
        "V1;007;03.04.2026;Ridge;Ann Other;Ölwechsel;40;propeller;yes;7,3;a",
        "V2;007;04.04.2026;Ridge;Ann Other;Ölwechsel;viele;propeller;yes;7,3;=1+1",
        "V3;007;05.04.2026;Ridge;Bo Late;Wäsche;41;propeller;vielleicht;;mit Ann Other",
    ]
    (tmp_path / "Liste 2.csv").write_text("\n".join(rows) + "\n", "utf-8")
    store = tmp_path / "store"
    intake.ingest([tmp_path / "engines.csv"], store=store, today=TODAY)
    intake.ingest([tmp_path / "Liste 2.csv"], store=store, today=TODAY, mapping=tmp_path / "map.toml")
    return store


def test_held_rows_go_back_in_the_senders_columns_with_reasons(held, tmp_path):
    assert intake.export_quarantine(held, tmp_path / "held.xlsx") == 2
    book = open_book(tmp_path / "held.xlsx")
    assert book.sheetnames == ["read me", "ventings 1", "mapping"]
    sheet = book["ventings 1"]
    headers = [cell.value for cell in sheet[1]]
    assert headers[:5] == ["held_row", "reasons", "what_to_do", "Auftrag", "Motor"]
    first = dict(zip(headers, (cell.value for cell in sheet[2]), strict=True))
    assert first["Tag"] == "04.04.2026" and first["Umdrehungen"] == "viele"
    assert first["Vordruck"] == "7,3"
    assert "is not a number" in first["reasons"]
    assert first["eigenes"] == "=1+1"
    assert sheet.cell(2, headers.index("eigenes") + 1).data_type == "s"
    assert first["Wer"] == "Ann Other"
    second = dict(zip(headers, (cell.value for cell in sheet[3]), strict=True))
    assert "neither yes nor no" in second["reasons"] and "not one of new_engine" in second["reasons"]
    assert second["eigenes"] == "mit Ann Other"


def test_names_are_not_put_back_without_the_key(held, tmp_path):
    (held / "private" / "names.json").unlink()
    intake.export_quarantine(held, tmp_path / "held.xlsx")
    import zipfile

    with zipfile.ZipFile(tmp_path / "held.xlsx") as archive:
        text = b"".join(archive.read(name) for name in archive.namelist())
    assert b"Other" not in text and b"Late" not in text


def test_mended_rows_clear_the_held_ones(held, tmp_path):
    intake.export_quarantine(held, tmp_path / "held.xlsx")
    book = open_book(tmp_path / "held.xlsx")
    sheet = book["ventings 1"]
    headers = [cell.value for cell in sheet[1]]
    sheet.cell(2, headers.index("Umdrehungen") + 1).value = 44
    sheet.cell(2, headers.index("Auftrag") + 1).value = "V2b"  # even the key was wrong
    book.save(tmp_path / "held.xlsx")
    result = intake.ingest([tmp_path / "held.xlsx"], store=held, today=TODAY)
    snapshot = stores.open_store(held).snapshot()
    frame = snapshot.read("ventings")
    assert list(frame["venting_id"]) == ["V1", "V2b"]
    assert frame["tank_overpressure_bar"].iloc[1] == pytest.approx(7.3 * 0.06894757293168362, abs=1e-9)
    assert str(frame["date"].iloc[1].date()) == "2026-04-04"
    assert frame["technician"].nunique() == 1
    assert list(snapshot.read("quarantine")["key"]) == ["V3"]
    assert set(result.issues["code"]) & {"unknown_column"} == {"unknown_column"}


def test_a_row_handed_in_again_unmended_stays_held_once(held, tmp_path):
    intake.export_quarantine(held, tmp_path / "held.xlsx")
    intake.ingest([tmp_path / "held.xlsx"], store=held, today=TODAY)
    rows = stores.open_store(held).snapshot().read("quarantine")
    assert sorted(rows["key"]) == ["V2", "V3"] and set(rows["hand_ins"]) == {2} and set(rows["intake"]) == {2}
    assert intake.ingest([tmp_path / "held.xlsx"], store=held, today=TODAY).unchanged
    intake.export_quarantine(held, tmp_path / "held.xlsx")
    sheet = open_book(tmp_path / "held.xlsx")["ventings 1"]
    assert "(handed in 2 times as it is)" in sheet["B2"].value


def test_a_number_mended_by_hand_may_carry_either_decimal_mark_and_old_reasons_vanish(held, tmp_path):
    """Typed where the sender's form has commas: a point that can't be a mark of thousands is one of decimals."""
    for typed, stays in [("44,5x", True), ("1.234", True), ("7.31", False)]:
        intake.export_quarantine(held, tmp_path / "held.xlsx")
        book = open_book(tmp_path / "held.xlsx")
        rows = [(s, r) for s in book for r in range(2, s.max_row + 1) if s.title.startswith("ventings")]
        sheet, row = next((s, r) for s, r in rows if "V2" in [cell.value for cell in s[r]])
        headers = [cell.value for cell in sheet[1]]
        assert headers.count("reasons") == headers.count("held_row") == 1
        assert sheet.cell(row, headers.index("reasons") + 1).value.count("\n") < 2
        sheet.cell(row, headers.index("Umdrehungen") + 1).value = "44"
        sheet.cell(row, headers.index("Vordruck") + 1).value = typed
        book.save(tmp_path / "held.xlsx")
        intake.ingest([tmp_path / "held.xlsx"], store=held, today=TODAY)
        assert ("V2" in set(stores.open_store(held).snapshot().read("quarantine")["key"])) == stays
    frame = stores.open_store(held).snapshot().read("ventings").set_index("venting_id")
    assert frame["tank_overpressure_bar"]["V2"] == pytest.approx(7.31 * 0.06894757293168362, abs=1e-9)


def test_an_empty_quarantine_gives_a_workbook_that_says_so(tmp_path):
    (tmp_path / "engines.csv").write_text("engine_id,engine_type,cylinders\n007,flat4,4\n")
    intake.ingest([tmp_path / "engines.csv"], store=tmp_path / "store", today=TODAY)
    assert intake.export_quarantine(tmp_path / "store", tmp_path / "held.xlsx") == 0
    assert open_book(tmp_path / "held.xlsx")["read me"]["A1"].value == "0 rows are quarantined."
