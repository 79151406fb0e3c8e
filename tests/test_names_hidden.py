"""No name of a technician in any output, wherever it was written down; columns of names are asked about; the key is kept.

What counts as a name in an output is told here without the library: the parts of the invented names, accents taken off.
"""

import csv
import datetime as dt
import json
import os
import random
import re
import stat
import subprocess
import unicodedata
import zipfile

import pytest

from invented_store import make_notebook
from ventbook.errors import InputError
from ventbook.records import intake, privacy
from ventbook.records import store as st
from ventbook.records.store import delta
from ventbook.run import cli, runner

TODAY = dt.date(2026, 11, 1)
NAMES = (
    "Zebedee Quux", "Philippa Ozonwald", "Jörg Straßwitz", "Ana O'Nyxley", "Renée d'Avrolle", "Bo Wexlund-Trygg",
    "Qorvath, Xi", "ULFGAR PRZYBOR",
)  # fmt: skip
LATE = ("Walburga Yttrich", "Cosmo Fjeldmoe")  # handed in as technicians after they stood in remarks
CORES = [
    "zebedee",
    "quux",
    "philippa",
    "ozonwald",
    "joerg",
    "jorg",
    "strasswitz",
    "nyxley",
    "avrolle",
    "renee",
    "wexlund",
    "trygg",
    "qorvath",
    "ulfgar",
    "przybor",
]
LATE_CORES = ["walburga", "yttrich", "cosmo", "fjeldmoe"]
HEAD = [
    "venting_id",
    "engine_id",
    "date",
    "site",
    "technician",
    "reason",
    "rotations",
    "rotations_counted_at",
    "pressure_shown",
    "lifter_lot",
    "crank_rest",
    "remarks",
]
CHECK = ["venting_id", "check_no", "cylinder", "valve", "gap [mm]", "gauge", "lifter_id", "technician"]


def plain(text):
    text = unicodedata.normalize("NFKD", text.replace("ß", "ss"))
    return "".join(mark for mark in text if not unicodedata.combining(mark)).casefold()


def names_in(text, cores=CORES):
    return sorted({core for core in cores if core in plain(text)})


def spell(name, rng):
    """A name or a part of it as somebody may write it down."""
    parts = [part for part in re.split(r"[ ,]+", name) if part]
    last = max(parts, key=len)
    forms = [
        name, name.upper(), name.lower(), name.title(), last, last.upper(), last.lower(), last + "'s", last + "s",
        ", ".join(reversed(parts)), "_".join(parts), ".".join(parts).lower(), "-".join(parts), "".join(parts),
        f"{parts[0][0]}. {last}", f"{last}{rng.randrange(99)}", "  ".join(parts), "\u00a0".join(parts),
        unicodedata.normalize("NFD", name), name.replace("ö", "oe").replace("ß", "ss").replace("é", "e"),
    ]  # fmt: skip
    return rng.choice(forms)


def place(slot, form, venting, check, rng):
    """Put a written name into a place of a row."""
    around = [f"ask {form} first", f"{form}: ok", f"gap by {form}", f"({form})", f"x/{form}/y", form]
    text = rng.choice(around)
    if slot in ("remarks", "crank_rest", "lifter_lot"):
        venting[slot] = text
    elif slot == "venting_id":
        venting[slot] = f"{venting[slot]}-{form}"
    elif slot == "held number":
        venting["rotations"] = text
    elif slot == "held code":
        venting["reason"] = form
    elif slot == "held date":
        venting["date"] = f"2026-13-77 {form}"
    elif slot in ("gauge", "lifter_id"):
        check[slot] = text
    elif slot == "unknown column":
        venting["Kommentar"] = text
    elif slot == "broken":
        venting["broken"] = form


SLOTS = (
    *("remarks", "crank_rest", "lifter_lot", "venting_id", "held number", "held code", "held date", "gauge"),
    *("lifter_id", "unknown column", "broken"),
)


