"""Intake: what is accepted, what is held and why, keys, corrections, privacy, withdrawal, kills."""

import datetime as dt
import gc
import json
import os
import stat

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from intake_law import deliveries, hold_law, make_stock
from ventbook import tables
from ventbook.errors import InputError
from ventbook.records import intake
from ventbook.records import store as stores
from ventbook.records.intake.samples import Work
from ventbook.records.store import delta

TODAY = dt.date(2026, 10, 1)
ENGINES = "engine_id,engine_type,cylinders\n007,flat4,4\n1.10,flat6,6\n"
HEAD = (
    "venting_id,engine_id,date,site,technician,reason,rotations,rotations_counted_at,pressure_shown,remarks\n"
)


def venting(key="V1", engine="007", date="2026-07-01", rotations="40", shown="yes", who="Ann Other", text=""):
    return f"{key},{engine},{date},Harbour,{who},oil_change,{rotations},crankshaft,{shown},{text}\n"


@pytest.fixture
def box(tmp_path):
    """A folder with a store that holds the engines, and a way to hand in text files."""

    class Box:
        folder = tmp_path
        store = tmp_path / "store"
        count = 0

        def file(self, name, text, encoding="utf-8"):
            self.count += 1
            folder = tmp_path / str(self.count)
            folder.mkdir()
            (folder / name).write_bytes(text.encode(encoding))
            return folder / name

        def take(self, name, text, **more):
            return intake.ingest([self.file(name, text)], store=self.store, today=TODAY, **more)

        def read(self, table, **more):
            return stores.open_store(self.store).snapshot(**more).read(table)

    made = Box()
    made.take("engines.csv", ENGINES)
    return made


def counts(result, table="ventings"):
    row = result.counts.loc[table]
    return tuple(int(row[name]) for name in ("rows", "accepted", "duplicate", "corrected", "quarantined"))


def codes(result):
    return sorted(result.issues["code"])


def test_good_rows_are_taken_with_their_types(box):
    result = box.take("ventings_2026Q3.csv", HEAD + venting() + venting("V2", "1.10", shown="no"))
    assert counts(result) == (2, 2, 0, 0, 0)
    frame = box.read("ventings")
    assert list(frame["venting_id"]) == ["V1", "V2"]
    assert list(frame["engine_id"]) == ["007", "1.10"]
    assert list(frame["pressure_shown"]) == [True, False]
    assert frame["date"].iloc[0] == pd.Timestamp("2026-07-01")
    assert frame["tank_overpressure_bar"].isna().all()
    assert result.number == 2
    assert stores.open_store(box.store).snapshot().today == TODAY


def test_units_in_headers_are_converted(box):
    """0.020 in is 0.508 mm exactly (international inch, 25.4 mm)."""
    box.take("ventings.csv", HEAD + venting())
    text = "venting_id,check_no,cylinder,valve,gap [in],oil_temperature [°F],force [lbf]\n"
    box.take("lifter_checks.csv", text + "V1,1,1,inlet,0.020,122,15\nV1,1,1,exhaust,.0197,,\n")
    frame = box.read("lifter_checks").set_index("valve")
    assert frame.loc["inlet", "gap_mm"] == 0.508
    assert frame.loc["inlet", "oil_temperature_degC"] == 50
    assert frame.loc["inlet", "force_N"] == pytest.approx(15 * 4.4482216152605, abs=1e-9)
    assert frame.loc["exhaust", "gap_mm"] == 0.50038
    assert pd.isna(frame.loc["exhaust", "force_N"])


