"""How the fleet's records arrive: quarter by quarter, some late, some corrected, a few with plain errors.

A delivery is what all workshops hand in after a quarter. Cells are text in the workshop's own units. What stands
in the store after the last delivery are exactly the fleet's tables: a row with an error is held, and the mended
row (a venting with everything that belongs to it) comes with the next delivery.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from ventbook import dictionary
from ventbook.demo.fleet import US_COLUMNS, US_READING, Fleet
from ventbook.demo.mistakes import MESSY, MISTAKES, Mistake
from ventbook.demo.settings import hand_in_day, list_quarters, quarter_bounds, read_settings
from ventbook.units import convert

TABLES = ("engines", "ventings", "starts", "lifter_checks", "gauge_readings", "planned")


@dataclass(frozen=True)
class Row:
    """One row as handed in. ``cells``: stored column -> text, "" where empty. ``note`` says why it is there."""

    table: str
    site: str
    quarter: str
    cells: dict[str, str]
    note: str = ""
    mistake: Mistake | None = None
    mended_in: str | None = None


@dataclass
class Deliveries:
    """All rows handed in, by quarter, site and table, and the traces that go with them."""

    rows: dict[tuple[str, str, str], list[Row]] = field(default_factory=dict)
    samples: dict[tuple[str, str], pd.DataFrame] = field(default_factory=dict)

    def add(self, row: Row) -> None:
        self.rows.setdefault((row.quarter, row.site, row.table), []).append(row)

    def all_rows(self) -> Iterator[Row]:
        for key in sorted(self.rows):
            yield from self.rows[key]


def plan_deliveries(fleet: Fleet, *, seed: int, messy: bool = False) -> Deliveries:
    """Spreads the fleet's records over the deliveries and plants corrections, duplicates and errors.

    ``messy`` adds further rows with errors; everything else is the same row for row.
    """
    rng = np.random.default_rng([seed, 7])
    quarters = list_quarters()
    handed = dict(
        zip(fleet.truth["ventings"]["venting_id"], fleet.truth["ventings"]["handed_in"], strict=True)
    )
    site_of = dict(zip(fleet.ventings["venting_id"], fleet.ventings["site"], strict=True))
    ventings = {r["venting_id"]: r for r in list_cells(fleet.ventings, "ventings", site_of)}
    children = {name: list_cells(getattr(fleet, name), name, site_of) for name in ("starts", "lifter_checks")}
    victims = _choose_victims(fleet, handed, children, rng)
    # A venting whose own row is held takes its starts and checks with it to the next delivery.
    moved = {
        v: (quarters[quarters.index(handed[v]) + 1] if victims.get(("ventings", v)) else handed[v])
        for v in handed
    }
    plan = Deliveries()
    for venting_id, cells in ventings.items():
        for mistake in victims.get(("ventings", venting_id), []):
            plan.add(_spoil(Row("ventings", site_of[venting_id], handed[venting_id], cells), mistake))
        _hand_in_venting(plan, cells, site_of[venting_id], moved[venting_id], rng)
    for name, rows in children.items():
        for number, cells in enumerate(rows):
            row = Row(name, site_of[cells["venting_id"]], moved[cells["venting_id"]], cells)
            _hand_in_child(plan, row, victims.get((name, number), []), rng)
    _hand_in_engines(plan, fleet, moved, site_of, quarters)
    _hand_in_rest(plan, fleet, MISTAKES + MESSY if messy else MISTAKES)
    _repeat_some(plan, rng)
    if not fleet.samples.empty:
        places = fleet.samples["venting_id"].map(moved), fleet.samples["venting_id"].map(site_of)
        groups = fleet.samples.groupby([*places], sort=True)
        plan.samples = {(str(key[0]), str(key[1])): frame for key, frame in groups if isinstance(key, tuple)}
    return plan


def list_cells(frame: pd.DataFrame, name: str, site_of: dict[str, str]) -> list[dict[str, str]]:
    """The rows of a table as text cells, quantities in the unit that the row's site writes in."""
    us_sites = [site["name"] for site in read_settings()["site"] if site.get("us_units")]
    us = (
        frame["venting_id"].map(site_of).isin(us_sites).to_numpy()
        if "venting_id" in frame
        else np.zeros(len(frame), bool)
    )
    texts: dict[str, list[str]] = {}
    for column in dictionary.tables()[name].columns:
        if column.stored not in frame:
            continue
        values = frame[column.stored]
        written = write_column(values, column)
        if column.stored in US_COLUMNS.get(name, ()) and us.any():
            unit, decimals = US_READING[column.unit]
            own = np.round(convert(values.to_numpy(), column.unit, unit), decimals)
            written = [write_number(float(o)) if u else w for o, u, w in zip(own, us, written, strict=True)]
        texts[column.stored] = written
    return [dict(zip(texts, row, strict=True)) for row in zip(*texts.values(), strict=True)]


