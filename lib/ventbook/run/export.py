"""The exports of one report, the start page that lists reports, and what an intake did as lines for the terminal.

Exports are all made from the blocks of the executed notebook: nothing is run or computed again.
"""

from __future__ import annotations

import json
import urllib.parse
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pandas as pd

from ventbook.document import Document, arrange_page, find_closing, read_blocks, wording
from ventbook.document.blocks import Cautions, Closing, Figure, Finding, Numbers, Pairs
from ventbook.document.findings import finding_row, write_files
from ventbook.document.html import escape, page_html, report_html
from ventbook.document.sequence import Blocks
from ventbook.document.typst import PAPERS, write_pdf
from ventbook.document.xlsx import write_workbook
from ventbook.errors import InputError
from ventbook.places import Place
from ventbook.reports.page import release_caution
from ventbook.reports.parameters import report_specs
from ventbook.run.job import check_writable, default_paper
from ventbook.run.lean import load_nbformat
from ventbook.run.notebook import comments_for, make_remarks, read_comments
from ventbook.run.stamp import read_run

FILES = (
    ("report.html", "page"),
    ("report.pdf", "PDF"),
    ("tables.xlsx", "workbook"),
    ("report.ipynb", "notebook"),
    ("findings.json", "numbers"),
)
SHOWN = 12
NAMED = 4  # files named one by one in a line
LINE_WORDS = {
    "above": "above headers",
    "header": "headers",
    "rows": "rows",
    "blank": "blank",
    "left_out": "no records",
    "continued": "within a cell",
}


def stamp_line(stamp: Mapping[str, Any]) -> str:
    """One line that says what a page was made from."""
    library = f"ventbook {stamp['versions'].get('ventbook', '')} {stamp['commit']}".strip()
    return (
        f"{stamp['report']}, snapshot {stamp['snapshot']}, records as of {stamp['today']}, "
        f"limits {stamp['limits']['revision']}, {library}"
    )


def list_findings(blocks: Blocks) -> tuple[Finding, ...]:
    """All findings of a finished page."""
    return next((block.findings for block in reversed(blocks) if isinstance(block, Numbers)), ())


def make_document(blocks: Blocks, closing: Closing, *, comments: Path | None = None) -> Document:
    """The page of a finished notebook's blocks, with the team's comments from their file."""
    remarks = {}
    if comments is not None:
        chosen = comments_for(read_comments(comments), closing.stamp["report"], closing.period["label"])
        rows = [finding_row(finding) for finding in list_findings(blocks)]
        remarks = make_remarks(chosen, rows, units=closing.units)
    return arrange_page(blocks, title=closing.title, remarks=remarks)


def write_exports(
    folder: Path,
    blocks: Blocks,
    closing: Closing,
    *,
    paper: str,
    comments: Path | None = None,
    on_step: Callable[[str, float], None] = lambda what, share: None,
) -> str:
    """Writes report.html, report.pdf, tables.xlsx, findings.json, tables/*.csv and figures/*.svg into ``folder``; returns the
    source of the PDF.
    """
    findings = list_findings(blocks)
    write_files(
        folder, closing, findings, {block.name: block for block in blocks if isinstance(block, Figure)}
    )
    document = make_document(blocks, closing, comments=comments)
    stamp = stamp_line(closing.stamp)
    on_step("PDF, HTML and workbook", 0.9)
    with ThreadPoolExecutor(1) as apart:  # the PDF is set without the interpreter's lock
        pdf = apart.submit(
            write_pdf,
            folder / "report.pdf",
            document,
            scope=closing.scope,
            stamp=stamp,
            day=closing.stamp["today"],
            paper=paper,
        )
        page = report_html(document, scope=closing.scope, stamp=stamp)
        (folder / "report.html").write_text(page, encoding="utf-8", newline="")
        cautions: Sequence[str] = [
            text for block in blocks if isinstance(block, Cautions) for text in block.texts
        ]
        pairs = [pair for block in blocks if isinstance(block, Pairs) for pair in block.rows]
        write_workbook(folder / "tables.xlsx", closing, findings=findings, cautions=cautions, pairs=pairs)
        return pdf.result()


def read_finished(notebook: Path) -> tuple[Blocks, Closing]:
    """The blocks of an executed notebook and the end of its page.

    Raises InputError with one line when the file is no notebook, was not run, or ended without finishing its page.
    """
    try:
        content = load_nbformat().read(notebook, as_version=4)
    except OSError as error:
        raise InputError(f"notebook {notebook} can't be read ({error.strerror})") from None
    except Exception as error:
        raise InputError(f"{notebook} is not a notebook ({type(error).__name__})") from None
    try:
        blocks = read_blocks(content)
    except InputError as error:
        raise InputError(f"{notebook}, {error}") from None
    closing = find_closing(blocks)
    if closing is None:
        raise InputError(
            f"{notebook} holds no finished page: run it to its last cell, page.finish(), and save it with its outputs"
        )
    return blocks, closing


