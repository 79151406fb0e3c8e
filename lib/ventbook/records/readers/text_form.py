"""Form of a text file: encoding, line ends, separator, decimal mark. Told apart only where no doubt is left."""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np

from ventbook.errors import InputError
from ventbook.records.readers.bounds import bound
from ventbook.records.readers.sheets import FileNote

CHUNK = 4 << 20
LONGEST_RECORD = 10_000  # lines; a quotation mark still open after so many was never meant to be one
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_POINT = re.compile(r"[+-]?\d*\.\d+")
_COMMA = re.compile(r"[+-]?\d*,\d+")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_AROUND = [*b'\n\r",;|\t']  # what stands before a quotation mark that opens and after one that closes
_SIGNATURES = {
    b"PK\x03\x04": "a ZIP archive or a workbook",
    b"PAR1": "a Parquet file",
    b"%PDF": "a PDF",
    b"\xd0\xcf\x11\xe0": "an old binary workbook",
    b"\x89PNG": "a picture",
    b"\x1f\x8b": "a compressed file",
    b"SQLite format 3": "a database",
}


@dataclass(frozen=True)
class TextScan:
    """What one pass over the bytes tells."""

    encoding: str
    sha256: str
    size: int
    lines: int  # by line ends alone: line feeds, carriage returns, or both together
    plain: bool  # UTF-8 without odd quotes, blank lines, bare carriage returns or zero bytes
    mixed: bool


def scan_text(path: Path, encoding: str = "") -> TextScan:
    """Read the file once: hash, encoding, and whether the fast path may take it. InputError when it isn't text."""
    digest = hashlib.sha256()
    utf8 = codecs.getincrementaldecoder("utf-8")("strict")
    size = ends_seen = zeros = quotes = endless = 0
    valid, blank, bare, spanning, tail, head = True, False, False, False, b"\n", b""
    room = np.empty((2, CHUNK), dtype=bool)  # fresh memory for every chunk would cost more than the looking
    with path.open("rb") as file, ThreadPoolExecutor(1) as pool:
        hashed: Future[None] | None = None
        while chunk := file.read(CHUNK):
            if hashed is not None:
                hashed.result()
            hashed = pool.submit(digest.update, chunk)
            if not size:
                head = chunk[:4096]
            size += len(chunk)
            codes = np.frombuffer(chunk, dtype=np.uint8)
            ends = np.equal(codes, ord("\n"), out=room[0, : len(chunk)])
            own_ends = int(np.count_nonzero(ends))
            ends_seen += own_ends
            endless = 0 if own_ends or b"\r" in chunk else endless + len(chunk)
            if endless > bound("text_line"):
                raise InputError(
                    f"{path.name}: a line is longer than {bound('text_line') >> 20} MB; no record is, hand in rows"
                )
            zeros += chunk.count(b"\0") if b"\0" in chunk else 0
            # line end after line end within the chunk; what lies across its border is looked at by itself
            border = tail[-2:] + chunk[:2]
            twice = np.logical_and(ends[1:], ends[:-1], out=room[1, : len(chunk) - 1])
            blank = blank or b"\n\n" in border or b"\n\r\n" in border or bool(twice.any())
            if b"\r" in chunk:
                blank = blank or b"\n\r\n" in chunk
                joined = tail[-1:] + chunk
                lone = joined.count(b"\r") - joined.count(b"\r\n") - (joined[-1:] == b"\r")
                ends_seen, bare = ends_seen + lone, bare or lone > 0
            elif tail[-1:] == b"\r" and chunk[:1] != b"\n":
                ends_seen, bare = ends_seen + 1, True
            tail = (tail + chunk[-2:])[-2:]
            own = chunk.count(b'"') if b'"' in chunk else 0
            before, quotes = quotes, quotes + own
            if not spanning and (own or before & 1):
                spanning = has_odd_quotes(chunk, before)
            if valid and not chunk.isascii():
                try:
                    utf8.decode(chunk)
                except UnicodeDecodeError:
                    valid = False
            elif valid and utf8.getstate()[0]:  # the last chunk ended in the middle of a character
                valid = False
        if hashed is not None:
            hashed.result()
    try:
        utf8.decode(b"", final=True)
    except UnicodeDecodeError:  # the file ends in the middle of a character
        valid = False
    if not size:
        raise InputError(f"{path.name}: the file is empty; hand in a file with headers and rows")
    for signature, kind in _SIGNATURES.items():
        if head.startswith(signature):
            raise InputError(f"{path.name}: looks like {kind}, not text; give it its right ending")
    even_zeros = head[0::2].count(0)
    odd_zeros = head[1::2].count(0)
    told = encoding or _tell_encoding(head, valid, even_zeros, odd_zeros)
    if tail[-1:] == b"\r":
        ends_seen, bare = ends_seen + 1, True
    lines = ends_seen + (tail[-1:] not in (b"\n", b"\r"))
    if told != "mixed" and "\r\n".encode(told)[-2:] != b"\r\n":  # an encoding of more bytes a character
        with path.open(encoding=told, errors="replace", newline="") as text:
            lines = sum(1 for _ in text)
    if not told.startswith("utf-16") and zeros > size // 20:
        raise InputError(f"{path.name}: holds bytes that are not text; hand in CSV, XLSX, ODS or Parquet")
    return TextScan(
        encoding=told,
        sha256=digest.hexdigest(),
        size=size,
        lines=lines,
        plain=valid and told in ("utf-8", "utf-8-sig") and not (blank or bare or zeros or spanning),
        mixed=told == "mixed",
    )


