"""Readers: what workshops hand in, as sheets of text cells with their addresses.

    sheets, notes = open_sheets([Path("ventings_2026Q3.csv")], mapping)
    for batch in sheets[0].batches(): ...

A reader never converts and never guesses: it tells encoding, separator, decimal mark and header row where the file
leaves no doubt, reports the choice, and refuses with one line that says what to do where it leaves one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from ventbook.cluster import end_partitions
from ventbook.errors import InputError
from ventbook.records.readers.columnar import open_delta, open_parquet
from ventbook.records.readers.draft import draft_mapping
from ventbook.records.readers.mapping import NOTHING, Source, load_mapping
from ventbook.records.readers.sheets import Batch, Field, FileNote, Sheet
from ventbook.records.readers.text_files import open_text
from ventbook.records.readers.workbooks import cell_text, open_workbook, read_cells

__all__ = [
    "Batch",
    "Field",
    "FileNote",
    "Sheet",
    "Source",
    "cell_text",
    "draft_mapping",
    "is_record_file",
    "load_mapping",
    "open_sheets",
    "read_cells",
]

TEXT = (".csv", ".tsv", ".txt")
BOOKS = (".xlsx", ".xlsm", ".ods")


Opened = tuple[list[Sheet], list[tuple[str, FileNote]]]


def open_sheets(
    paths: Iterable[str | Path],
    mapping: Sequence[Source] = (),
    *,
    open_one: Callable[..., Opened] | None = None,
) -> tuple[list[Sheet], list[tuple[str, str, FileNote]]]:
    """All sheets of the files, and notes (file, sheet, note) on files and sheets left out.

    A folder stands for the record files in it. Each file is a part for the workers in use (:mod:`ventbook.cluster`), who
    open it by ``open_one(path, mapping=mapping)``; by :func:`open_file` where none is given. Raises InputError with one line
    for every file that can't be used, so that one call tells the sender everything.
    """
    sheets: list[Sheet] = []
    notes: list[tuple[str, str, FileNote]] = []
    faults: list[str] = []
    listed = list_files(paths, notes)
    files = [path.absolute() if open_one else path for path, _ in listed]  # read elsewhere, maybe
    opened = dict(end_partitions(open_one or open_file, files, shared={"mapping": mapping}))
    for number, (path, asked) in enumerate(listed):
        try:
            own, extra = opened.pop(number).result()
            sheets += own
            notes += [(path.name, sheet, note) for sheet, note in extra]
        except InputError as error:
            if not asked and "doesn't say which table" in str(error):
                notes.append((path.name, "", FileNote("file_left_out", value=path.name)))
            else:
                faults.append(str(error))
    if faults:
        raise InputError("\n".join(faults))
    if not sheets:
        raise InputError("no record files given; name files or a folder that holds them")
    return sheets, notes


def list_files(
    paths: Iterable[str | Path], notes: list[tuple[str, str, FileNote]]
) -> list[tuple[Path, bool]]:
    """(file, whether it was named itself) in the order given; folders in order of name."""
    found: list[tuple[Path, bool]] = []
    for given in paths:
        path = Path(given)
        if path.is_dir() and not (path / "_delta_log").is_dir():
            inside = [p for p in sorted(path.iterdir()) if not p.name.startswith((".", "~$"))]
            known = [p for p in inside if is_record_file(p)]
            if not known:
                raise InputError(f"{path}: the folder holds no record files (CSV, XLSX, ODS, Parquet)")
            notes += [
                (p.name, "", FileNote("file_left_out", value=p.name))
                for p in inside
                if p not in known and p.is_file()
            ]
            found += [(p, False) for p in known]
        elif not path.exists():
            raise InputError(f"{path}: no such file; check the path")
        else:
            found.append((path, True))
    return found


def is_record_file(path: Path) -> bool:
    """Whether a file's ending is one that records come in."""
    return not path.name.startswith("~$") and path.suffix.lower() in (*TEXT, *BOOKS, ".parquet")


def open_file(path: Path, mapping: Sequence[Source] = ()) -> Opened:
    """The sheets of one file, by its ending."""
    sources = tuple(source for source in mapping if source.fits(path.name))
    source = sources[0] if sources else NOTHING
    kind = path.suffix.lower()
    try:
        if path.is_dir():
            return [open_delta(path, source)], []
        if kind in TEXT:
            return [open_text(path, source)], []
        if kind in BOOKS:
            return open_workbook(path, sources)
        if kind == ".parquet":
            return [open_parquet(path, source)], []
    except OSError as error:
        raise InputError(f"{path.name}: can't be read ({error.strerror}); check its permissions") from None
    raise InputError(
        f"{path.name}: files of kind {kind or 'without ending'} are not read; hand in CSV, XLSX, ODS or Parquet"
    )