def write_delivery(folder, number, names, technicians, rng, rows=50):
    """A delivery of ``rows`` placements, in files whose names, headers and lines above them name persons too."""
    folder.mkdir()
    ventings, checks = [], []
    for n in range(rows):
        key = f"V{number}-{n}"
        venting = dict.fromkeys([*HEAD, "Kommentar"], "") | {
            "venting_id": key, "engine_id": "E1", "date": "2026-08-04", "site": "Harbour", "reason": "oil_change",
            "technician": rng.choice([*technicians, "not recorded", "-", "unknown"]), "rotations": str(30 + n),
            "rotations_counted_at": "crankshaft", "pressure_shown": "yes",
        }  # fmt: skip
        check = dict(
            zip(CHECK, [key, "1", "1", "inlet", "0.3", "G1", "", rng.choice(technicians)], strict=True)
        )
        place(SLOTS[n % len(SLOTS)], spell(rng.choice(names), rng), venting, check, rng)
        check["venting_id"] = venting["venting_id"]
        ventings.append(venting)
        checks.append(check)
    for n, name in enumerate(technicians):
        ventings[n]["technician"] = name
    header = [*HEAD, f"Kommentar {spell(rng.choice(names), rng)}".replace("\u00a0", " ")]
    with (folder / f"ventings_{spell(names[0], rng)}.csv").open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow([f"sheet of {spell(rng.choice(names), rng)}"])
        out.writerow(header)
        for row in ventings:
            broken = [row["broken"], "one more"] if "broken" in row else []
            out.writerow([row[name] for name in HEAD] + [row["Kommentar"]] + broken)
    import xlsxwriter

    with xlsxwriter.Workbook(str(folder / f"checks of {names[-1]}.xlsx")) as book:
        sheet = book.add_worksheet(f"lifter_checks {names[0]}"[:31])
        for r, row in enumerate([CHECK, *([check[name] for name in CHECK] for check in checks)]):
            for c, cell in enumerate(row):
                sheet.write_number(r, c, float(cell)) if r and c in (1, 2, 4) else sheet.write_string(
                    r, c, cell
                )
    (folder / "engines.csv").write_text("engine_id,engine_type,cylinders\nE1,flat4,4\n")
    return folder


def texts_of_store(path):
    for file in path.rglob("*"):
        if file.parent.name == privacy.FOLDER or not file.is_file():
            continue
        if file.suffix == ".parquet":
            rows = delta.pq.read_table(file, partitioning=None).to_pylist()
            yield file, json.dumps(rows, default=str, ensure_ascii=False).replace("\\\\", "\\")
        else:
            yield file, file.read_bytes().decode("utf-8", "replace")


def texts_of_report(folder):
    for file in folder.rglob("*"):
        if not file.is_file():
            continue
        yield file, file.name
        if file.suffix == ".pdf":
            yield (
                file,
                subprocess.run(
                    ["pdftotext", str(file), "-"], capture_output=True, check=True
                ).stdout.decode(),
            )
            yield (
                file,
                subprocess.run(["pdfinfo", str(file)], capture_output=True, check=True).stdout.decode(),
            )
        elif file.suffix == ".xlsx":
            with zipfile.ZipFile(file) as book:
                yield from ((file, book.read(name).decode("utf-8", "replace")) for name in book.namelist())
        else:
            yield file, file.read_bytes().decode("utf-8", "replace")


TELL = "\n".join(
    f'page.add_table("{key}", {frame}, title="All")'
    for key, frame in (
        ("ventings_all", 'page.records["ventings"].drop(columns=["technician"])'),
        ("checks_all", 'page.records["lifter_checks"].drop(columns=["technician"])'),
        ("held", 'page.records["quarantine"]'),
        ("found", 'page.records["issues"]'),
        ("taken", 'page.records["intakes"]'),
    )
)


@pytest.fixture(scope="module")
def placed(tmp_path_factory):
    """A store of 200 placements in three deliveries, and one more of which the names come later, as technicians."""
    folder = tmp_path_factory.mktemp("placed")
    rng = random.Random(20261130)
    store = folder / "store"
    for number in (1, 2, 3, 4):
        delivery = write_delivery(folder / f"d{number}", number, NAMES, NAMES, rng)
        note = f"from {spell(NAMES[number], rng)}"
        intake.ingest([delivery], store=store, today=TODAY, note=note)
    return folder, store