@pytest.mark.parametrize(
    ("row", "code", "column"),
    [
        (venting(rotations="abt 40"), "not_a_number", "rotations"),
        (venting(rotations="40.5"), "not_whole", "rotations"),
        (venting(rotations="0x1F"), "not_a_number", "rotations"),
        (venting(rotations=">60"), "limit_not_reading", "rotations"),
        (venting(rotations="2001"), "out_of_range", "rotations"),
        (venting(rotations=""), "missing_required", "rotations"),
        (venting(shown="maybe"), "not_yes_no", "pressure_shown"),
        (venting(date="03/04/2026"), "date_form_unknown", "date"),
        (venting(date="2026-02-30"), "no_such_day", "date"),
        (venting(date="46204"), "date_is_serial", "date"),
        (venting(date="2026-10-02"), "date_in_future", "date"),
        (venting(date="1979-12-31"), "out_of_range", "date"),
        (venting(date="2026-07-01T10:00+02:00"), "time_with_zone", "date"),
        (venting(date="someday"), "not_a_date", "date"),
        (venting(engine="E9"), "orphan_engine", "engine_id"),
        (venting(key=""), "missing_required", "venting_id"),
        (venting(key="1.2E+05"), "identifier_eaten", "venting_id"),
        (venting().replace("oil_change", "oil chg"), "unknown_code", "reason"),
        (venting(text="a\x01b"), "unreadable_text", "remarks"),
        (venting(text="x" * 10_001), "text_too_long", "remarks"),
        ("V1,007,2026-07-01\n", "wrong_cell_count", ""),
    ],
)
def test_each_bad_cell_is_held_with_its_code(box, row, code, column):
    result = box.take("ventings.csv", HEAD + venting("OK") + row)
    assert counts(result) == (2, 1, 0, 0, 1)
    held = result.quarantine.iloc[0]
    assert (held["code"], held["column"], held["line"]) == (code, column, 3)
    assert held["what"] and held["do"]
    assert held["file"] == "ventings.csv"
    assert list(box.read("ventings")["venting_id"]) == ["OK"]
    assert len(box.read("quarantine")) == 1


@pytest.mark.parametrize(
    "text",
    [
        "2026-07-01",
        "20260701",
        "2026-W27-3",
        "2026-182",
        "2026-07-01T08:15",
        "2026-07-01 08:15:30",
        " 2026-07-01 ",
    ],
)
def test_iso_8601_forms_are_one_day(box, text):
    """ISO 8601-1:2019: calendar, week (2026-W27-3 is 1 July, by Python's calendar) and ordinal dates."""
    box.take("ventings.csv", HEAD + venting(date=text))
    assert box.read("ventings")["date"].iloc[0] == pd.Timestamp("2026-07-01")


def test_a_quantity_without_unit_is_refused_and_every_fault_of_a_file_is_said(box):
    text = HEAD.strip() + ",tank_overpressure,oil_temperature [psi],turning_speed [furlongs]\n"
    with pytest.raises(InputError) as caught:
        box.take("ventings.csv", text.replace("site,", "sight,") + venting().strip() + ",0.5,20,3\n")
    message = str(caught.value)
    assert "'tank_overpressure' has no unit; write it as tank_overpressure [bar]" in message
    assert "psi is pressure gauge, but oil_temperature is temperature" in message
    assert "unknown unit 'furlongs'" in message
    assert "required column missing: site (is it 'sight'?)" in message


def test_gauge_and_absolute_pressure_are_kept_apart(box):
    with pytest.raises(
        InputError, match="bar abs is pressure absolute, but tank_overpressure is pressure gauge"
    ):
        box.take(
            "ventings.csv", HEAD.strip() + ",tank_overpressure [bar abs]\n" + venting().strip() + ",1.5\n"
        )


def test_a_value_that_fits_another_unit_is_held_with_the_suspicion_named(box):
    head = HEAD.strip() + ",suction_line_bore [mm]\n"
    result = box.take("ventings.csv", head + venting().strip() + ",0.39\n")
    held = result.quarantine.iloc[0]
    assert held["code"] == "unit_suspected"
    assert "it fits in (9.91 mm)" in held["what"]