def has_odd_quotes(chunk: bytes, quotes_before: int) -> bool:
    """True when some line ends inside quotes (an odd number of quotation marks stands before its end), or a quotation
    mark stands where a cell neither begins nor ends.
    """
    codes = np.frombuffer(chunk, dtype=np.uint8)
    marks = codes == ord('"')
    count = np.cumsum(marks, dtype=np.int64) + quotes_before
    if (count[codes == ord("\n")] & 1).any():
        return True
    at = np.flatnonzero(marks)
    opens = (count[at] & 1).astype(bool)
    before, after = at[opens], at[~opens]
    around = np.concatenate([codes[before[before > 0] - 1], codes[after[after < len(codes) - 1] + 1]])
    return not np.isin(around, _AROUND).all()


def _tell_encoding(head: bytes, valid: bool, even_zeros: int, odd_zeros: int) -> str:
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig" if valid else "mixed"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    half = len(head) // 2
    if half and odd_zeros > 0.4 * half and even_zeros < 0.1 * half:
        return "utf-16-le"
    if half and even_zeros > 0.4 * half and odd_zeros < 0.1 * half:
        return "utf-16-be"
    return "utf-8" if valid else "mixed"


def decode_lines(path: Path, scan: TextScan, tally: dict[str, int] | None = None) -> Iterator[str]:
    """Lines of the file with their ends. In a file that is not UTF-8 throughout, each line is UTF-8 where it can
    be, else Windows-1252; ``tally`` counts the lines by encoding ("lossy": bytes that neither knows).
    """
    if not scan.mixed:
        with path.open(encoding=scan.encoding, errors="replace", newline="") as file:
            yield from file
        return
    with path.open("rb") as raw:
        for number, line in enumerate(raw):
            if not number:
                line = line.removeprefix(codecs.BOM_UTF8)
            try:
                text, name = line.decode("utf-8"), "ascii" if line.isascii() else "utf-8"
            except UnicodeDecodeError:
                try:
                    text, name = line.decode("cp1252"), "cp1252"
                except UnicodeDecodeError:
                    text, name = line.decode("cp1252", "replace"), "lossy"
            if tally is not None:
                tally[name] = tally.get(name, 0) + 1
            # csv counts a lone carriage return as a line end, as the decoded form would
            yield from io.StringIO(text, newline="")


@dataclass(frozen=True)
class Record:
    """One row of a text file: the number of its first line, its physical lines, its cells (none: a blank line), and
    whether every quotation mark that opens in it closes.
    """

    line: int
    lines: list[str]
    cells: list[str]
    closed: bool = True

    def swallows(self, separator: str, width: int) -> bool:
        """Whether a quotation mark has swallowed lines that look like rows of ``width`` cells of their own."""
        if not self.closed:
            return True
        wide = [line.count(separator) >= width - 1 for line in self.lines]
        return len(wide) > 1 and (sum(wide) > 1 or any(wide[1:-1]))


