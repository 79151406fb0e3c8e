"""The start page: ``index.html`` beside the reports, listing what was made."""

from __future__ import annotations

import json
import urllib.parse
from pathlib import Path
from typing import Any

from ventbook.document.html import escape, page_html
from ventbook.pages.parameters import report_specs

FILES = (
    ("report.html", "page"),
    ("report.pdf", "PDF"),
    ("tables.xlsx", "workbook"),
    ("report.ipynb", "notebook"),
    ("findings.json", "numbers"),
)


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
    parts = ["<h1>Reports on venting and first runs</h1>"]
    last = ""
    for folder, run in list_reports(out):
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
        parts += [f"<p>{escape(sentence)}</p>" for sentence in run.get("answer", [])[:3]]
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
