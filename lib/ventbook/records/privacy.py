"""Technician names as keyed codes, and names masked in free text.

A name becomes ``T-`` and ten hexadecimal digits of an HMAC-SHA-256 (RFC 2104, FIPS 180-4) under a random key that is
kept with the store in a folder only its owner can read. Without the key a code can't be turned back by trying
names. Codes stand in for names before anything is written, quarantined rows included.
"""

from __future__ import annotations

import hmac
import json
import os
import re
import secrets
from collections.abc import Iterable
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

FOLDER = "private"
CODE = re.compile(r"T-[0-9a-f]{10}")
SHORTEST_NAME = 3
SHORTEST_PART = 4
LONGEST_NAME = 60
MANY = 1000
_LOOKS_LIKE_NAME = re.compile(r"[^\W\d_]{2,}\.?(?:[ .'-]+[^\W\d_]+\.?)*")


class NameCoder:
    """Codes names under one key and remembers which name a code stands for (for the key's owner only)."""

    def __init__(self, key: bytes, names: dict[str, str] | None = None, folder: Path | None = None) -> None:
        self.key, self.names, self.folder = key, dict(names or {}), folder
        self._pattern: re.Pattern[str] | None = None
        self._pattern_size = -1
        self._words: dict[str, str] = {}
        self._masked: dict[str, str] = {}

    def code_name(self, name: str) -> str:
        """The code of one name; spacing and capitals don't matter; a code stays itself."""
        plain = " ".join(name.split())
        if CODE.fullmatch(plain):
            return plain
        digest = hmac.new(self.key, plain.casefold().encode(), "sha256").hexdigest()
        code = f"T-{digest[:10]}"
        self.names.setdefault(code, plain)
        return code

    def code_column(self, names: pa.Array) -> pa.Array:
        """A text column of names as a column of codes; empty cells stay empty."""
        encoded = names.dictionary_encode() if not pa.types.is_dictionary(names.type) else names
        codes = pa.array(
            [None if not (n and n.strip()) else self.code_name(n) for n in encoded.dictionary.to_pylist()],
            pa.string(),
        )
        return codes.take(encoded.indices)

    def pattern(self) -> re.Pattern[str] | None:
        """Finds known names in text; None when none are known."""
        if self._pattern_size != len(self.names):
            whole: dict[str, str] = {}
            parts: dict[str, str] = {}
            for code, name in sorted(self.names.items()):
                if len(re.sub(r"[\W\d_]", "", name)) >= SHORTEST_NAME:
                    whole[name.casefold()] = code
                for part in re.split(r"[^\w]+", name):
                    if len(part) >= SHORTEST_PART and not part.isdigit():
                        parts.setdefault(part.casefold(), code)
            self._words = parts | whole
            forms = {form for part in parts for form in (part.capitalize(), part.upper())}
            # a whole name in any spelling, a part of one only with a capital: "mark" is no technician, "Mark" may be
            either = [f"(?i:{_any_of(whole)})"] if whole else []
            either += [_any_of(forms)] if forms else []
            self._pattern = re.compile(rf"\b(?:{'|'.join(either)})\b") if either else None
            self._pattern_size = len(self.names)
            self._masked = {}
        return self._pattern

    def mask_column(self, text: pa.Array) -> pa.Array:
        """Free text with known names replaced by their codes in brackets."""
        pattern = self.pattern()
        if pattern is None or not len(text):
            return text
        if (encoded := _encode_repeating(text)) is not None:
            return self.mask_column(encoded.dictionary).take(encoded.indices)
        hit = pc.match_substring_regex(text, pattern.pattern).fill_null(False)
        if not pc.any(hit).as_py():
            return text
        masked = pa.array([self.mask_text(value) for value in text.filter(hit).to_pylist()], pa.string())
        return pc.replace_with_mask(text, hit, masked)

    def mask_text(self, text: str) -> str:
        """One text with known names replaced by their codes in brackets."""
        pattern = self.pattern()
        if pattern is None or len(text) < SHORTEST_NAME:
            return text
        found = self._masked.get(text)
        if found is None:
            found = pattern.sub(self._bracket, text)
            if len(self._masked) < 100_000 and len(text) < 200:
                self._masked[text] = found
        return found

    def hide_whole(self, texts: pa.Array) -> pa.Array:
        """A text column with codes where a cell is just a known name."""
        whole = {name.casefold(): code for code, name in self.names.items()}
        if not whole:
            return texts
        plain = pc.utf8_lower(pc.utf8_trim_whitespace(texts))
        hit = pc.is_in(plain, value_set=pa.array(sorted(whole), pa.string()))
        if not pc.any(hit).as_py():
            return texts
        codes = [f"[{whole[name]}]" for name in plain.filter(hit).to_pylist()]
        return pc.replace_with_mask(texts, hit, pa.array(codes, pa.string()))

    def hide_names(self, texts: pa.Array) -> pa.Array:
        """A text column with codes where a whole known name stands, alone or among other words."""
        whole = {
            name.casefold(): code
            for code, name in self.names.items()
            if len(re.sub(r"[\W\d_]", "", name)) >= SHORTEST_NAME
        }
        if not whole:
            return texts
        if (encoded := _encode_repeating(texts)) is not None:
            return self.hide_names(encoded.dictionary).take(encoded.indices)
        pattern = rf"(?i)\b(?:{_any_of(whole)})\b"
        hit = pc.match_substring_regex(texts, pattern).fill_null(False)
        if not pc.any(hit).as_py():
            return texts

        def code(found: re.Match[str]) -> str:
            return f"[{whole.get(' '.join(found.group().casefold().split()), 'name')}]"

        hidden = [re.sub(pattern, code, value) for value in texts.filter(hit).to_pylist()]
        return pc.replace_with_mask(texts, hit, pa.array(hidden, pa.string()))

    def _bracket(self, found: re.Match[str]) -> str:
        return f"[{self._words.get(' '.join(found.group().casefold().split()), 'name')}]"

    def code_like_names(self, cells: Iterable[str], known: set[str]) -> list[str]:
        """Cells of a row whose columns can't be told apart: what looks like a name and is no known word of the
        file is coded, for it may be one.
        """
        return [
            self.code_name(cell)
            if len(cell) <= LONGEST_NAME
            and _LOOKS_LIKE_NAME.fullmatch(cell.strip())
            and cell.strip().casefold() not in known
            else self.mask_text(cell)
            for cell in cells
        ]

    def save(self) -> None:
        """Write key and names into the store's private folder, readable by its owner only."""
        if self.folder is None:
            return
        self.folder.mkdir(mode=0o700, exist_ok=True)
        _write_private(self.folder / "key", self.key.hex())
        _write_private(self.folder / "names.json", json.dumps(self.names, ensure_ascii=False, sort_keys=True))