def test_a_whole_column_in_another_unit_is_one_message(box):
    box.take("ventings.csv", HEAD + venting())
    rows = "".join(
        f"V1,1,{1 + n % 4},{'inlet' if n < 4 else 'exhaust'},{0.008 + n / 1000:.3f}\n" for n in range(8)
    )
    result = box.take("lifter_checks.csv", "venting_id,check_no,cylinder,valve,gap [mm]\n" + rows)
    assert counts(result, "lifter_checks") == (8, 0, 0, 0, 8)
    issues = result.issues[result.issues["severity"] == "set_aside"]
    assert list(issues["code"]) == ["column_unit_suspected"]
    assert issues["rows"].iloc[0] == 8
    assert "in in it would be 0.292 mm" in issues["what"].iloc[0]


def test_rows_of_an_intake_are_let_go_when_it_ends(box):
    gc.disable()
    try:
        box.take("ventings.csv", HEAD + venting())
        assert not [one for one in gc.get_objects() if isinstance(one, Work)]
    finally:
        gc.enable()


def test_the_same_row_again_is_a_duplicate_and_another_value_a_correction(box):
    box.take("ventings.csv", HEAD + venting())
    again = box.take("ventings.csv", HEAD + venting())
    assert counts(again) == (1, 0, 1, 0, 0)
    later = box.take("ventings.csv", HEAD + venting(rotations="41"))
    assert counts(later) == (1, 0, 0, 1, 0)
    note = later.issues.iloc[0]
    assert (note["code"], note["column"]) == ("corrected", "rotations")
    assert "was 40 and is now 41" in note["what"]
    assert list(box.read("ventings")["rotations"]) == [41]
    assert list(box.read("ventings", as_of=2)["rotations"]) == [40]


def test_a_correction_is_of_the_stored_row_with_its_key_wherever_it_stands(box):
    box.take("ventings.csv", HEAD + "".join(venting(f"V{n}", rotations=f"{40 + n}") for n in range(1, 5)))
    later = box.take(
        "ventings.csv", HEAD + venting("V9") + venting("V3", rotations="50") + venting("V2", rotations="42")
    )
    assert counts(later) == (3, 1, 1, 1, 0)
    (what,) = later.issues[later.issues["code"] == "corrected"]["what"]
    assert "was 43 and is now 50" in what
    assert box.read("ventings").set_index("venting_id")["rotations"].to_dict() == {
        "V1": 41, "V2": 42, "V3": 50, "V4": 44, "V9": 40
    }  # fmt: skip


def test_a_column_that_a_later_file_lacks_keeps_its_value(box):
    head = HEAD.strip() + ",oil_grade\n"
    box.take("ventings.csv", head + venting().strip() + ",10W-40\n")
    result = box.take("ventings.csv", HEAD + venting(rotations="41"))
    assert counts(result) == (1, 0, 0, 1, 0)
    assert list(box.read("ventings")["oil_grade"]) == ["10W-40"]
    cleared = box.take("ventings.csv", head + venting(rotations="41").strip() + ",\n")
    assert counts(cleared) == (1, 0, 0, 1, 0)
    assert box.read("ventings")["oil_grade"].isna().all()


def test_rows_of_one_intake_that_contradict_each_other_are_both_held(box):
    result = box.take(
        "ventings.csv", HEAD + venting() + venting(rotations="41") + venting("V2") + venting("V2")
    )
    assert counts(result) == (4, 1, 1, 0, 2)
    held = result.quarantine
    assert set(held["code"]) == {"conflicting_rows"}
    assert "don't agree in rotations" in held["what"].iloc[0]


def test_files_of_one_intake_are_checked_together(box):
    files = [
        box.file("starts.csv", "venting_id,start_no,pressure_shown\nV1,1,yes\nV9,1,yes\n"),
        box.file("ventings.csv", HEAD + venting()),
    ]
    result = intake.ingest(files, store=box.store, today=TODAY)
    assert counts(result, "starts") == (2, 1, 0, 0, 1)
    assert result.quarantine["code"].iloc[0] == "orphan_venting"