def parse_records(lines: Iterable[str], separator: str, where: str = "") -> Iterator[Record]:
    """Every record, blank lines too; quoting as in RFC 4180. Zero bytes stay in the text.

    InputError where a quotation mark stays open over more lines than any cell has.
    """
    csv.field_size_limit(2**31 - 1)
    taken: list[str] = []
    line, closed = 1, True

    def feed() -> Iterator[str]:
        nonlocal closed
        for text in lines:
            taken.append(text)
            if len(taken) > LONGEST_RECORD:
                raise InputError(
                    f"{where}: a quotation mark that opens on line {line} is still open {LONGEST_RECORD:,} lines "
                    "later; close it, or take it out"
                )
            yield text
        closed = not taken  # more was asked for, and there is no more

    reader = csv.reader(feed(), delimiter=separator)
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error:
            cells = ["\ufffd"]
        own = taken.copy()
        taken.clear()
        yield Record(line, own, cells, closed)
        line += len(own)


def take_sample(path: Path, scan: TextScan, most: int) -> list[str]:
    """The first lines of a file, ``most`` at most and no more of them than the bound of a sample allows."""
    found: list[str] = []
    left = bound("text_sample")
    for line in islice(decode_lines(path, scan), most):
        if found and len(line) > left:
            break
        found.append(line)
        left -= len(line)
    return found


def parse_rows(lines: Iterable[str], separator: str) -> Iterator[tuple[int, list[str]]]:
    """(line number, cells) of every row that isn't blank."""
    return ((record.line, record.cells) for record in parse_records(lines, separator) if record.cells)


def choose_separator(sample: Sequence[str], where: str) -> str:
    """The separator that splits the sample best; InputError when two do equally well."""
    scores = {}
    for mark in SEPARATORS:
        widths = [len(row) for _, row in parse_rows(sample, mark)]
        wide = [width for width in widths if width > 1]
        if wide:
            most = max(set(wide), key=wide.count)
            scores[mark] = (wide.count(most) / len(widths), most)
    if not scores:
        raise InputError(
            f"{where}: no separator found (comma, semicolon, tab or bar); name it in a mapping file"
        )
    whole = [mark for mark, (share, _) in scores.items() if share == 1.0]
    if len(whole) == 1:  # a cell of text may hold any number of the others
        return whole[0]
    best = sorted(scores, key=lambda mark: (scores[mark][0] >= 0.5, scores[mark][1], scores[mark][0]))
    if len(best) > 1 and scores[best[-1]] == scores[best[-2]]:
        raise InputError(
            f"{where}: {SEPARATORS[best[-1]]} and {SEPARATORS[best[-2]]} could both be the separator; "
            "name it in a mapping file"
        )
    return best[-1]


def choose_decimal(cells: Iterable[str], where: str) -> tuple[str, bool]:
    """(decimal mark, whether any cell told it). A comma only where no cell leaves a doubt about thousands.

    InputError when every comma could as well separate thousands.
    """
    points = commas = certain = 0
    example = ""
    for cell in cells:
        cell = cell.strip()
        if _POINT.fullmatch(cell):
            points += 1
        elif _COMMA.fullmatch(cell):
            commas += 1
            example = example or cell
            certain += not _THOUSANDS.fullmatch(cell)
    if points or not commas:
        return ".", bool(points)
    if not certain:
        raise InputError(
            f"{where}: {example!r} could be a decimal comma or thousands; name decimal in a mapping file"
        )
    return ",", True


def describe_form(scan: TextScan, separator: str, decimal: str, told: bool) -> list[FileNote]:
    """The choices made, to be reported; nothing for UTF-8 with commas and decimal points."""
    notes = []
    if separator != ",":
        notes.append(FileNote("separator_chosen", value=SEPARATORS.get(separator, separator)))
    if decimal == "," and told:
        notes.append(FileNote("decimal_chosen", value="decimal comma"))
    if scan.encoding.startswith("utf-16"):
        notes.append(FileNote("encoding_chosen", value=scan.encoding.upper()))
    return notes