def _encode_repeating(texts: pa.Array) -> pa.DictionaryArray | None:
    """A long column whose texts mostly repeat as numbers of its distinct ones, so that only those need be looked at."""
    encoded = texts.dictionary_encode() if len(texts) > MANY else None
    return encoded if encoded is not None and len(encoded.dictionary) < len(texts) // 2 else None


def _any_of(words: Iterable[str]) -> str:
    """An alternation that tries longer words first; a space stands for any run of spaces."""
    ordered = sorted(words, key=lambda word: (-len(word), word))
    return "|".join(re.escape(word).replace(r"\ ", r"\s+") for word in ordered)


def open_coder(store: Path | None) -> NameCoder:
    """The coder of a store (a new key where it has none yet); with None one that is never saved."""
    if store is None:
        return NameCoder(secrets.token_bytes(32))
    folder = store / FOLDER
    if (folder / "key").is_file():
        return NameCoder(bytes.fromhex((folder / "key").read_text("ascii")), read_names(store), folder)
    return NameCoder(secrets.token_bytes(32), {}, folder)


def read_names(store: Path) -> dict[str, str]:
    """Code -> name, for the owner of the key; empty for everyone else."""
    try:
        found: dict[str, str] = json.loads((store / FOLDER / "names.json").read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return found


def restore_text(text: str, names: dict[str, str]) -> str:
    """Codes in a text replaced by the names they stand for, where known."""
    return re.sub(
        r"\[?(T-[0-9a-f]{10})\]?", lambda found: names[found[1]] if found[1] in names else found.group(), text
    )


def _write_private(path: Path, text: str) -> None:
    part = path.with_suffix(".part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
    part.replace(path)