def test_a_held_parent_holds_its_children_until_it_is_mended(box):
    files = [
        box.file("starts.csv", "venting_id,start_no,pressure_shown\nV1,1,yes\n"),
        box.file("ventings.csv", HEAD + venting(rotations="many")),
    ]
    first = intake.ingest(files, store=box.store, today=TODAY)
    assert set(first.quarantine["code"]) == {"not_a_number", "parent_held"}
    mended = box.take("ventings.csv", HEAD + venting())
    assert counts(mended) == (1, 1, 0, 0, 0)
    assert int(mended.counts.loc["starts", "released"]) == 1
    assert list(box.read("starts")["venting_id"]) == ["V1"]
    assert box.read("quarantine").empty
    assert len(box.read("quarantine", as_of=2)) == 2
    assert "released" in codes(mended)


def test_a_mended_row_clears_the_held_one_by_its_key(box):
    box.take("ventings.csv", HEAD + venting(shown="maybe"))
    assert len(box.read("quarantine")) == 1
    box.take("ventings.csv", HEAD + venting())
    assert box.read("quarantine").empty


def test_names_are_coded_before_anything_is_written(box):
    rows = venting(text="asked Ann Other twice") + venting(
        "V2", shown="maybe", who="Bo Late", text="with Other"
    )
    rows += "V3,007,2026-07-01,Harbour,Cy Broken,oil_change,40,crankshaft,yes,x,y,z\n"
    result = box.take("ventings.csv", HEAD + rows + venting("V4", text="bo late said so"))
    assert counts(result) == (4, 2, 0, 0, 2)
    frame = box.read("ventings")
    assert frame["technician"].str.fullmatch("T-[0-9a-f]{10}").all()
    assert "Other" not in frame["remarks"].iloc[0]
    for path in (box.store / "tables").rglob("*"):
        if path.suffix == ".parquet":
            rows = delta.pq.read_table(path, partitioning=None).to_pylist()
            written = json.dumps(rows, default=str)
            for name in ("Ann Other", "Bo Late", "bo late", "Cy Broken", "with Other"):
                assert name not in written, (path, name)
    key = box.store / "private" / "key"
    if os.name == "posix":
        assert stat.S_IMODE(key.stat().st_mode) == 0o600
        assert stat.S_IMODE(key.parent.stat().st_mode) == 0o700


def test_one_person_has_one_code_in_every_table(box):
    box.take("ventings.csv", HEAD + venting(who="Ann  Other"))
    text = "venting_id,check_no,cylinder,valve,gap [mm],technician\nV1,1,1,inlet,0.3,ann other\n"
    box.take("lifter_checks.csv", text)
    assert box.read("lifter_checks")["technician"].iloc[0] == box.read("ventings")["technician"].iloc[0]


def test_dry_run_writes_nothing(box, tmp_path):
    result = intake.ingest(
        [box.file("ventings.csv", HEAD + venting())], store=box.store, today=TODAY, dry_run=True
    )
    assert result.dry_run and result.number is None
    assert counts(result) == (1, 1, 0, 0, 0)
    assert stores.open_store(box.store).snapshot().number == 1
    intake.ingest([box.file("engines.csv", ENGINES)], store=tmp_path / "none", dry_run=True)
    assert not (tmp_path / "none").exists()


def test_corrections_file_mends_a_cell_and_says_so(box, tmp_path):
    text = HEAD.strip() + ",suction_line_bore [mm]\n"
    box.take("ventings.csv", text + venting().strip() + ",0.39\n")
    file = tmp_path / "mend.csv"
    file.write_text(
        "file,sheet,line,column,old,new,why,role\n"
        "ventings.csv,,2,suction_line_bore,0.39,9.9,taken in inches,analyst\n"
        "ventings.csv,,9,rotations,1,2,no such line,analyst\n"
    )
    result = intake.ingest([], store=box.store, today=TODAY, corrections=file)
    assert list(box.read("ventings")["suction_line_bore_mm"]) == [9.9]
    assert box.read("quarantine").empty
    assert codes(result) == ["correction_applied", "correction_unfit"]
    assert (
        "from '0.39' to '9.9' by the corrections file (analyst): taken in inches"
        in result.issues["what"].iloc[0]
    )