def write_column(values: pd.Series, column: dictionary.Column) -> list[str]:
    """One column as text: ISO dates, yes/no, shortest exact numbers, "" where empty."""
    missing = values.isna().to_numpy()
    if column.kind == "date":
        texts = values.dt.strftime("%Y-%m-%d").tolist()
    elif column.kind == "datetime":
        texts = values.dt.strftime("%Y-%m-%dT%H:%M").tolist()
    elif column.kind == "yes_no":
        texts = ["" if m else ("yes" if v else "no") for v, m in zip(values, missing, strict=True)]
    elif column.kind in ("quantity", "number"):
        texts = [write_number(float(v)) for v in values]
    else:
        texts = ["" if m else str(v) for v, m in zip(values, missing, strict=True)]
    return ["" if m else t for t, m in zip(texts, missing, strict=True)]


def write_number(value: float) -> str:
    """The shortest text that reads back to the same float; whole numbers without a point, NaN as ""."""
    if np.isnan(value):
        return ""
    return str(int(value)) if value == int(value) else repr(value)


def _choose_victims(
    fleet: Fleet, handed: dict[str, str], children: dict[str, list[dict[str, str]]], rng: np.random.Generator
) -> dict[tuple[str, Any], list[Mistake]]:
    """Which row of the fleet first arrives with which mistake; each row at most one."""
    quarters = list_quarters()
    victims: dict[tuple[str, Any], list[Mistake]] = {}
    spoilt_jobs: set[str] = set()
    ids = fleet.ventings["venting_id"].tolist()
    # Only what is handed in before the last delivery can be mended in a later one.
    early = [v for v in ids if handed[v] != quarters[-1]]
    for mistake in (m for m in MISTAKES if m.mode == "mended"):
        for _ in range(mistake.count):
            if mistake.table == "ventings":
                pool: list[Any] = [v for v in early if v not in spoilt_jobs]
                if mistake.needs:
                    column = fleet.ventings.set_index("venting_id")[mistake.needs]
                    pool = [v for v in pool if pd.notna(column[v])]
                chosen = pool[int(rng.integers(len(pool)))]
                spoilt_jobs.add(chosen)
            else:
                rows = children[mistake.table]
                pool = [
                    i
                    for i, cells in enumerate(rows)
                    if handed[cells["venting_id"]] != quarters[-1]
                    and cells["venting_id"] not in spoilt_jobs
                    and (not mistake.needs or cells[mistake.needs] != "")
                    and (not mistake.only_first or cells.get("check_no", "1") == "1")
                ]
                chosen = pool[int(rng.integers(len(pool)))]
                spoilt_jobs.add(rows[chosen]["venting_id"])
            victims.setdefault((mistake.table, chosen), []).append(mistake)
    return victims


def _spoil(row: Row, mistake: Mistake) -> Row:
    quarters = list_quarters()
    after = quarters[quarters.index(row.quarter) + 1]
    closed = row.cells.get("closed")
    cells = row.cells | (_open_until(date.fromisoformat(closed), row.quarter) if closed else {})
    return replace(row, cells=mistake.apply(cells), note="error", mistake=mistake, mended_in=after)


def _hand_in_venting(
    plan: Deliveries, cells: dict[str, str], site: str, quarter: str, rng: np.random.Generator
) -> None:
    """The venting's row, open at first where the job closes after the delivery; now and then a number is corrected."""
    quarters = list_quarters()
    row = Row("ventings", site, quarter, cells)
    later = [q for q in quarters if q > quarter]
    closed = date.fromisoformat(cells["closed"]) if cells["closed"] else None
    corrected = bool(later) and rng.random() < 0.015
    versions = []
    if corrected:
        wrong = str(int(cells["rotations"]) + 10)
        versions.append(replace(row, cells=cells | {"rotations": wrong}, note="first version"))
    elif closed is not None and closed > hand_in_day(quarter):
        versions.append(replace(row, cells=cells | {"closed": ""}, note="first version"))
    if not versions:
        plan.add(row)
        return
    plan.add(replace(versions[0], cells=versions[0].cells | _open_until(closed, quarter)))
    back = next((q for q in later if closed is None or closed <= hand_in_day(q)), later[-1])
    plan.add(replace(row, quarter=back, note="correction"))


