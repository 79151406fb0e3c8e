"""A last look for names: what leaves the house is searched for the names that the store's key stands for.

Names are coded at intake, before anything is written. Should one come through all the same (in a free text that
spells it in an unforeseen way, or through a table of ours), the report is held back. The names are readable by the
owner of the store's key only; where they can't be read, there is nothing to search for.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from ventbook import privacy
from ventbook.store import open_store

from .task import ReportError

# One word that is also a name is too common in prose to hold a report back for ("Mark", "Page", "Rose").
SHORTEST_WORD = 7
_PICTURE = re.compile(r"base64,[A-Za-z0-9+/=]+")
TEXTS = (".html", ".json", ".csv", ".ipynb", ".svg")


def names_to_look_for(store: Path) -> list[str]:
    """Names behind the store's codes that can be told from ordinary words and from places and engines."""
    names = privacy.read_names(store)
    if not names:
        return []
    snapshot = open_store(store).snapshot()
    known: set[str] = set()
    for table, columns in (("ventings", ["site", "engine_id"]), ("engines", ["engine_type"])):
        frame = snapshot.read(table, columns=columns)
        for column in columns:
            known |= {str(value).casefold() for value in pd.unique(frame[column].dropna())}
    return sorted(
        name
        for name in set(names.values())
        if name.casefold() not in known and (len(name.split()) > 1 or len(name) >= SHORTEST_WORD)
    )


def hold_back_names(folder: Path, names: Iterable[str]) -> None:
    """Raises ReportError naming the file (not the name) when a name stands in a report's files."""
    wanted = [re.escape(name).replace(r"\ ", r"\s+") for name in names]
    if not wanted:
        return
    pattern = re.compile(rf"\b(?:{'|'.join(wanted)})\b", re.IGNORECASE)
    for path in sorted(folder.rglob("*")):
        if path.is_file() and any(pattern.search(text) for text in _texts_of(path)):
            raise ReportError(
                f"a technician's name stands in {path.relative_to(folder).as_posix()}; the report is held back. "
                "Withdraw the intake, take the name out of the free text, and hand the file in again",
                code=2,
            )


def _texts_of(path: Path) -> Iterable[str]:
    if path.suffix in TEXTS:
        yield _PICTURE.sub("", path.read_text("utf-8", errors="replace"))
    elif path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as book:
            for name in book.namelist():
                yield book.read(name).decode("utf-8", errors="replace")
