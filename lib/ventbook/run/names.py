"""A last look for names, and finished reports into their place, failed ones out of the way.

Names are coded at intake, before anything is written. What leaves the house is searched for the names that the store's key stands
for all the same: should one come through (in a free text that spells it in an unforeseen way, or through a table of ours), the
report is held back. The names are readable by the owner of the store's key only; where they can't be read, there is nothing to
search for.
"""

from __future__ import annotations

import base64
import html
import io
import re
import shutil
import time
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

import pandas as pd

from ventbook.document.typst import read_strings
from ventbook.places import Place
from ventbook.records import privacy
from ventbook.records.store import open_store
from ventbook.run.job import Job, Outcome, ReportError

# A single word that is shorter, or stands in our own sentences, is too common in prose to hold a report back for.
SHORTEST_WORD = 7
_PICTURE = re.compile(r"base64,([A-Za-z0-9+/=\s]+)|\"image/(?:png|jpeg)\": \"([A-Za-z0-9+/=\\n\s]+)\"")
_TAG = re.compile(r"<[^<>]{0,2000}>")
_UNICODE = re.compile(r"\\u([0-9a-fA-F]{4})")
WORK_FOLDER = re.compile(r"\..+\.(\d+|old)")  # of the process that made it, or the report it was to replace


def names_to_look_for(store: Place) -> list[str]:
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
    wanted = {name for name in names.values() if privacy.is_name(name) and name.casefold() not in known}
    whole = {name for name in wanted if len(name.split()) > 1 or len(name) >= SHORTEST_WORD}
    parts = {part for name in wanted for part in privacy.split_name(name) if len(part) >= SHORTEST_WORD}
    places = {word for text in known for word in re.findall(r"[^\W\d_]+", text)}
    return sorted(whole | {p for p in parts if p.casefold() not in places | privacy.own_words()})


def hold_back_names(folder: Path, names: Iterable[str], *, source: str = "") -> None:
    """Raises ReportError naming the file (not the name) when a name stands in a report's files, whatever kind they are.

    Where ``report.pdf`` was set from ``source`` a moment ago its texts are read there, in a hundredth of the time.
    """
    parted = [name.split() for name in names]
    if not parted:
        return
    wanted = (r"[\W_]+".join(map(re.escape, words)) for words in parted)
    pattern = re.compile(rf"(?<![^\W\d_])(?:{'|'.join(wanted)})(?![^\W\d_])", re.IGNORECASE)
    # without regard to case each place of a text is held against each name: first whether a word of one stands there at all
    longest = {fold_case(max(words, key=len, default="")) for words in parted}
    first = re.compile("|".join(map(re.escape, sorted(longest))))

    def holds_name(text: str) -> bool:
        return bool(first.search(fold_case(text)) and pattern.search(text))

    for path in sorted(folder.rglob("*")):
        place = path.relative_to(folder).as_posix()
        texts: Iterable[str] = ()
        if source and place == "report.pdf":
            texts = (join(read_strings(source)) for join in ("".join, " ".join))
        elif path.is_file():
            texts = read_texts(path.name, path.read_bytes())
        if holds_name(place) or any(map(holds_name, texts)):
            shown = pattern.sub("...", place)
            raise ReportError(
                f"a technician's name stands in {shown}; the report is held back. "
                "Withdraw the intake, take the name out of the free text, and hand the file in again",
                code=2,
            )


def fold_case(text: str) -> str:
    """A text in which letters that ``re.IGNORECASE`` takes for the same are the same."""
    return text.replace("\u0130", "i").replace("\u0131", "i").casefold()


