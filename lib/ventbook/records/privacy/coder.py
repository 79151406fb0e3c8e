"""Names to codes under one key, the key's own folder, and codes in place of names in columns of text."""

from __future__ import annotations

import hmac
import json
import re
import secrets
from collections.abc import Callable, Iterable

import pyarrow as pa
import pyarrow.compute as pc

from ventbook.errors import InputError
from ventbook.places import AddressError, NotAllowed, Place, write_whole
from ventbook.records.privacy.words import CODE, SHORTEST_NAME, NameFinder, is_name

FOLDER = "private"
KEY, NAMES, CELLS = "key", "names.json", "cells.json"
LONGEST_NAME = 60
MANY = 1000
MOST_KEPT = 100_000  # texts whose masked form is remembered
_LOOKS_LIKE_NAME = re.compile(r"[^\W\d_]{2,}\.?(?:[ .'-]+[^\W\d_]+\.?)*")


class KeyMissing(InputError):
    """The key of a store that holds codes isn't where it belongs."""


class NameCoder:
    """Codes names under one key and remembers which name a code stands for (for the key's owner only)."""

    def __init__(self, key: bytes, names: dict[str, str] | None = None, folder: Place | None = None) -> None:
        self.key, self.names, self.folder = key, dict(names or {}), folder
        self.known_at_first = frozenset(self.names)
        self.cells: dict[str, str] = {}  # what was coded because it may be a name
        self.keep: frozenset[str] = frozenset()  # words, small, that name places and kinds in identifiers
        self._finder: NameFinder | None = None
        self._finder_size = -1
        self._masked: dict[str, str] = {}

    @property
    def new_names(self) -> bool:
        """True when names have come up that the store didn't know."""
        return not self.known_at_first.issuperset(self.names)

    def code_name(self, name: str, *, sure: bool = True) -> str:
        """The code of one name; spacing and capitals don't matter; a code stays itself. What is not ``sure`` to be a name
        is not looked for in text.
        """
        plain = " ".join(name.split())
        if CODE.fullmatch(plain):
            return plain
        digest = hmac.new(self.key, plain.casefold().encode(), "sha256").hexdigest()
        code = f"T-{digest[:10]}"
        if sure:
            self.names.setdefault(code, plain)
        elif code not in self.names:
            self.cells.setdefault(code, plain)
        return code

    def code_column(self, names: pa.Array) -> pa.Array:
        """A text column of names as a column of codes; cells that are empty or say "not recorded" become empty."""
        encoded = names.dictionary_encode() if not pa.types.is_dictionary(names.type) else names
        codes = pa.array(
            [self.code_name(n) if n and is_name(n) else None for n in encoded.dictionary.to_pylist()],
            pa.string(),
        )
        return codes.take(encoded.indices)

    def finder(self) -> NameFinder:
        """What finds the names known now."""
        if self._finder is None or self._finder_size != len(self.names):
            self._finder, self._finder_size = NameFinder(self.names), len(self.names)
            self._masked = {}
        return self._finder

    def mask_text(self, text: str) -> str:
        """One text with known names replaced by their codes in brackets."""
        finder = self.finder()
        if finder.empty or len(text) < SHORTEST_NAME:
            return text
        found = self._masked.get(text)
        if found is None:
            found = finder.replace(text)
            if len(self._masked) < MOST_KEPT and len(text) < 200:
                self._masked[text] = found
        return found

    def mask_column(self, texts: pa.Array) -> pa.Array:
        """Text with known names, whole or in part, replaced by their codes in brackets."""
        return self._replace(texts, self.mask_text)

    def mask_identifiers(self, texts: pa.Array, standing: pa.Array | None = None) -> pa.Array:
        """The same for what rows are known by: words of ``keep`` stay, and so does what stands in the store already."""
        masked = self._replace(texts, lambda text: self.finder().replace(text, keep=self.keep))
        if standing is None or masked is texts:
            return masked
        return pc.if_else(pc.is_in(texts, value_set=standing), texts, masked)

    def hide_whole(self, texts: pa.Array) -> pa.Array:
        """Cells of columns that are not text (codes, numbers, places): only a whole name is replaced."""
        return self._replace(texts, lambda text: self.finder().replace(text, whole_only=True))

    def _replace(self, texts: pa.Array, change: Callable[[str], str]) -> pa.Array:
        finder = self.finder()
        if finder.empty or not len(texts) or texts.null_count == len(texts):
            return texts
        if len(texts) > MANY and _repeats_itself(texts.slice(0, 10 * MANY)):
            encoded = texts.dictionary_encode()  # only distinct ones are looked at
            masked = self._replace(encoded.dictionary, change)
            return texts if masked is encoded.dictionary else masked.take(encoded.indices)
        hit = pc.match_substring_regex(texts, finder.quick).fill_null(False)
        if not pc.any(hit).as_py():
            return texts
        masked = pa.array([change(value) for value in texts.filter(hit).to_pylist()], pa.string())
        return pc.replace_with_mask(texts, hit, masked)

    def code_like_names(self, cells: Iterable[str], known: set[str]) -> list[str]:
        """Cells of a row whose columns can't be told apart: what looks like a name and is no known word of the
        file is coded, for it may be one.
        """
        return [
            self.code_name(cell, sure=False)
            if len(cell) <= LONGEST_NAME
            and _LOOKS_LIKE_NAME.fullmatch(cell.strip())
            and is_name(cell)
            and cell.strip().casefold() not in known
            else self.mask_text(cell)
            for cell in cells
        ]

    def save(self) -> None:
        """Write names and key into the store's private folder, readable by its owner only; on the disk on return."""
        if self.folder is None:
            return
        self.folder.mkdir(mode=0o700, exist_ok=True)
        write_whole(
            self.folder / NAMES, json.dumps(self.names, ensure_ascii=False, sort_keys=True), private=True
        )
        if self.cells:
            cells = _read_codes(self.folder / CELLS) | self.cells
            write_whole(
                self.folder / CELLS, json.dumps(cells, ensure_ascii=False, sort_keys=True), private=True
            )
        write_whole(self.folder / KEY, self.key.hex(), private=True)