def test_withdrawing_an_intake_brings_back_what_it_replaced(box):
    box.take("ventings.csv", HEAD + venting())
    box.take("ventings.csv", HEAD + venting(rotations="41") + venting("V2"))
    box.take("ventings.csv", HEAD + venting("V3"))
    assert intake.withdraw(3, store=box.store) == 5
    frame = box.read("ventings")
    assert list(frame["venting_id"]) == ["V1", "V3"]
    assert list(frame["rotations"]) == [40, 40]
    assert list(box.read("ventings", as_of=4)["rotations"]) == [41, 40, 40]
    assert "corrected" not in set(box.read("issues")["code"])
    with pytest.raises(InputError, match="intake 3 has been withdrawn already"):
        intake.withdraw(3, store=box.store)
    with pytest.raises(InputError, match="there is no intake 99"):
        intake.withdraw(99, store=box.store)
    with pytest.raises(InputError, match="is itself a withdrawal"):
        intake.withdraw(5, store=box.store)


def test_withdrawing_two_intakes_goes_back_to_the_one_before_both(box):
    for count in ("40", "41", "42"):
        box.take("ventings.csv", HEAD + venting(rotations=count))
    intake.withdraw(3, store=box.store)
    assert list(box.read("ventings")["rotations"]) == [42]
    intake.withdraw(4, store=box.store)
    assert list(box.read("ventings")["rotations"]) == [40]


def test_withdrawing_leaves_what_a_later_intake_said_as_well(box):
    box.take("ventings.csv", HEAD + venting())
    assert box.take("ventings.csv", HEAD + venting()).unchanged  # the same file says nothing more
    box.take("ventings.csv", HEAD + venting() + "\n")
    intake.withdraw(2, store=box.store)
    assert list(box.read("ventings")["venting_id"]) == ["V1"]
    intake.withdraw(3, store=box.store)
    assert box.read("ventings").empty


def test_withdrawing_the_mending_holds_the_row_again(box):
    box.take("ventings.csv", HEAD + venting(shown="maybe"))
    box.take("ventings.csv", HEAD + venting())
    intake.withdraw(3, store=box.store)
    assert list(box.read("quarantine")["code"]) == ["not_yes_no"]
    assert box.read("ventings").empty


def test_an_intake_killed_between_two_tables_leaves_nothing(box, monkeypatch):
    """The process dies after its first table: the next intake shows nothing of the dead one."""
    files = [
        box.file("ventings.csv", HEAD + venting("DEAD")),
        box.file("starts.csv", "venting_id,start_no,pressure_shown\nDEAD,1,yes\n"),
    ]
    real, calls = delta.commit_files, []

    def dies(*args, **kwargs):
        calls.append(args)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return real(*args, **kwargs)

    monkeypatch.setattr(delta, "commit_files", dies)
    with pytest.raises(KeyboardInterrupt):
        intake.ingest(files, store=box.store, today=TODAY)
    monkeypatch.undo()
    assert stores.open_store(box.store).snapshot().number == 1
    result = box.take("ventings.csv", HEAD + venting("ALIVE"))
    assert result.number == 2
    assert list(box.read("ventings")["venting_id"]) == ["ALIVE"]
    assert box.read("starts").empty


def test_a_file_with_only_a_header_meets_what_the_store_holds(box):
    """The store has two ventings of one engine two days apart: a delivery of no rows concerns neither."""
    box.take("ventings.csv", HEAD + venting() + venting("V2", date="2026-07-03"))
    box.take(
        "lifter_checks.csv", "venting_id,check_no,cylinder,valve,gap [mm],after_start\nV1,1,1,inlet,0.3,1\n"
    )
    for name in tables.record_tables():
        headers = ",".join(column.header for column in tables.record_tables()[name].columns)
        result = box.take(f"{name}.csv", headers + "\n")
        assert counts(result, name) == (0, 0, 0, 0, 0)


