"""Columns that the record format doesn't know and that may hold persons' names: asked about, never kept in clear."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache

from ventbook import tables
from ventbook.records.privacy.words import CODE, LETTER, is_name, name_rules, own_words

_WORD = r"[^\W\d_a-zß-öø-ÿ](?:[^\W\d_]*[.]?|['’][^\W\d_]+)(?:-[^\W\d_]+)?"
_FULL_NAME = re.compile(rf"{_WORD}(?:[ ]+(?:(?:van|von|de|der|den|del|di|la|le|ter|ten)[ ]+)*{_WORD}){{1,3}}")
_SURNAME_FIRST = re.compile(rf"{_WORD},[ ]*{_WORD}(?:[ ]+{_WORD})?")
_ONE_WORD = re.compile(rf"{LETTER}{{2,}}[.]?|(?:{LETTER}[.]?){{2,4}}")
_BY = re.compile(r"\bby\b|^names?$")


@cache
def _person_headers() -> frozenset[str]:
    words = tables.read_toml(tables.DATA / "header_words.toml")
    found = {"technician", *name_rules()["person_headers"]}
    for table in words.values():
        if isinstance(table, dict):
            found |= set(table.get("technician", ()))
    return frozenset(found)


def says_person(header: str) -> bool:
    """True where a header's own words say that persons stand below it."""
    plain = " ".join(re.findall(rf"{LETTER}+", header.casefold()))
    padded = f" {plain} "
    return bool(_BY.search(plain)) or any(f" {word} " in padded for word in _person_headers())


def looks_like_full_name(text: str) -> bool:
    """Two to four words with capitals and no digits, none of them a word of the trade."""
    plain = " ".join(text.split())
    if len(plain) > 60 or not (_FULL_NAME.fullmatch(plain) or _SURNAME_FIRST.fullmatch(plain)):
        return False
    words = [word.casefold() for word in re.findall(rf"{LETTER}+", plain)]
    return not any(word in own_words() for word in words)


def find_person_columns(cells: Mapping[str, Sequence[str]]) -> list[tuple[str, int, int]]:
    """(header, cells that look like names, cells that say anything) of the columns to ask about."""
    rule = name_rules()["column"]
    found = []
    for header, values in cells.items():
        said = [value.strip() for value in values if is_name(value) and not CODE.search(value)]
        if not said:
            continue
        by_header = says_person(header)
        like = sum(
            looks_like_full_name(v)
            or (by_header and _ONE_WORD.fullmatch(v) is not None and v.casefold() not in own_words())
            for v in said
        )
        enough = 1 if by_header else rule["min_cells"]
        if like >= enough and like >= rule["min_share"] * len(said):
            found.append((header, like, len(said)))
    return found
