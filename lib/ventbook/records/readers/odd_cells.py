"""Cells of a workbook that its parser gives as empty although something stands in them: errors, formulas whose value was
never stored, and cells that a merge covers. They become marked texts, which intake refuses and names.

XLSX as in ECMA-376 part 1 (cells 18.3.1.4, merges 18.3.1.55); ODS as in OpenDocument 1.3 part 3, chapter 9.
"""

from __future__ import annotations

import posixpath
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from ventbook.errors import InputError

ERROR = re.compile(r"#[A-ZÄÖÜÁÉÍÓÚ¡¿/0]{2,20}[!?]|#N/?[AVD]|#GETTING_DATA|Err:\d{3}")
NO_VALUE = "#FORMULA! ="
MERGED = "#MERGED! "
MOST_MERGES = 20_000
_SIGNS = re.compile(
    rb't="e"|<(?:\w+:)?f[\s>/]|<(?:\w+:)?mergeCell\b|formula=|-spanned=|calcext:value-type="error"'
)
_PLACE = re.compile(r"([A-Z]{1,3})([0-9]{1,7})")
Place = tuple[int, int]  # row and column, both from 0
CALC_TYPE = "{urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0}value-type"


@dataclass
class OddCells:
    """Marked texts by place, and merged ranges (first row, first column, last row, last column)."""

    texts: dict[Place, str] = field(default_factory=dict)
    merges: list[tuple[int, int, int, int]] = field(default_factory=list)


def find_odd_cells(path: Path) -> dict[str, OddCells]:
    """The odd cells of each sheet by its name. InputError where the XML can't be read."""
    found: dict[str, OddCells] = {}
    try:
        with zipfile.ZipFile(path) as archive:
            names = set(archive.namelist())
            if "content.xml" in names:
                if _has_signs(archive, "content.xml"):
                    found = _read_ods(archive)
            else:
                for sheet, part in _list_parts(archive, names):
                    if _has_signs(archive, part):
                        found[sheet] = _read_xlsx(archive, part)
    except (ElementTree.ParseError, KeyError, ValueError, zipfile.BadZipFile) as error:
        raise InputError(
            f"{path.name}: can't be read as a workbook ({str(error)[:150]}); save it again"
        ) from None
    for sheet, odd in found.items():
        if len(odd.merges) > MOST_MERGES:
            raise InputError(
                f"{path.name}, sheet {sheet}: has {len(odd.merges):,} merged ranges (at most {MOST_MERGES:,}); unmerge them"
            )
    return found


def put_texts(rows: list[list[Any]], odd: OddCells) -> None:
    """Put the marked texts into the cells that the parser left empty."""
    for (row, column), text in sorted(odd.texts.items()):
        if row >= len(rows):
            rows += [[] for _ in range(row + 1 - len(rows))]
        cells = rows[row]
        cells += [""] * (column + 1 - len(cells))
        if cells[column] == "" or not text.startswith(NO_VALUE):
            cells[column] = text


def mark_covered(body: list[tuple[int, list[Any]]], odd: OddCells, width: int) -> None:
    """Mark the empty cells that merged ranges cover, in rows of the table (numbers from 1) that say more than the range."""
    for top, left, bottom, right in odd.merges:
        where = f"{MERGED}{_name_place(top, left)}:{_name_place(bottom, right)}"
        for number, cells in body:
            if not top < number <= bottom + 1:
                continue
            inside = range(left, min(right + 1, width))
            if not any(cell != "" for column, cell in enumerate(cells) if column not in inside):
                continue  # a title or a footer
            for column in inside:
                if (number - 1, column) != (top, left) and (column >= len(cells) or cells[column] == ""):
                    cells += [""] * (column + 1 - len(cells))
                    cells[column] = where


def _has_signs(archive: zipfile.ZipFile, part: str) -> bool:
    tail = b""
    with archive.open(part) as stream:
        while chunk := stream.read(1 << 20):
            if _SIGNS.search(tail + chunk):
                return True
            tail = chunk[-40:]
    return False