def test_no_name_in_any_file_of_the_store(placed):
    _, store = placed
    seen = 0
    for file, text in texts_of_store(store):
        assert not names_in(text), (file.relative_to(store), names_in(text))
        seen += 1
    assert seen > 20
    snapshot = st.open_store(store).snapshot()
    rows = len(snapshot.read("ventings")) + len(snapshot.read("quarantine"))
    assert rows >= 200 and len(snapshot.read("lifter_checks")) + len(snapshot.read("quarantine")) >= 200
    said = set(privacy.read_names(store).values())
    assert {"not recorded", "-", "unknown"}.isdisjoint(said) and len(said) >= len(NAMES)


@pytest.mark.skipif(os.name != "posix", reason="pdftotext")
def test_no_name_in_any_file_of_a_report(placed):
    folder, store = placed
    make_notebook(folder / "notebooks", extra=TELL)
    done = runner.run_reports(
        ["quarterly-review"],
        {"store": str(store), "period": "2026Q3"},
        out=folder / "out",
        notebooks=folder / "notebooks",
    )[0]
    assert done.done, done.message
    kinds = set()
    for file, text in texts_of_report(done.folder):
        kinds.add(file.suffix)
        assert not names_in(text), (file.name, names_in(text))
    assert {".pdf", ".xlsx", ".ipynb", ".json", ".html", ".csv"} <= kinds


def test_names_that_are_known_later_are_masked_in_what_was_taken_in_before(tmp_path):
    rng = random.Random(7)
    store = tmp_path / "store"
    slots = ("remarks", "crank_rest", "lifter_lot", "gauge", "unknown column", "held code", "held number")
    first = write_delivery(tmp_path / "d1", 1, NAMES, NAMES, rng)
    names = iter(LATE * 50)
    (file,) = first.glob("ventings*.csv")
    with file.open(encoding="utf-8", newline="") as source:
        rows = list(csv.reader(source))
    for n, row in enumerate(rows[2:]):
        if len(row) == len(HEAD) + 1:
            venting, check = dict(zip([*HEAD, "Kommentar"], row, strict=True)), {}
            place(slots[n % len(slots)], spell(next(names), rng), venting, check, rng)
            row[:] = [venting[name] for name in [*HEAD, "Kommentar"]]
    with file.open("w", encoding="utf-8", newline="") as target:
        csv.writer(target).writerows(rows)
    intake.ingest([first], store=store, today=TODAY)
    before = st.open_store(store).snapshot().read("ventings")
    assert any(names_in(json.dumps(row, default=str), LATE_CORES) for row in before.to_dict("records"))
    second = write_delivery(tmp_path / "d2", 2, NAMES, LATE, rng, rows=5)
    intake.ingest([second], store=store, today=TODAY)
    snapshot = st.open_store(store).snapshot()
    for name in ("ventings", "lifter_checks", "quarantine", "issues", "engines"):
        text = json.dumps(snapshot.read_arrow(name).to_pylist(), default=str, ensure_ascii=False)
        assert not names_in(text, LATE_CORES), (name, names_in(text, LATE_CORES))
    again = intake.ingest([first], store=store, today=TODAY)  # and what is handed in again is the same still
    assert again.counts.loc["ventings", "corrected"] == 0 and again.counts.loc["ventings", "accepted"] == 0
    number = intake.withdraw(3 if not again.unchanged else 2, store=store)
    for name in ("ventings", "quarantine", "issues"):
        text = json.dumps(st.open_store(store).snapshot(number).read_arrow(name).to_pylist(), default=str)
        assert not names_in(text, LATE_CORES), name
    assert not st.check_store(store).damages


