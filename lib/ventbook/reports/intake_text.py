"""What an intake did, in lines for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ventbook import wording

SHOWN = 12


def describe_intake(result: Any, *, store: Path) -> Iterator[str]:
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
    issues = result.issues
    if len(issues):
        grouped = issues.groupby(["severity", "code"], sort=False).agg(
            times=("rows", "sum"), what=("what", "first")
        )
        grouped = grouped.sort_values("times", ascending=False, kind="stable").reset_index()
        for line in grouped.head(SHOWN).itertuples(index=False):
            yield f"{wording.SEVERITY_WORDS[line.severity]}, {line.times} times: {wording.clean_text(line.what)}"
        if len(grouped) > SHOWN:
            yield f"... and {len(grouped) - SHOWN} more kinds of issues; the records report lists them"
    if result.number is None:
        yield "dry run: nothing was written"
    else:
        yield f"snapshot {result.number} of {store}, records as of {result.today.isoformat()}"
    if int(result.counts["quarantined"].sum()):
        yield f"held rows: ventbook quarantine --store {store} --out held.xlsx gives them back with reasons"


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