def _open_until(closed: date | None, quarter: str) -> dict[str, str]:
    return {"closed": ""} if closed is not None and closed > hand_in_day(quarter) else {}


def _hand_in_child(plan: Deliveries, row: Row, mistakes: list[Mistake], rng: np.random.Generator) -> None:
    quarters = list_quarters()
    if not mistakes:
        last = row.quarter == quarters[-1]
        if row.table == "lifter_checks" and not last and rng.random() < 0.001:
            wrong = replace(row, cells=row.cells | {"feel": "not_judged"}, note="first version")
            plan.add(wrong)
            plan.add(replace(row, quarter=quarters[quarters.index(row.quarter) + 1], note="correction"))
            return
        plan.add(row)
        return
    for mistake in mistakes:
        spoilt = _spoil(row, mistake)
        plan.add(spoilt)
        if mistake.both:  # two rows of one key that contradict each other
            plan.add(replace(spoilt, cells=row.cells))
    plan.add(replace(row, quarter=quarters[quarters.index(row.quarter) + 1], note="mended"))


def _hand_in_engines(
    plan: Deliveries, fleet: Fleet, moved: dict[str, str], site_of: dict[str, str], quarters: list[str]
) -> None:
    first: dict[str, tuple[str, str]] = {}
    spoilt = {
        row.cells["venting_id"]: row.quarter
        for row in plan.all_rows()
        if row.note == "error" and row.table == "ventings"
    }
    for venting_id, engine_id in zip(fleet.ventings["venting_id"], fleet.ventings["engine_id"], strict=True):
        quarter = spoilt.get(venting_id, moved[venting_id])
        if engine_id not in first or quarter < first[engine_id][0]:
            first[engine_id] = (quarter, site_of[venting_id])
    home = {row["engine_id"]: row["site"] for row in fleet.planned[["engine_id", "site"]].to_dict("records")}
    for cells in list_cells(fleet.engines, "engines", {}):
        engine_id = cells["engine_id"]
        quarter, site = first.get(engine_id, (quarters[-1], home.get(engine_id, "Harbour")))
        plan.add(Row("engines", site, quarter, cells))


def _hand_in_rest(plan: Deliveries, fleet: Fleet, mistakes: tuple[Mistake, ...]) -> None:
    """Gauge studies, planned ventings, and the rows with an error that nobody mends."""
    quarters = list_quarters()
    when = {study["name"]: (study["quarter"], study["site"]) for study in read_settings()["study"]}
    for cells in list_cells(fleet.gauge_readings, "gauge_readings", {}):
        quarter, site = when[cells["study"]]
        plan.add(Row("gauge_readings", site, quarter, cells))
    sites = dict(zip(fleet.planned["venting_id"], fleet.planned["site"], strict=True))
    for cells in list_cells(fleet.planned, "planned", sites):
        plan.add(Row("planned", sites[cells["venting_id"]], quarters[-1], cells))
    templates: dict[tuple[str, str, str], Row] = {}
    for row in plan.all_rows():
        if not row.note:
            templates.setdefault((row.table, row.site, row.quarter), row)
    for mistake in (m for m in mistakes if m.mode == "extra"):
        template = templates.get((mistake.table, mistake.site, mistake.quarter))
        if template is not None:
            plan.add(replace(template, cells=mistake.apply(template.cells), note="error", mistake=mistake))


def _repeat_some(plan: Deliveries, rng: np.random.Generator) -> None:
    """A few rows of one delivery are handed in again with the next, unchanged."""
    quarters = list_quarters()
    settled = [
        row
        for row in plan.all_rows()
        if not row.note and row.table == "ventings" and row.quarter != quarters[-1]
    ]
    again = {r.cells["venting_id"] for r in plan.all_rows() if r.table == "ventings" and r.note}
    settled = [row for row in settled if row.cells["venting_id"] not in again]
    for index in rng.choice(len(settled), size=min(6, len(settled)), replace=False):
        row = settled[int(index)]
        plan.add(replace(row, quarter=quarters[quarters.index(row.quarter) + 1], note="duplicate"))


def delivery_days() -> dict[str, date]:
    """Hand-in day of each delivery, by quarter."""
    return {quarter: hand_in_day(quarter) for quarter in list_quarters()}


def first_day(quarter: str) -> date:
    """The first day of a quarter."""
    return quarter_bounds(quarter)[0]