def test_the_quarantine_workbook_comes_back_with_masked_addresses(tmp_path):
    """Rows given back under a masked file name are cleared when they are mended."""
    rng = random.Random(3)
    store = tmp_path / "store"
    delivery = write_delivery(tmp_path / "d", 1, NAMES[:1], NAMES, rng, rows=len(SLOTS))
    held = len(intake.ingest([delivery], store=store, today=TODAY).quarantine)
    assert held >= 4
    book = tmp_path / "back.xlsx"
    intake.export_quarantine(store, book)
    import openpyxl

    made = openpyxl.load_workbook(book)
    for sheet in made.worksheets:
        headers = {cell.value: cell.column for cell in sheet[1]}
        for row in range(2, sheet.max_row + 1) if "held_row" in headers else ():
            for name, good in (("rotations", "31"), ("reason", "oil_change"), ("date", "2026-08-04")):
                if name in headers:
                    sheet.cell(row, headers[name], good)
            for name, column in headers.items():
                if str(name).startswith("column ") and sheet.cell(row, column).value:
                    sheet.cell(row, column, None)
    made.save(book)
    intake.ingest([book], store=store, today=TODAY)
    assert len(st.open_store(store).snapshot().read("quarantine")) < held


ASKED = "venting_id,engine_id,date,site,reason,rotations,rotations_counted_at,pressure_shown,{header}\n"
LINE = "V{n},E1,2026-08-0{n},Harbour,oil_change,40,crankshaft,yes,{cell}\n"
ENGINE = "engine_id,engine_type,cylinders\nE1,flat4,4\n"


def write_column(folder, header, cells):
    folder.mkdir(exist_ok=True)
    (folder / "engines.csv").write_text(ENGINE)
    lines = "".join(LINE.format(n=n, cell=f'"{cell}"') for n, cell in enumerate(cells, 1))
    (folder / "ventings.csv").write_text(ASKED.format(header=header) + lines, encoding="utf-8")
    return folder


PERSONS = [
    ("Mechaniker", ["Quux", "Ozonwald"]),
    ("Checked by", ["Zebedee Quux", "P. Ozonwald", "-"]),
    ("Kontrolle", ["Zebedee Quux", "Philippa Ozonwald", "Xi Qorvath"]),
    ("anything", ["Quux, Zebedee", "Ozonwald, Philippa", ""]),
    ("released by", ["ZQ", "PO", "not recorded"]),
]
NO_PERSONS = [
    ("Bemerkung 2", ["all well", "drained cold", "Hose old"]),
    ("Farbe", ["red", "blue", "green"]),
    ("Checked by", ["-", "not recorded", "unknown"]),
    ("Kst", ["4711", "4712", "A-12"]),
    ("Oil sort", ["Mineral Oil", "Mineral Oil"]),
]


@pytest.mark.parametrize(("header", "cells"), PERSONS)
@pytest.mark.parametrize("dry_run", [False, True])
def test_a_column_of_persons_is_asked_about_before_anything_is_written(tmp_path, header, cells, dry_run):
    files = write_column(tmp_path / "in", header, cells)
    with pytest.raises(
        InputError, match=rf"ventings\.csv: column '{header}' seems to hold names of persons"
    ) as caught:
        intake.ingest([files], store=tmp_path / "store", today=TODAY, dry_run=dry_run)
    assert "\n" not in str(caught.value) and "Quux" not in str(caught.value)
    assert not (tmp_path / "store").exists()


@pytest.mark.parametrize(("header", "cells"), NO_PERSONS)
def test_a_column_without_persons_is_kept_and_not_asked_about(tmp_path, header, cells):
    files = write_column(tmp_path / "in", header, cells)
    result = intake.ingest([files], store=tmp_path / "store", today=TODAY)
    assert result.counts.loc["ventings", "accepted"] == len(cells)


def test_the_mapping_says_what_such_a_column_is(tmp_path):
    files = write_column(tmp_path / "in", "Kontrolle", ["Zebedee Quux", "Philippa Ozonwald", "-"])
    mapping = tmp_path / "mapping.toml"
    answers = {
        "names": 'names = ["Kontrolle"]',
        "plain": 'plain = ["Kontrolle"]',
        "technician": '[source.columns]\nKontrolle = "technician"',
    }
    for answer, text in answers.items():
        mapping.write_text(f'[[source]]\nfiles = "ventings*"\n{text}\n')
        store = tmp_path / answer
        intake.ingest([files], store=store, today=TODAY, mapping=mapping)
        other = st.open_store(store).snapshot().read("ventings", bookkeeping=True)
        if answer == "technician":
            assert (
                other["technician"].notna().tolist() == [True, True, False] and other["_other"].isna().all()
            )
            continue
        said = [json.loads(text)["Kontrolle"] for text in other["_other"]]
        if answer == "plain":
            assert said == ["Zebedee Quux", "Philippa Ozonwald", "-"]
        else:
            assert all(privacy.CODE.fullmatch(text) for text in said[:2]) and said[2] == "-"
    mapping.write_text('[[source]]\nfiles = "*"\nnames = "Kontrolle"\n')
    with pytest.raises(InputError, match="names must be a list"):
        intake.ingest([files], store=tmp_path / "s", today=TODAY, mapping=mapping)


