"""Known names in any text: whole or in part, in any case, with endings, inside identifiers and file names.

A part of three letters, or one that is a word of the trade too ("mark", "cooler"), counts as a name only with a capital.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

from ventbook import tables

CODE = re.compile(r"T-[0-9a-f]{10}")
SHORTEST_NAME = 3  # letters
MOST_WORDS = 8  # of a name; a cell of more is none, and its words are not looked for beyond
SHORTEST_FREE = 7  # letters of a part that is found inside longer words as well
LETTER = r"[^\W\d_]"
# a letter beside a name makes it another word, but for the capital of a next one: LotQuux7
BEFORE = rf"(?:(?<!{LETTER})|(?<=[a-zß-öø-ÿ])(?=[A-ZÀ-ÖØ-Þ]))"
AFTER = rf"(?:(?!{LETTER})|(?<=[a-zß-öø-ÿ])(?=[A-ZÀ-ÖØ-Þ]))"
GERMAN = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue"})
TEXTS_OF_OURS = (
    "dictionary",
    "header_words",
    "forms",
    "form_page",
    "issues",
    "modes",
    "questions",
    "cautions",
)


@cache
def name_rules() -> dict[str, Any]:
    """The table ``data/names.toml``."""
    return tables.read_toml(tables.DATA / "names.toml")


@cache
def own_words() -> frozenset[str]:
    """Words of the record format and of the sentences about it, small: prose of the trade."""
    text = " ".join((tables.DATA / f"{name}.toml").read_text("utf-8") for name in TEXTS_OF_OURS)
    return frozenset(word for word in re.findall(rf"{LETTER}{{3,}}", text) if word.islower())


def is_name(text: str) -> bool:
    """False for a cell that says that no name was recorded."""
    plain = " ".join(text.split()).casefold()
    return any(mark.isalnum() for mark in plain) and plain not in name_rules()["no_names"]


def split_name(name: str) -> list[str]:
    """The parts of a name that can be told from other words: letters only, no particles."""
    parts = re.findall(rf"{LETTER}+", unicodedata.normalize("NFC", name))
    return [p for p in parts if len(p) >= SHORTEST_NAME and p.casefold() not in name_rules()["particles"]]


def spell_variants(word: str) -> set[str]:
    """How a word may be spelled: composed, decomposed, without accents, with German digraphs."""
    composed = unicodedata.normalize("NFC", word)
    decomposed = unicodedata.normalize("NFD", word)
    bare = "".join(mark for mark in decomposed if not unicodedata.combining(mark))
    return {composed, decomposed, bare, composed.translate(GERMAN)}


def squash(text: str) -> str:
    """A spelling by which a found word is looked up: small letters only."""
    return re.sub(r"[\W\d_]", "", text.casefold())


class NameFinder:
    """Finds the names of ``names`` (code -> name) in text."""

    def __init__(self, names: Mapping[str, str]) -> None:
        self.codes: dict[str, str] = {}
        phrases, loose, capital, free = set[str](), set[str](), set[str](), set[str]()
        known = own_words()
        for code, name in sorted(names.items()):
            words = re.findall(rf"{LETTER}+", unicodedata.normalize("NFC", name))
            if not is_name(name) or sum(map(len, words)) < SHORTEST_NAME:
                continue
            if 1 < len(words) <= MOST_WORDS:
                for order in (words, words[::-1]):
                    for spelled in ([*map(str, order)], *_spelled(order)):
                        self.codes[squash("".join(spelled))] = code
                        gap = r"[\W_]{0,3}" if sum(map(len, spelled)) >= SHORTEST_FREE else r"[\W_]{1,3}"
                        phrases.add(gap.join(map(re.escape, spelled)))
            for part in split_name(name)[:MOST_WORDS]:
                for spelled_part in spell_variants(part):
                    self.codes.setdefault(squash(spelled_part), code)
                    small = spelled_part.casefold()
                    if len(part) == SHORTEST_NAME or small in known:
                        capital |= {spelled_part.capitalize(), spelled_part.upper()}
                    elif len(part) >= SHORTEST_FREE and not any(small in word for word in known):
                        free.add(spelled_part)
                    else:
                        loose.add(spelled_part)
        self.empty = not self.codes
        self.whole = {squash(name): code for code, name in names.items() if is_name(name)}
        self.whole.pop("", None)
        ending = f"(?:{_any_of(name_rules()['endings'])})?"
        inner = [
            rf"(?i:({'|'.join(sorted(phrases, key=lambda p: (-len(p), p)))}))" if phrases else "(?!)()",
            f"(?i:({_any_of(loose)}))" if loose else "(?!)()",
            f"({_any_of(capital)})" if capital else "(?!)()",
        ]
        self.pattern = re.compile(
            f"{CODE.pattern}|{BEFORE}(?:{'|'.join(inner)}){ending}{AFTER}"
            + (f"|(?i:({_any_of(free)}))(?:{ending}{AFTER})?" if free else "|(?!)()")
        )
        self.phrase = re.compile(f"{CODE.pattern}|{BEFORE}{inner[0]}{ending}{AFTER}")
        # what another engine (without looking around) may hold a whole column against first
        first = {re.escape(w) for w in loose | capital | free} | phrases
        self.quick = "(?i)" + "|".join(sorted(first)) if first else ""

    def replace(self, text: str, *, keep: frozenset[str] = frozenset(), whole_only: bool = False) -> str:
        """The text with codes in brackets for names; words in ``keep`` (small) stay."""

        def code(found: re.Match[str]) -> str:
            core = next((group for group in found.groups() if group), None)
            if core is None or core.casefold() in keep:
                return found.group()
            return f"[{self.codes.get(squash(core), 'name')}]"

        if whole_only:
            whole = self.whole.get(squash(text)) if len(squash(text)) >= SHORTEST_NAME else None
            return f"[{whole}]" if whole and not CODE.search(text) else self.phrase.sub(code, text)
        return self.pattern.sub(code, text)


def _spelled(words: list[str]) -> Iterable[list[str]]:
    """All words in each way of spelling."""
    composed = [unicodedata.normalize("NFC", word) for word in words]
    decomposed = [unicodedata.normalize("NFD", word) for word in words]
    bare = ["".join(m for m in word if not unicodedata.combining(m)) for word in decomposed]
    return (composed, decomposed, bare, [word.translate(GERMAN) for word in composed])


def _any_of(words: Iterable[str]) -> str:
    """An alternation that tries longer words first."""
    return "|".join(re.escape(word) for word in sorted(words, key=lambda word: (-len(word), word)))