@pytest.fixture(scope="module")
def stock(tmp_path_factory):
    return make_stock(tmp_path_factory.mktemp("stock"))


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(given=deliveries(), stocked=st.booleans(), dry_last=st.booleans())
def test_law_every_row_handed_in_is_accounted_for(tmp_path_factory, stock, given, stocked, dry_last):
    """rows in = accepted + duplicates + corrections + quarantined, in every table, and nothing stands twice."""
    folder = tmp_path_factory.mktemp("law")
    hold_law(folder, given, stock=stock if stocked else None, dry_last=dry_last)


def test_withdrawing_a_parent_is_noted(box):
    box.take("ventings.csv", HEAD + venting())
    box.take("starts.csv", "venting_id,start_no,pressure_shown\nV1,1,yes\n")
    intake.withdraw(2, store=box.store)
    issues = box.read("issues")
    assert "1 rows of starts refer to a venting_id that went with intake 2" in set(issues["what"])


def test_a_large_file_is_read_again_for_its_held_rows(box, monkeypatch):
    from ventbook.records.intake import load

    text = (
        HEAD + venting() + venting("V2", shown="maybe", who="Bo Late", text="x") + venting("V3", engine="E9")
    )
    kept = box.take("ventings.csv", text, dry_run=True).quarantine
    monkeypatch.setattr(load, "KEEP_TEXT", 0)
    again = box.take("ventings.csv", text, dry_run=True).quarantine
    pd.testing.assert_frame_equal(kept, again)
    assert "maybe" in again["original"].iloc[0]


def test_tables_written_ahead_are_named_with_the_rest(box, monkeypatch):
    from ventbook.records.intake import run

    monkeypatch.setattr(run, "WRITE_AHEAD", 0)
    box.take("ventings.csv", HEAD + venting() + venting("V2"))
    box.take("ventings.csv", HEAD + venting("V2", rotations="50") + venting("V3", shown="?") + venting("V4"))
    frame = box.read("ventings")
    assert dict(zip(frame["venting_id"], frame["rotations"], strict=True)) == {"V1": 40, "V2": 50, "V4": 40}
    assert list(box.read("ventings", as_of=2)["rotations"]) == [40, 40]


def test_a_first_intake_that_fails_leaves_no_store(tmp_path, monkeypatch):
    from ventbook.records.intake import run

    (tmp_path / "engines.csv").write_text(ENGINES)

    def breaks(*args):
        raise InputError("engines.csv: is damaged; write it again")

    monkeypatch.setattr(run, "finish_intake", breaks)
    with pytest.raises(InputError, match="is damaged"):
        intake.ingest(tmp_path / "engines.csv", store=tmp_path / "store")
    assert not (tmp_path / "store").exists()


def test_bad_calls_are_told_in_a_line(box, tmp_path):
    with pytest.raises(InputError, match="no such file"):
        intake.ingest([tmp_path / "nope.csv"], store=box.store)
    with pytest.raises(InputError, match="the file is empty"):
        box.take("ventings.csv", "")
    with pytest.raises(InputError, match="doesn't say which table"):
        box.take("letter.csv", HEAD + venting())
    with pytest.raises(InputError, match=r"files of kind \.docx are not read"):
        box.take("ventings.docx", "x")
    with pytest.raises(InputError, match="looks like a PDF"):
        box.take("ventings.csv", "%PDF-1.7 ...")
    with pytest.raises(InputError, match="both say rotations"):
        box.take("ventings.csv", HEAD.strip() + ",Rotations\n" + venting().strip() + ",3\n")
    assert stores.open_store(box.store).snapshot().number == 1


def test_today_may_be_iso_text_and_nothing_else(box):
    file = box.file("engines.csv", "engine_id,engine_type,cylinders\n009,flat4,4\n")
    assert intake.ingest([file], store=box.store, today="2026-09-30").today == dt.date(2026, 9, 30)
    with pytest.raises(InputError, match=r"a date such as 2026-09-30, not '30\.9\.2026'"):
        intake.ingest([file], store=box.store, today="30.9.2026")
