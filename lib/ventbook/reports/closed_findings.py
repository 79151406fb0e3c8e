"""Jobs that were closed with a lifter still over the limit: said before anything else."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from ventbook.document import wording
from ventbook.model import verdicts
from ventbook.reports.page import Page

NAMED = 6
GAP = "lifter gap"
READ = ("venting_id", "engine_id", "engine_type", "date", "site", "failed_last", "closed")


def list_closed(page: Page) -> pd.DataFrame:
    """Ventings up to the snapshot that pass the filters and were closed with an open finding, newest first.

    ``latest``: the engine has no later venting on record.
    """
    jobs = page.keep(page.all_jobs[list(READ)]).sort_values(["date", "venting_id"], kind="stable")
    jobs = jobs.assign(latest=~jobs.duplicated("engine_id", keep="last"))
    still = verdicts.is_open_finding(jobs["failed_last"], jobs["closed"])
    return jobs[still.fillna(False).to_numpy(bool)].iloc[::-1]


def say_closed(page: Page) -> str:
    """How many jobs were closed so, and the engines that have not been seen since; empty where none was."""
    found = list_closed(page)
    latest = found[found["latest"]]
    return closed_sentence(
        len(found),
        now=len(page.within(found, page.period)),
        label=page.period.label,
        engines=[wording.clean_text(str(name)) for name in latest["engine_id"]],
        placeholder=GAP in page.placeholder_steps,
    )


def closed_sentence(n: int, *, now: int, label: str, engines: Sequence[str], placeholder: bool) -> str:
    """``n`` jobs on record, ``now`` of them in the period; ``engines``: those whose latest venting it is, newest first."""
    if not n:
        return ""
    limit = "a placeholder limit" if placeholder else "the limit"
    jobs = wording.count(n, "job")
    when = f"{now or 'none'} of them in {label}" if n > 1 else f"{'' if now else 'not '}in {label}"
    was = "was" if n == 1 else "were"
    said = f"{jobs[0].upper()}{jobs[1:]} on record {was} closed with a lifter over {limit} at its last check, {when}."
    if not engines:
        return f"{said} Each of these engines has a later venting on record."
    more = f" and {wording.count(len(engines) - NAMED, 'other')}" if len(engines) > NAMED else ""
    named = wording.join_words(list(engines[:NAMED])) if not more else ", ".join(engines[:NAMED])
    has = "engine has" if len(engines) == 1 else "engines have"
    return f"{said} {len(engines)} {has} no later venting on record: {named}{more}. A licensed person decides before such an engine runs."
