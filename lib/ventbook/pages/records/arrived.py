"""What came in and what is held."""

from __future__ import annotations

import json

import pandas as pd

from ventbook import wording
from ventbook.pages.base import Page
from ventbook.pages.records.complete import rank_columns
from ventbook.pages.show import Shown
from ventbook.results import Estimate
from ventbook.store import open_store
from ventbook.wording import records as words

COUNTED = "counted: rows held now over all rows handed in up to this snapshot, samples of traces left out"
QUARANTINE_COLUMNS = ["file", "sheet", "line", "table", "column", "code", "value", "what", "do"]


def answer(page: Page) -> Shown:
    """How much came in, how much is held, and what to record better."""
    handed_in, held, deliveries = count_rows(page)
    better = rank_columns(page)[:3]
    return page.answer(
        words.came_in(handed_in=handed_in, held=held, deliveries=deliveries),
        words.most_held(_reasons(page.records["quarantine"])[:2]),
        words.record_better([(row["name"], row["recorded"]) for row in better]),
    )


def held_share(page: Page) -> Shown:
    """Finding quarantined_share: rows held now, of all rows handed in."""
    handed_in, held, deliveries = count_rows(page)
    estimate = share_of_rows(page, handed_in, held)
    sentence = words.came_in(handed_in=handed_in, held=held, deliveries=deliveries)
    return page.add_finding("quarantined_share", estimate, tier="describe", sentence=sentence)


def share_of_rows(page: Page, handed_in: int, held: int) -> Estimate:
    """Share of the rows handed in that are held now: counted, so without an interval."""
    state = "estimated" if handed_in else "not_recorded"
    share = held / handed_in if handed_in else None
    return Estimate(share, None, None, page.level, "share", handed_in, 0, COUNTED, state)


def count_rows(page: Page, intakes: set[int] | None = None) -> tuple[int, int, int]:
    """(rows handed in, rows held now, deliveries) of these ``intakes``, by default of all up to this snapshot.

    Every report that speaks of held rows counts them here and says which of the two it is. Samples of traces would drown
    the rest and are left out. A held row counts with the delivery that it came in with.
    """
    counts, all_intakes, held = page.records["intakes"], page.records["intakes"], page.records["quarantine"]
    if getattr(page.snapshot, "path", None) is not None:
        counts = _counts(page).rename(columns={"intake": "number"})
        counts = counts[counts["table"] != "samples"]
    held = held[(held["table"] != "samples").to_numpy(bool)]
    if intakes is not None:
        counts, all_intakes = (part[part["number"].isin(intakes)] for part in (counts, all_intakes))
        held = held[held["intake"].isin(intakes)]
    handed_in = int(counts[["accepted", "duplicate", "corrected", "quarantined"]].to_numpy().sum())
    return handed_in, len(held), int(all_intakes["kind"].eq("intake").sum())


def _counts(page: Page) -> pd.DataFrame:
    """One row an intake and table: accepted, duplicate, corrected, quarantined."""
    rows = open_store(page.snapshot.path).intake_rows(page.snapshot.number)
    found = [
        {"intake": int(number), "table": table, **counted}
        for number, text in zip(rows["number"], rows["counts"], strict=True)
        for table, counted in json.loads(text or "{}").items()
    ]
    columns = ["intake", "table", "accepted", "duplicate", "corrected", "quarantined"]
    return pd.DataFrame(found, columns=columns).fillna(dict.fromkeys(columns[2:], 0))


def came_in(page: Page) -> Shown:
    """One row an intake, and one row a table."""
    by_table = _counts(page).groupby("table", sort=False)[
        ["accepted", "duplicate", "corrected", "quarantined"]
    ]
    tables = by_table.sum().reset_index()
    shown = page.add_table(
        "rows_by_table",
        tables,
        title="What came in, by table",
        columns={
            "table": "Table",
            "accepted": ("Accepted", "", "integer"),
            "duplicate": ("Already there", "", "integer"),
            "corrected": ("Corrected", "", "integer"),
            "quarantined": ("Held when handed in", "", "integer"),
        },
        note="A row held when handed in may have been mended since; the rows held now stand further down.",
    )
    frame = page.records["intakes"].copy()
    frame["file_count"] = [len(str(names).split(", ")) for names in frame["files"]]
    return shown + page.add_table(
        "intakes",
        frame,
        title="What came in, delivery by delivery",
        columns={
            "number": ("Snapshot", "", "integer"),
            "today": ("As of", "", "date"),
            "kind": "Kind",
            "file_count": ("Files", "", "integer"),
            "accepted": ("Accepted", "", "integer"),
            "duplicate": ("Already there", "", "integer"),
            "corrected": ("Corrected", "", "integer"),
            "quarantined": ("Held", "", "integer"),
        },
        note="A corrected row replaces an older one with the same key; the older one stays in the history.",
    )


def held(page: Page) -> Shown:
    """Held rows by reason, and all of them as quarantine.csv."""
    rows = page.records["quarantine"]
    every = page.add_table(
        "quarantine",
        rows[QUARANTINE_COLUMNS],
        title="Rows held, one by one",
        columns={
            "file": "File",
            "sheet": "Sheet",
            "line": ("Line", "", "integer"),
            "table": "Table",
            "column": "Column",
            "value": ("Value", "", "text"),
            "what": "What is wrong",
            "do": "What to do",
        },
        rows=15,
    )
    if rows.empty:
        return page.text("No row is held.") + every
    grouped = (
        rows.groupby(["code", "table"], sort=False)
        .agg(rows=("code", "size"), what=("what", "first"), do=("do", "first"), files=("file", "nunique"))
        .reset_index()
        .sort_values(["rows", "code"], ascending=[False, True], kind="stable")
    )
    return (
        page.add_table(
            "held_by_reason",
            grouped,
            title="Why rows are held",
            columns={
                "what": "Example of what is wrong",
                "table": "Table",
                "rows": ("Rows", "", "integer"),
                "files": ("Files", "", "integer"),
                "do": "What to do",
            },
        )
        + every
    )


def noted(page: Page) -> Shown:
    """What was kept but looks odd, by reason and site."""
    issues = page.records["issues"]
    issues = issues[issues["severity"] == "note"]
    if issues.empty:
        return page.text("Nothing that was kept looks odd.")
    count = issues["rows"].fillna(1).astype(int)
    grouped = (
        issues.assign(count=count, site=issues["site"].fillna(""))
        .groupby(["code", "site"], sort=False)
        .agg(rows=("count", "sum"), what=("what", "first"), do=("do", "first"))
        .reset_index()
        .sort_values(["rows", "code", "site"], ascending=[False, True, True], kind="stable")
    )
    return page.add_table(
        "notes",
        grouped,
        title="Kept, but looked at twice",
        columns={
            "what": "Example",
            "site": "Site",
            "rows": ("Rows", "", "integer"),
            "do": "What to do",
        },
        note="These rows are counted in every number; nothing was changed in them.",
        rows=25,
    )


def _reasons(rows: pd.DataFrame) -> list[tuple[str, int]]:
    """Codes and how many rows each holds, commonest first, in words."""
    counts = rows["code"].value_counts()
    ranked = sorted(counts.index, key=lambda code: (-int(counts[code]), str(code)))
    return [(str(code).replace("_", " "), int(counts[code])) for code in ranked]


def not_said() -> list[str]:
    """What these records can't tell."""
    return [
        "A row that was never handed in is not missed here: this page counts what came, not what should have come.",
        f"The rates of the other reports stand on the rows counted as accepted; {wording.SEVERITY_WORDS['set_aside']} rows wait.",
    ]