def test_words_of_the_trade_and_places_are_left_alone(tmp_path):
    coder = privacy.open_coder(None)
    for name in ("Mark Cooler", "Lake Ridge", "Kim Dunnock"):
        coder.code_name(name)
    coder.keep = frozenset({"lake"})
    assert coder.mask_text("mark on the cooler, dry") == "mark on the cooler, dry"
    assert "Mark" not in coder.mask_text("Mark said so") and "Cooler" not in coder.mask_text("COOLER, M.")
    import pyarrow as pa

    assert coder.mask_identifiers(pa.array(["LAKE-001"])).to_pylist() == ["LAKE-001"]
    code = next(iter(coder.names))
    assert coder.mask_text(f"[{code}] said") == f"[{code}] said"
    assert coder.mask_text("dunnocks") == f"[{coder.code_name('Kim Dunnock')}]"


def test_a_missing_key_is_an_error_that_says_how_it_comes_back(tmp_path, capsys):
    files = write_column(tmp_path / "in", "technician", ["Zebedee Quux", "Philippa Ozonwald"])
    store = tmp_path / "store"
    intake.ingest([files], store=store, today=TODAY)
    private = store / privacy.FOLDER
    key = (private / "key").read_text()
    more = write_column(tmp_path / "more", "technician", ["Zebedee Quux", "Philippa Ozonwald", "Xi Qorvath"])
    for broken in ("", "00", "no key at all"):
        (private / "key").write_text(broken)
        with pytest.raises(InputError, match="put the folder back from your copy"):
            intake.ingest([more], store=store, today=TODAY)
    (private / "key").unlink()
    for dry_run in (True, False):
        with pytest.raises(
            InputError, match="the key of the technicians' codes is missing; put the folder private back"
        ):
            intake.ingest([more], store=store, today=TODAY, dry_run=dry_run)
    assert not (private / "key").exists() and st.open_store(store).snapshot().number == 1
    (private / "key").write_text(key)
    names = (private / "names.json").read_text()
    (private / "names.json").unlink()
    with pytest.raises(InputError, match=r"names\.json is missing"):
        intake.ingest([more], store=store, today=TODAY)
    (private / "names.json").write_text(names)
    intake.ingest([more], store=store, today=TODAY)
    codes = st.open_store(store).snapshot().read("ventings")["technician"]
    assert codes.nunique() == 3 and codes.iloc[0] in json.loads(names)
    (private / "key").unlink()
    assert cli.main(["store", "new-key", "--store", str(store)]) == 0
    assert cli.main(["store", "new-key", "--store", str(store)]) == 2
    assert "never written over" in capsys.readouterr().err
    assert (
        intake.ingest(
            [write_column(tmp_path / "in", "technician", ["New Qorvath"])], store=store, today=TODAY
        ).number
        == 3
    )


@pytest.mark.skipif(os.name != "posix", reason="no such permissions")
def test_a_store_is_for_its_owner_only_unless_its_folder_was_made_for_others(tmp_path):
    (tmp_path / "engines.csv").write_text(ENGINE)
    (tmp_path / "shared").mkdir(mode=0o755)
    for name, mode in (("own", 0o700), ("shared", 0o755)):
        intake.ingest([tmp_path / "engines.csv"], store=tmp_path / name, today=TODAY)
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == mode
        st.back_up(tmp_path / name, tmp_path / f"{name}.zip")
        st.restore_backup(tmp_path / f"{name}.zip", tmp_path / f"{name} back")
        assert stat.S_IMODE((tmp_path / f"{name} back").stat().st_mode) == 0o700
        assert stat.S_IMODE((tmp_path / name / "private").stat().st_mode) == 0o700
