"""The draft of a shop's register of gauges, from the records of its store."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd

from ventbook import model, tables
from ventbook.places import Place
from ventbook.records.store import Snapshot, open_store
from ventbook.run.job import write_text
from ventbook.statistics import trends
from ventbook.tables.gauges import FILE, write_gauges

COLUMNS = ("venting_id", "engine_id", "engine_type", "site", "date", "gauge", "gap_first_mm")


def draft_register(out: Path, *, store: Place) -> Path:
    """Writes the draft to ``out``. InputError where that file stands already, or there is no store."""
    snapshot = open_store(store).snapshot()
    records = snapshot.records()
    lifters = model.build_lifters(records, gauges=tables.Gauges(), columns=COLUMNS)
    rows, notes = trends.draft_gauges(
        lifters, records["gauge_readings"], days=_find_days(snapshot, records["intakes"])
    )
    head = (
        f"Draft of a register of gauges, from records as of {snapshot.today.isoformat()}. Look every row over, then keep the",
        f"file as {FILE} beside the store. Bias = reading less truth; corrected = reading less bias. What a row may hold is",
        "said at the head of data/gauges.toml. A row holds on every day; write since and until where it doesn't.",
    )
    return write_text(out, write_gauges(rows, notes=(*head, *notes)))


def _find_days(snapshot: Snapshot, intakes: pd.DataFrame) -> dict[str, dt.date]:
    """The day on which each study came into the records, which is no earlier than the study."""
    readings = snapshot.read("gauge_readings", bookkeeping=True)
    if readings.empty:
        return {}
    came = intakes.set_index("number")["today"]
    last = readings.groupby("study", observed=True)["_intake"].max()
    return {str(study): came[number].date() for study, number in last.items() if number in came.index}
