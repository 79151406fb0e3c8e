"""The demo fleet as a snapshot in memory, and a page on it, without a store: for tests of report pages."""

from __future__ import annotations

import datetime as dt
from functools import cache
from typing import Any

import pandas as pd
import pyarrow as pa

from ventbook import demo, reports
from ventbook import tables as dictionary
from ventbook.records.store import snapshots
from ventbook.reports.page import Page
from ventbook.reports.parameters import check_parameters, find_report

DEMO_LIMITS = str(dictionary.DATA / "demo_limits.toml")


class FleetSnapshot:
    """Record tables in the shape that a store's snapshot gives them."""

    number = 1
    coded = False
    path = None
    rests_on: dict[str, object] = {}  # noqa: RUF012

    def __init__(self, tables: dict[str, pd.DataFrame], *, today: dt.date = dt.date(2026, 10, 10)) -> None:
        self.tables = tables
        self.today = today

    def read(self, table: str, columns: list[str] | None = None) -> pd.DataFrame:
        frame = self.tables[table]
        return frame[columns] if columns else frame

    def read_of(self, table: str, ventings: pd.Series, columns: list[str] | None = None) -> pd.DataFrame:
        frame = self.read(table, None if columns is None else list(columns))
        return frame[self.tables[table]["venting_id"].isin(ventings)]

    @property
    def engine_types(self) -> list[str]:
        return sorted(self.tables["engines"]["engine_type"].dropna().unique())

    def records(self) -> dict[str, pd.DataFrame]:
        return dict(self.tables)

    def sources(self) -> pd.DataFrame:
        return pd.DataFrame({"intake": [1], "file": ["ventings.csv"], "sha256": ["ab" * 32]})


@cache
def fleet_tables(ventings: int = 600, plant: tuple[str, ...] | None = None) -> dict[str, pd.DataFrame]:
    """Typed record tables of the demo fleet (or of one with only some causes planted); not to be changed in place."""
    fleet = demo.simulate_fleet(ventings=ventings, plant=plant, traces=False)
    tables = {name: typed(name, frame) for name, frame in fleet.tables().items() if name != "samples"}
    rows = sum(map(len, tables.values()))
    for name in ("issues", "quarantine"):
        tables[name] = snapshots.to_frame(snapshots.schema_of(name).empty_table())
    row = {
        "number": 1,
        "kind": "intake",
        "today": pd.Timestamp(2026, 10, 10),
        "withdrawn": None,
        "files": "ventings.csv",
    }
    counts = {"accepted": rows, "duplicate": 0, "corrected": 0, "quarantined": 0}
    tables["intakes"] = pd.DataFrame([row | counts])
    return tables


def typed(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """A record table with every column of the dictionary, in the types that the store gives."""
    schema = pa.schema([field for field in snapshots.record_schema(name) if not field.name.startswith("_")])
    columns = []
    for field in schema:
        values = frame[field.name].tolist() if field.name in frame.columns else [None] * len(frame)
        columns.append(pa.array([None if pd.isna(v) else v for v in values]).cast(field.type, safe=False))
    return snapshots.to_frame(pa.table(columns, schema=schema))


def make_page(name: str, tables: dict[str, pd.DataFrame], **given: Any) -> Page:
    """A page on these tables, limits of the demo's manual unless others are given."""
    spec = find_report(name)
    checked = check_parameters(spec, {"limits": DEMO_LIMITS, **given})
    snapshot = FleetSnapshot(tables)
    period = reports.choose_period(
        checked["period"], checked["since"], checked["until"], today=snapshot.today
    )
    return Page(spec=spec, parameters=checked, snapshot=snapshot, period=period)  # type: ignore[arg-type]