def _repeats_itself(texts: pa.Array) -> bool:
    """Whether a text stands in it more than twice, on average."""
    return len(texts.dictionary_encode().dictionary) < len(texts) // 2


def open_coder(store: Place | None, *, coded: bool = False) -> NameCoder:
    """The coder of a store; with None one that is never saved.

    A store without a key gets a new one, unless its records are ``coded`` already: then KeyMissing says how the key
    comes back, for another key would give the same persons other codes.
    """
    if store is None:
        return NameCoder(secrets.token_bytes(32))
    folder = store / FOLDER
    if not (folder / KEY).exists():
        if coded:
            raise KeyMissing(
                f"{folder / KEY}: the key of the technicians' codes is missing; put the folder {FOLDER} back from your copy or "
                "from a backup made with --with-key, or where it is lost for good make another with ventbook store new-key "
                "(the same person then gets another code)"
            )
        return NameCoder(secrets.token_bytes(32), {}, folder)
    try:
        key = bytes.fromhex((folder / KEY).read_text("ascii"))
        names = json.loads((folder / NAMES).read_text("utf-8"))
        sound = len(key) == 32 and isinstance(names, dict)
    except AddressError:
        raise
    except (OSError, ValueError):
        sound = False
    if not sound:
        raise KeyMissing(
            f"{folder}: {KEY} or {NAMES} is missing, damaged or not yours to read; put the folder back from your copy or "
            "from a backup made with --with-key, and see that you may read it"
        )
    return NameCoder(key, names, folder)


def open_reader(store: Place) -> NameCoder:
    """Masks the names of a store where they may be read, nothing where they may not; codes nothing and saves nothing."""
    return NameCoder(b"", read_names(store))


def make_key(store: Place) -> None:
    """A new key for a store that has lost its own. InputError where it has one."""
    folder = store / FOLDER
    if (folder / KEY).exists():
        raise InputError(f"{folder / KEY}: stands already; a key is never written over")
    NameCoder(secrets.token_bytes(32), read_names(store), folder).save()


def read_names(store: Place) -> dict[str, str]:
    """Code -> name, for the owner of the key; empty for everyone else."""
    return _read_codes(store / FOLDER / NAMES)


def read_cells(store: Place) -> dict[str, str]:
    """Code -> what stood there, names and cells that were coded because they may be some; for the owner of the key."""
    return _read_codes(store / FOLDER / CELLS) | read_names(store)


def _read_codes(path: Place) -> dict[str, str]:
    try:
        found = json.loads(path.read_text("utf-8"))
    except NotAllowed:
        return {}
    except AddressError:
        raise
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def restore_text(text: str, names: dict[str, str]) -> str:
    """Codes in a text replaced by the names they stand for, where known."""
    return re.sub(
        r"\[?(T-[0-9a-f]{10})\]?", lambda found: names[found[1]] if found[1] in names else found.group(), text
    )