def export_notebook(notebook: Path, out: Path, *, paper: str = "", comments: Path | None = None) -> Path:
    """Exports an executed notebook again, without running it; returns the page.

    The same files come out as when the report was run. Raises InputError with one line as :func:`read_finished` does.
    """
    if paper not in ("", *PAPERS):
        raise InputError(f"paper must be {' or '.join(PAPERS)}; got {paper!r}")
    blocks, closing = read_finished(notebook)
    check_writable(out)
    write_exports(out, blocks, closing, paper=paper or default_paper(closing.units), comments=comments)
    return out / "report.html"


def draft_comments(folder: Path) -> str:
    """A file of comments on a finished report with one empty, commented-out comment for each section's anchor.

    Raises InputError with one line when the folder holds no finished report.
    """
    run = read_run(folder)
    blocks = read_blocks(load_nbformat().read(folder / "report.ipynb", as_version=4))
    closing = find_closing(blocks)
    if closing is None:
        raise InputError(f"{folder / 'report.ipynb'} holds no finished page")
    lines = [
        f"# Comments on {closing.title}: take the marks off a comment and write your words. Then",
        f"# ventbook report {run['report']} --comments THIS_FILE",
    ]
    for anchor, title in make_document(blocks, closing).sections:
        lines += [
            "",
            f"# {title}",
            "# [[comment]]",
            f'# report = "{run["report"]}"',
            f'# section = "{anchor}"',
        ]
        lines += ['# text = ""', f'# period = "{closing.period["label"]}"  # leave out for every period']
    return "\n".join(lines) + "\n"


def list_reports(out: Path) -> list[tuple[Path, dict[str, Any]]]:
    """Finished reports under ``out`` with their stamps: in reading order, newest period first."""
    order = {name: place for place, name in enumerate(report_specs())}
    found = []
    for path in sorted(out.glob("*/*/run.json")):
        if path.parent.name.startswith(".") or path.parent.parent.name not in order:
            continue
        try:
            found.append((path.parent, json.loads(path.read_text("utf-8"))))
        except (OSError, ValueError):
            continue
    found.sort(key=lambda item: item[1].get("period", {}).get("start", ""), reverse=True)
    return sorted(found, key=lambda item: order[item[0].parent.name])


def write_index(out: Path) -> Path:
    """Writes ``index.html``. It says nothing of times, so that it comes out the same for the same reports."""
    specs = report_specs()
    reports = list_reports(out)
    parts = ["<h1>Reports on venting and first runs</h1>", *_first_words([run for _, run in reports])]
    last = ""
    for folder, run in reports:
        name = folder.parent.name
        if name != last:
            parts.append(
                f'<h2 id="{name}">{escape(specs[name].title)}</h2><p>{escape(specs[name].short)}</p>'
            )
            last = name
        links = []
        for file, word in FILES:
            if (folder / file).is_file():
                target = urllib.parse.quote(f"{name}/{folder.name}/{file}")
                label = f"{word}: {specs[name].title}, {run.get('scope', folder.name)}"
                links.append(f'<a href="{target}" aria-label="{escape(label)}">{word}</a>')
        parts.append(f"<h3>{escape(run.get('scope', folder.name))}</h3>")
        own = [sentence for sentence in run.get("answer", []) if sentence not in run.get("alerts", [])]
        parts += [f"<p>{escape(sentence)}</p>" for sentence in own[:3]]
        parts.append(f"<p>{' | '.join(links)}</p>")
        parts.append(
            f'<p class="vb-note">Snapshot {run["snapshot"]}, records as of {escape(run["today"])}.</p>'
        )
    if not last:
        parts.append("<p>No report has been made yet.</p>")
    path = out / "index.html"
    path.write_text(
        page_html("Reports on venting and first runs", "\n".join(parts), kind="vb-frame vb-list"),
        encoding="utf-8",
        newline="",
    )
    return path


def _first_words(runs: Sequence[Mapping[str, Any]]) -> list[str]:
    """What stands before all reports: that none releases anything, banners, and alerts of the newest of each report."""
    newest = {run.get("report", ""): run for run in reversed(runs)}
    banners = dict.fromkeys(run["banner"] for run in newest.values() if run.get("banner"))
    alerts = dict.fromkeys(text for run in newest.values() for text in run.get("alerts", ()))
    parts = [f'<p class="vb-release">{escape(release_caution())}</p>']
    parts += [f'<p class="vb-banner">{escape(text)}</p>' for text in banners]
    if alerts:
        parts.append(f'<div class="vb-answer">{"".join(f"<p>{escape(text)}</p>" for text in alerts)}</div>')
    return parts