def read_texts(name: str, content: bytes) -> Iterator[str]:
    """Every text that a file of a report says: pages and metadata of a PDF, what a picture says of itself, members of a
    workbook, pictures inside pages, and whatever else it is as plain text.
    """
    kind = Path(name).suffix.lower()
    if content.startswith(b"%PDF"):
        yield from _read_pdf(content)
    elif content.startswith(b"PK\x03\x04"):
        with zipfile.ZipFile(io.BytesIO(content)) as book:
            for member in book.namelist():
                yield member
                yield from read_texts(member, book.read(member))
    elif content.startswith((b"\x89PNG", b"\xff\xd8")):
        yield from _read_picture(content)
    else:
        text = content.decode("utf-8", errors="replace")
        for found in _PICTURE.finditer(text):
            inside = re.sub(r"\\n|\s", "", found[1] or found[2])
            with suppress(ValueError):
                yield from read_texts("", base64.b64decode(inside))
        plain = _UNICODE.sub(lambda code: chr(int(code[1], 16)), _PICTURE.sub("", text))
        yield html.unescape(plain)
        if kind in (".html", ".svg", ".xml", ".ipynb"):
            yield html.unescape(_TAG.sub("", plain))
            yield html.unescape(_TAG.sub(" ", plain))


def _read_pdf(content: bytes) -> Iterator[str]:
    import pypdf

    reader = pypdf.PdfReader(io.BytesIO(content))
    yield " ".join(str(value) for value in (reader.metadata or {}).values())
    if (at := content.find(b"<x:xmpmeta")) >= 0:
        yield content[at : at + 20_000].decode("utf-8", errors="replace")
    text = "\n".join(page.extract_text() for page in reader.pages)
    yield text
    yield re.sub(r"[-\u00ad]\s*\n", "", text)  # words cut at the end of a line


def _read_picture(content: bytes) -> Iterator[str]:
    from PIL import Image

    with Image.open(io.BytesIO(content)) as picture:
        yield " ".join(f"{key} {value}" for key, value in picture.info.items())
        yield " ".join(str(value) for value in picture.getexif().values())


def close_report(job: Job, code: int, message: str, seconds: float) -> Outcome:
    """Puts a report that came out well into its place; keeps the half-run notebook of one that didn't."""
    if code == 0:
        try:
            put_in_place(job.work, job.final)
            return Outcome(job.name, job.final, 0, seconds=seconds)
        except OSError as error:
            message, code = f"{job.final} can't be replaced ({error.strerror})", 1
    return Outcome(job.name, job.final, code, message, keep_half_run(job, code), seconds)


def put_in_place(work: Path, final: Path) -> None:
    """Swaps a finished folder into its place; the older one is gone only when the new one stands."""
    old = final.with_name(f".{final.name}.old")
    shutil.rmtree(old, ignore_errors=True)
    if final.exists():
        final.rename(old)
    try:
        work.rename(final)
    except OSError:
        if old.exists():
            old.rename(final)
        raise
    shutil.rmtree(old, ignore_errors=True)


def keep_half_run(job: Job, code: int) -> Path | None:
    """Keeps the half-run notebook of a fault of ours beside the report's place; clears the rest away."""
    kept: Path | None = None
    folder = job.final.with_name(f"{job.final.name}.failed")
    try:
        if code == 1 and (job.work / "report.ipynb").is_file():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir(parents=True)
            for name in ("report.ipynb", "traceback.txt"):
                if (job.work / name).is_file():
                    shutil.move(job.work / name, folder / name)
            kept = folder / "report.ipynb"
        shutil.rmtree(job.work, ignore_errors=True)
        if not any(job.final.parent.iterdir()):
            job.final.parent.rmdir()
    except OSError:
        pass
    return kept


def clear_leftovers(out: Path, *, older_than_h: float = 24.0) -> list[Path]:
    """Removes work folders that killed reports left in ``out``, older than some hours; returns them."""
    limit = time.time() - older_than_h * 3600.0
    made = (folder for folder in out.rglob(".*") if WORK_FOLDER.fullmatch(folder.name) and folder.is_dir())
    gone = [folder for folder in sorted(made) if folder.stat().st_mtime < limit]
    for folder in gone:
        shutil.rmtree(folder, ignore_errors=True)
    return gone
