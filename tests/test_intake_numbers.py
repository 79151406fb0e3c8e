"""One number for two jobs: the later row is no correction, and starts and checks follow their own venting."""

import csv
import datetime as dt

import pytest

from ventbook.errors import InputError
from ventbook.records import intake, readers
from ventbook.records import store as stores

TODAY = dt.date(2026, 10, 1)
ENGINES = "engine_id,engine_type,cylinders\nE1,flat4,4\nE2,flat4,4\n"
HEAD = "venting_id,engine_id,date,site,reason,rotations,rotations_counted_at,pressure_shown\n"


def venting(number="17", engine="E1", date="2026-07-01", site="Harbour", rotations="40"):
    return f"{number},{engine},{date},{site},oil_change,{rotations},crankshaft,yes\n"


def hand_in(folder, name, *, mapping=None, corrections=None, **files):
    """One delivery of a workshop, in a folder of its own."""
    own = folder / name
    own.mkdir(exist_ok=True)
    heads = {
        "ventings": HEAD,
        "starts": "venting_id,start_no,time_to_pressure [s],pressure_shown\n",
        "lifter_checks": "venting_id,check_no,cylinder,valve,gap [mm]\n",
        "engines": "",
    }
    for table, text in files.items():
        (own / f"{table}.csv").write_text(heads[table] + text)
    options = {}
    if mapping is not None:
        (folder / f"{name}.toml").write_text(mapping)
        options["mapping"] = folder / f"{name}.toml"
    paths = [own] if files else [own] if corrections is None else []
    return intake.ingest(paths, store=folder / "store", today=TODAY, corrections=corrections, **options)


def read(folder, table):
    return stores.open_store(folder / "store").snapshot().read(table)


@pytest.fixture
def first(tmp_path):
    hand_in(
        tmp_path,
        "harbour",
        engines=ENGINES,
        ventings=venting(),
        starts="17,1,8,yes\n",
        lifter_checks="17,1,1,inlet,0.3\n",
    )
    return tmp_path


OTHERS = {
    "site": venting(site="Ridge"),
    "engine": venting(engine="E2"),
    "engine and site": venting(engine="E2", site="Ridge", date="2026-07-20"),
    "date": venting(date="2026-07-09"),
}


@pytest.mark.parametrize("name", OTHERS)
def test_another_job_under_the_same_number_is_held_with_both_shown(first, name):
    result = hand_in(first, "second", ventings=OTHERS[name], starts="17,1,30,yes\n17,2,5,yes\n")
    assert result.counts.loc["ventings", ["accepted", "corrected", "quarantined"]].tolist() == [0, 0, 1]
    held = result.quarantine.set_index("table")
    assert held.loc["ventings", "code"] == "number_used_twice"
    own = OTHERS[name].split(",")
    for part in ("E1", "Harbour", "2026-07-01", *own[1:4]):
        assert part in held.loc["ventings", "what"]
    assert "prefix" in held.loc["ventings", "do"] and "corrections file" in held.loc["ventings", "do"]
    assert set(held.loc["starts", "code"]) == {"parent_in_doubt"}
    kept = read(first, "starts")
    assert kept["time_to_pressure_s"].tolist() == [8] and read(first, "ventings")["site"].tolist() == [
        "Harbour"
    ]


@pytest.mark.parametrize(
    "row", [venting(rotations="44"), venting(date="2026-07-08"), venting(site="harbour ")], ids=str
)
def test_a_correction_of_the_same_job_is_one(first, row):
    counts = hand_in(first, "second", ventings=row).counts.loc["ventings"]
    assert counts["quarantined"] == 0 and counts["rows"] == 1


def test_two_workshops_in_one_intake_hold_each_other(tmp_path):
    hand_in(tmp_path, "engines", engines=ENGINES)
    for name, row in (("harbour", venting()), ("ridge", venting(site="Ridge", engine="E2"))):
        (tmp_path / "both").mkdir(exist_ok=True)
        (tmp_path / "both" / f"ventings_{name}.csv").write_text(HEAD + row)
    (tmp_path / "both" / "starts.csv").write_text("venting_id,start_no,pressure_shown\n17,1,yes\n")
    result = hand_in(tmp_path, "both")
    held = result.quarantine
    assert held["code"].tolist() == ["number_used_twice"] * 2 + ["parent_in_doubt"]
    for what in held["what"][:2]:
        assert "Harbour" in what and "Ridge" in what


def test_what_comes_later_waits_while_the_number_is_in_doubt(first):
    hand_in(first, "ridge", ventings=venting(site="Ridge", engine="E2"))
    result = hand_in(first, "later", starts="17,1,8,yes\n17,2,6,yes\n", lifter_checks="17,2,1,inlet,0.2\n")
    assert result.counts.loc["starts", ["duplicate", "quarantined"]].tolist() == [
        1,
        1,
    ]  # one is known already
    assert result.counts.loc["lifter_checks", "quarantined"] == 1


RIDGE = '[[source]]\nfiles = "*"\n[source.prefix]\nventing_id = "R-"\n'


