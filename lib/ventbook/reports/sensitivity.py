"""What the named causes hang on, for any page that names causes."""

from __future__ import annotations

import pandas as pd

from ventbook.document import Blocks, wording
from ventbook.reports.account import account_tables, load_account
from ventbook.reports.page import Page, once_a_page
from ventbook.statistics import causes
from ventbook.statistics.causes.account_sensitivity import GAUGE_OFF_MM, GIVEN_UP, HELD, HIGH, LOW, SITE

MOST_NAMES = 6
METHOD = f"""The naming is asked again on changed records, and a cause stands where its score, beside the other named causes, still has the evidence that naming asked for on the records as they are. Changes tried: ventings of which lifter rows are quarantined counted as failing; every gap read {GAUGE_OFF_MM:.2f} mm larger, and smaller; ventings left out in which turning was given up; each site left out (a cause that is one site's own is not asked then).

Engines and ventings are left out one after another, those that add most to the cause's score first, until it would no longer be named; held against whole accounts without them, their number was right to about one. That is one way to undo it; there may be others. A cause that hangs on one or two records is no less true by that, but those records are worth reading again before anything is changed because of it."""


@once_a_page
def find_sensitivity(page: Page) -> causes.Sensitivity:
    """Of the account of all ventings up to the end of the page's period."""
    until = pd.Timestamp(page.period.end)
    jobs, lifters, gauges = account_tables(page, until)
    rows = page.records.get("quarantine", pd.DataFrame(columns=["table", "key"]))
    own = rows.loc[rows["table"].eq("lifter_checks").fillna(False).to_numpy(bool), "key"].astype("str")
    held = set(own.str.split(" / ").str[0]) & set(jobs["venting_id"])
    return page.keep_made(causes.try_changes, load_account(page), jobs, lifters, gauges=gauges, held=held)


def show_sensitivity(page: Page) -> Blocks:
    """A sentence a named cause, and the table of changes tried; nothing where no circumstance is named."""
    found = find_sensitivity(page)
    if found.changes.empty:
        return Blocks()
    shown = page.text(*(cause_sentence(found, str(cause)) for cause in found.rests["cause"].unique()))
    rows = found.changes.assign(
        cause_words=found.changes["title"],
        change_tried=[change_words(row["change"], row["what"]) for row in found.changes.to_dict("records")],
        outcome=found.changes["stands"].map({True: "still named", False: "not named"}),
    )
    return (
        shown
        + page.add_table(
            "sensitivity",
            rows.sort_values(["stands", "cause"], kind="stable", ignore_index=True),
            title="Changes tried on the named causes",
            columns=["cause_words", "change_tried", "outcome"],
            rows=12,
        )
        + page.explain("what the named causes hang on", METHOD)
    )


def change_words(change: str, what: str) -> str:
    """A change in words."""
    return {
        HELD: "ventings with quarantined lifter rows counted as failing",
        HIGH: f"every gap {GAUGE_OFF_MM:.2f} mm larger",
        LOW: f"every gap {GAUGE_OFF_MM:.2f} mm smaller",
        GIVEN_UP: "ventings left out in which turning was given up",
        SITE: f"without {what}",
    }[change]


def cause_sentence(found: causes.Sensitivity, cause: str) -> str:
    """Whether one cause stands through all changes, and whose absence would undo it."""
    tried = found.changes[found.changes["cause"] == cause]
    rests = found.rests[found.rests["cause"] == cause].set_index("of")
    title = str(rests["title"].iloc[0])
    fell = tried[~tried["stands"].to_numpy(bool)]
    words = [change_words(row["change"], row["what"]) for row in fell.to_dict("records")]
    said = (
        f"{title[0].upper()}{title[1:]}: not named any more with {wording.join_words(words, 'or')}"
        if words
        else f"{title[0].upper()}{title[1:]}: named with each of the {wording.count(len(tried), 'change')} tried"
    )
    engines, ventings = (rests.loc[of] for of in ("engine", "venting"))
    if not engines["enough"]:
        return f"{said}; no {len(engines['names'])} engines left out undo it."
    few = len(ventings["names"]) < len(engines["names"]) and ventings["enough"]
    of, names = ("venting", ventings["names"]) if few else ("engine", engines["names"])
    more = len(names) - MOST_NAMES
    listed = wording.join_words([*names[:MOST_NAMES], *([f"{more} more"] if more > 0 else [])])
    return f"{said}; it takes about {wording.count(len(names), of)} left out to undo it ({listed})."