def _list_parts(archive: zipfile.ZipFile, names: set[str]) -> Iterator[tuple[str, str]]:
    """(sheet, its part) of an XLSX workbook, by its relations."""
    book = next((name for name in sorted(names) if name.endswith("xl/workbook.xml")), None)
    if book is None:
        return
    folder, stem = posixpath.split(book)
    targets = {}
    relations = f"{folder}/_rels/{stem}.rels"
    if relations in names:
        for entry in ElementTree.fromstring(archive.read(relations)):
            targets[entry.get("Id")] = posixpath.normpath(posixpath.join(folder, entry.get("Target", "")))
    for entry in ElementTree.fromstring(archive.read(book)).iter():
        if _local(entry.tag) == "sheet":
            by = next((value for name, value in entry.items() if _local(name) == "id"), "")
            part = targets.get(by, "").removeprefix("/")
            part = part if part in names else part.removeprefix(f"{folder}/").lstrip("/")
            if part in names:
                yield entry.get("name", ""), part


def _read_xlsx(archive: zipfile.ZipFile, part: str) -> OddCells:
    odd = OddCells()
    row, column = -1, -1
    with archive.open(part) as stream:
        for event, node in ElementTree.iterparse(stream, events=("start", "end")):
            kind = _local(node.tag)
            if event == "start":
                if kind == "row":
                    row, column = int(node.get("r") or row + 2) - 1, -1
                continue
            if kind == "c":
                place = _PLACE.fullmatch(node.get("r", ""))
                row, column = _read_place(place) if place else (row, column + 1)
                text = _say_cell(node)
                if text:
                    odd.texts[row, column] = text
            elif kind == "mergeCell":
                ends = [_PLACE.fullmatch(end) for end in node.get("ref", "").split(":")]
                if len(ends) == 2 and ends[0] and ends[1]:
                    odd.merges.append((*_read_place(ends[0]), *_read_place(ends[1])))
            elif kind == "row":
                node.clear()
    return odd


def _say_cell(node: ElementTree.Element) -> str:
    """The marked text of an XLSX cell, empty where it holds a value or nothing."""
    parts = {_local(child.tag): child.text or "" for child in node}
    kind = node.get("t", "n")
    if kind == "e":
        return parts.get("v", "").strip() or "#VALUE!"
    if "f" in parts and kind in ("n", "b", "d") and not parts.get("v", "").strip():
        return NO_VALUE + parts["f"].strip()[:100]
    return ""


def _read_ods(archive: zipfile.ZipFile) -> dict[str, OddCells]:
    found: dict[str, OddCells] = {}
    odd, row = OddCells(), 0
    with archive.open("content.xml") as stream:
        for event, node in ElementTree.iterparse(stream, events=("start", "end")):
            kind = _local(node.tag)
            if event == "start":
                if kind == "table":
                    odd, row = found.setdefault(_get(node, "name"), OddCells()), 0
            elif kind == "table-row":
                times = int(_get(node, "number-rows-repeated") or 1)
                _read_ods_row(node, row, times, odd)
                row += times
                node.clear()
    return found


def _read_ods_row(node: ElementTree.Element, row: int, times: int, odd: OddCells) -> None:
    column = 0
    for cell in node:
        if _local(cell.tag) not in ("table-cell", "covered-table-cell"):
            continue
        count = int(_get(cell, "number-columns-repeated") or 1)
        shown = "".join(
            text for child in cell if _local(child.tag) == "p" for text in child.itertext()
        ).strip()
        formula = _get(cell, "formula")
        wrong = cell.get(CALC_TYPE) == "error" or (formula and ERROR.fullmatch(shown))
        text = ""
        if wrong:
            text = shown or "#VALUE!"
        elif formula and not _get(cell, "value-type"):
            text = NO_VALUE + formula.partition("=")[2][:100]
        if text:
            places = [
                (r, c)
                for r in range(row, row + min(times, 1000))
                for c in range(column, column + min(count, 1000))
            ]
            odd.texts |= dict.fromkeys(places, text)
        across, down = (int(_get(cell, f"number-{way}-spanned") or 1) for way in ("columns", "rows"))
        if across * down > 1:
            odd.merges.append((row, column, row + down - 1, column + across - 1))
        column += count


def _get(node: ElementTree.Element, name: str) -> str:
    """An attribute by its name without the namespace; LibreOffice's own doubles left out."""
    return next((value for key, value in node.items() if _local(key) == name and key != CALC_TYPE), "")


def _local(name: str) -> str:
    return name.rpartition("}")[2]


def _read_place(place: re.Match[str]) -> Place:
    column = 0
    for letter in place[1]:
        column = column * 26 + ord(letter) - 64
    return int(place[2]) - 1, column - 1


def _name_place(row: int, column: int) -> str:
    letters, left = "", column + 1
    while left:
        left, rest = divmod(left - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row + 1}"