def test_numbers_by_site_solve_it(first):
    files = {"ventings": venting(site="Ridge", engine="E2"), "starts": "17,1,30,yes\n"}
    hand_in(first, "ridge", **files)
    result = hand_in(first, "ridge", mapping=RIDGE, **files)
    assert result.counts["accepted"].tolist() == [1, 1]
    assert read(first, "quarantine").empty  # what was held has come in under its own number
    assert dict(read(first, "ventings")[["venting_id", "engine_id"]].to_numpy()) == {"17": "E1", "R-17": "E2"}
    starts = read(first, "starts").set_index("venting_id")["time_to_pressure_s"]
    assert starts.to_dict() == {"17": 8, "R-17": 30}
    again = hand_in(first, "ridge", mapping=RIDGE, **files)
    assert again.unchanged


def test_numbers_by_site_are_checked_and_kept_for_held_rows(first, tmp_path):
    with pytest.raises(InputError, match=r"prefix: 'date' is no column of numbers"):
        readers.load_mapping(_write(tmp_path / "m.toml", RIDGE.replace("venting_id", "date")))
    hand_in(first, "ridge", mapping=RIDGE, ventings=venting(site="Ridge", engine="E2", rotations="many"))
    intake.export_quarantine(first / "store", tmp_path / "q.xlsx")
    import openpyxl

    book = openpyxl.load_workbook(tmp_path / "q.xlsx")
    sheet = book["ventings 1"]
    at = [cell.value for cell in sheet[1]].index("rotations") + 1
    sheet.cell(2, at).value = "40"
    book.save(tmp_path / "q.xlsx")
    result = intake.ingest([tmp_path / "q.xlsx"], store=first / "store", today=TODAY)
    assert result.counts.loc["ventings", "accepted"] == 1
    assert set(read(first, "ventings")["venting_id"]) == {"17", "R-17"}


def _write(path, text):
    path.write_text(text)
    return path


def confirm(path, **row):
    with path.open("w", newline="") as out:
        writer = csv.DictWriter(out, ["file", "sheet", "line", "column", "old", "new", "why", "role"])
        writer.writeheader()
        writer.writerow(row)
    return path


def test_an_explicit_correction_solves_it_and_its_starts_follow(first, tmp_path):
    hand_in(first, "second", ventings=venting(engine="E2"), starts="17,2,6,yes\n")
    said = {"file": "ventings.csv", "sheet": "", "line": 2, "column": "engine_id", "old": "E2", "new": "E2"}
    file = confirm(tmp_path / "c.csv", **said, why="engine plate was misread", role="office")
    result = hand_in(first, "none", corrections=file)
    assert read(first, "ventings")["engine_id"].tolist() == ["E2"]
    assert read(first, "starts")["start_no"].tolist() == [1, 2]
    assert read(first, "quarantine").empty
    (note,) = result.issues[result.issues["code"] == "correction_confirmed"]["what"]
    assert "engine plate was misread" in note and "office" in note


def test_the_row_on_record_taken_back_lets_the_other_one_in(first):
    files = {"ventings": venting(site="Ridge", engine="E2"), "starts": "17,1,30,yes\n"}
    hand_in(first, "ridge", **files)
    intake.withdraw(1, store=first / "store")
    (first / "ridge" / "engines.csv").write_text(ENGINES)
    hand_in(first, "ridge", **files)
    assert read(first, "ventings")["site"].tolist() == ["Ridge"]
    assert read(first, "starts")["time_to_pressure_s"].tolist() == [30]
    assert read(first, "quarantine").empty


def test_a_held_row_of_another_workshop_is_not_cleared_by_a_good_one(tmp_path):
    hand_in(
        tmp_path,
        "ridge",
        engines=ENGINES,
        ventings=venting(site="Ridge", rotations="many"),
        starts="17,1,30,yes\n",
    )
    result = hand_in(tmp_path, "harbour", ventings=venting(), starts="17,2,8,yes\n")
    held = read(tmp_path, "quarantine")
    assert sorted(held["table"]) == ["starts", "starts", "ventings"]
    assert read(tmp_path, "ventings")["site"].tolist() == ["Harbour"]
    assert result.counts["released"].sum() == 0
    assert hand_in(tmp_path, "harbour", ventings=venting(rotations="41")).counts["released"].sum() == 0


def test_traces_follow_their_own_venting_too(first):
    folder = first / "traces"
    folder.mkdir()
    (folder / "ventings.csv").write_text(HEAD + venting(site="Ridge"))
    rows = "".join(f"17,1,{t},600,2\n" for t in range(3))
    (folder / "samples.csv").write_text("venting_id,start_no,t [s],speed [rpm],oil_pressure [bar]\n" + rows)
    result = hand_in(first, "traces")
    assert result.counts.loc["samples", "quarantined"] == 3


def test_of_two_equal_rows_neither_counts_as_known_while_the_first_is_held(tmp_path):
    row = venting(engine="E9")
    counts = hand_in(tmp_path, "one", engines=ENGINES, ventings=row + row + venting("18")).counts.loc[
        "ventings"
    ]
    assert counts[["rows", "accepted", "duplicate", "quarantined"]].tolist() == [3, 1, 0, 2]
    held = read(tmp_path, "quarantine")
    assert held["code"].tolist() == ["orphan_engine"] * 2 and held["line"].tolist() == [2, 3]
    more = hand_in(tmp_path, "two", engines="engine_id,engine_type,cylinders\nE9,flat4,4\n")
    assert more.counts.loc["ventings", "released"] == 2 and len(read(tmp_path, "ventings")) == 2
    assert read(tmp_path, "quarantine").empty
