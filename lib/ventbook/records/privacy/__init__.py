"""Technician names as keyed codes, names masked in text, and columns that may hold names asked about.

A name becomes ``T-`` and ten hexadecimal digits of an HMAC-SHA-256 (RFC 2104, FIPS 180-4) under a random key that is
kept with the store in a folder only its owner can read. Without the key a code can't be turned back by trying
names. Codes stand in for names before anything is written, quarantined rows included.
"""

from ventbook.records.privacy.coder import (
    CODE,
    FOLDER,
    KeyMissing,
    NameCoder,
    make_key,
    open_coder,
    open_reader,
    read_cells,
    read_names,
    restore_text,
)
from ventbook.records.privacy.persons import find_person_columns
from ventbook.records.privacy.words import is_name, own_words, split_name

__all__ = [
    "CODE",
    "FOLDER",
    "KeyMissing",
    "NameCoder",
    "find_person_columns",
    "is_name",
    "make_key",
    "open_coder",
    "open_reader",
    "own_words",
    "read_cells",
    "read_names",
    "restore_text",
    "split_name",
]