def describe_snapshots(rows: pd.DataFrame) -> Iterator[str]:
    """One line a snapshot of a store, oldest first: number, date, rows that came in, files, note."""
    row: Any
    for row in rows.itertuples(index=False):
        if row.kind == "withdrawal":
            what = f"intake {row.withdrawn} withdrawn"
        else:
            counts = [
                (row.accepted, "accepted"),
                (row.corrected, "corrected"),
                (row.quarantined, "quarantined"),
            ]
            what = ", ".join(f"{number} {word}" for number, word in counts if number) or "nothing new"
        note = f"; {wording.clean_text(row.note)}" if row.note else ""
        files = row.files.split(", ") if row.files else []
        from_files = f", from {wording.count(len(files), 'file')}" if files else ""
        named = f" ({wording.clean_text(', '.join(files))})" if 0 < len(files) <= NAMED else ""
        yield f"{row.number}  {row.today:%Y-%m-%d}  {what}{from_files}{named}{note}"
    yield f"{wording.count(len(rows), 'snapshot')}; ventbook report --as-of NUMBER reports on an older one"


def describe_intake(result: Any, *, store: Place) -> Iterator[str]:
    """Counts per table, the commonest reasons, and what to do next, one line each."""
    for table, row in result.counts.iterrows():
        parts = [
            f"{row['accepted']} accepted",
            f"{row['duplicate']} duplicate",
            f"{row['corrected']} corrected",
        ]
        parts.append(f"{row['quarantined']} quarantined")
        parts += [f"{row[name]} {word}" for name, word in (("released", "released"),) if row.get(name, 0)]
        yield f"{table}: {row['rows']} rows: {', '.join(parts)}"
    yield from describe_lines(result)
    issues = result.issues
    if len(issues):
        grouped = issues.groupby(["severity", "code"], sort=False).agg(
            times=("rows", "sum"), what=("what", "first")
        )
        grouped = grouped.sort_values("times", ascending=False, kind="stable").reset_index()
        for line in grouped.head(SHOWN).itertuples(index=False):
            times = f" {wording.count(line.times, 'row')}" if line.times else ""
            yield f"{wording.SEVERITY_WORDS[line.severity]}{times}: {wording.clean_text(line.what)}"
        if len(grouped) > SHOWN:
            yield f"... and {len(grouped) - SHOWN} more kinds of issues; the records report lists them"
    if result.number is None:
        yield "dry run: nothing was written"
    elif result.unchanged:
        yield f"nothing new in these files: {store} stays at snapshot {result.number}"
    else:
        yield f"snapshot {result.number} of {store}, records as of {result.today.isoformat()}"
    if int(result.counts["quarantined"].sum()):
        yield f"quarantined rows: ventbook quarantine --store {store} --out quarantined.xlsx gives them back with reasons"


def describe_lines(result: Any) -> Iterator[str]:
    """What became of every line of the text files, in one line; nothing where there were none."""
    own = [source["lines"] for source in result.sources if source.get("lines")]
    if own:
        sums = {name: sum(lines[name] for lines in own) for name in ("lines", *LINE_WORDS)}
        parts = [f"{sums[name]:,} {word}" for name, word in LINE_WORDS.items() if sums[name]]
        yield f"lines of text files: {sums['lines']:,} = {' + '.join(parts)}"


def describe_alarms(store: Place) -> Iterator[str]:
    """What the monitor says after an intake, in two lines. The records are in whatever becomes of it, so a table of limits or
    of closed alarms that can't be used is told in its place.
    """
    from ventbook.records.store import open_store
    from ventbook.reports.alarms import standing_alarms, summarise_alarms

    try:
        yield f"monitor: {summarise_alarms(standing_alarms(open_store(store).snapshot()))}"
        yield f"monitor: see ventbook report monitor --store {store}"
    except InputError as error:
        yield f"monitor: no alarms can be worked out: {error}"


def describe_limits(result: Any, *, dry_run: bool) -> Iterator[str]:
    """What a filled-in table of limits changed, one line a change."""
    yield from (wording.clean_text(line) for line in result.changes)
    if not result.changes:
        yield f"nothing changes in {result.path}"
    elif dry_run:
        yield f"dry run: {result.path} is as it was"
    else:
        yield f"written: {result.path}"
    if result.number is not None:
        yield f"traces of {wording.count(result.renewed, 'start')} read again; the store is at snapshot {result.number}"
