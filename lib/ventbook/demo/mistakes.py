"""Errors planted in the invented fleet's records, by kind, and what intake should say of each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

Cells = dict[str, str]
TOO_MANY_CELLS = "too many cells"


@dataclass(frozen=True)
class Mistake:
    """One kind of error. ``apply`` gives the spoilt cells from the good ones; ``code`` is what intake should say.

    ``mode`` "corrected": the row first comes spoilt and is handed in again, corrected, with the next delivery;
    "extra": a row that should not be there at all, in the delivery and from the site named, never corrected.
    ``needs`` is a column that must be filled in; ``both`` hands in the good row beside the spoilt one.
    """

    kind: str
    table: str
    column: str
    code: str
    apply: Callable[[Cells], Cells]
    mode: str = "corrected"
    count: int = 1
    needs: str = ""
    both: bool = False
    only_first: bool = False
    site: str = ""
    quarter: str = ""


def _put(**cells: str) -> Callable[[Cells], Cells]:
    return lambda row: row | cells


def _years_ahead(cells: Cells) -> Cells:
    return cells | {"date": f"{int(cells['date'][:4]) + 50}{cells['date'][4:]}"}


def _start_before_venting(cells: Cells) -> Cells:
    return cells | {"started_at": f"{int(cells['started_at'][:4]) - 1}{cells['started_at'][4:]}"}


def _gap_closes(cells: Cells) -> Cells:
    return cells | {"gap_at_once_mm": str(round(float(cells["gap_mm"]) + 0.4, 3))}


def _other_count(cells: Cells) -> Cells:
    return cells | {"time_to_pressure_s": str(float(cells["time_to_pressure_s"]) + 3)}


MISTAKES = (
    Mistake("date in the future", "ventings", "date", "date_in_future", _years_ahead),
    Mistake("unknown code", "ventings", "reason", "unknown_code", _put(reason="oil chg"), count=2),
    Mistake("not a number", "ventings", "rotations", "not_a_number", _put(rotations="abt 40"), count=2),
    Mistake("required cell empty", "ventings", "pressure_shown", "missing_required", _put(pressure_shown="")),
    Mistake(
        "out of range", "ventings", "oil_temperature_degC", "out_of_range", _put(oil_temperature_degC="1180")
    ),
    Mistake(
        "start before its venting",
        "starts",
        "started_at",
        "start_before_venting",
        _start_before_venting,
        count=2,
        needs="started_at",
    ),
    Mistake(
        "two rows of one key", "starts", "time_to_pressure_s", "conflicting_rows", _other_count, both=True
    ),
    Mistake(
        "gap closes under force",
        "lifter_checks",
        "gap_at_once_mm",
        "gap_shrinks",
        _gap_closes,
        needs="gap_at_once_mm",
        count=2,
        only_first=True,
    ),
    Mistake(
        "gap not a number",
        "lifter_checks",
        "gap_mm",
        "limit_not_reading",
        _put(gap_mm="ok"),
        count=2,
        only_first=True,
    ),
    Mistake(
        "no such cylinder",
        "lifter_checks",
        "cylinder",
        "cylinder_above_count",
        _put(cylinder="9"),
        mode="extra",
        site="Harbour",
        quarter="2025Q1",
    ),
    Mistake(
        "no such cylinder",
        "lifter_checks",
        "cylinder",
        "cylinder_above_count",
        _put(cylinder="7"),
        mode="extra",
        site="Ridge",
        quarter="2026Q3",
    ),
    Mistake(
        "no such valve",
        "lifter_checks",
        "valve",
        "valve_not_on_engine",
        _put(valve="exhaust_2"),
        mode="extra",
        site="Harbour",
        quarter="2026Q3",
    ),
    Mistake(
        "orphan start",
        "starts",
        "venting_id",
        "orphan_venting",
        _put(venting_id="H26-99"),
        mode="extra",
        site="Harbour",
        quarter="2026Q3",
    ),
    Mistake(
        "orphan check",
        "lifter_checks",
        "venting_id",
        "orphan_venting",
        _put(venting_id="L25-0Ol"),
        mode="extra",
        site="Lake",
        quarter="2025Q4",
    ),
    Mistake(
        "orphan venting",
        "ventings",
        "engine_id",
        "orphan_engine",
        _put(venting_id="P26-901", engine_id="P999"),
        mode="extra",
        site="Plain",
        quarter="2026Q3",
    ),
    Mistake(
        "bar taken for psi",
        "ventings",
        "tank_overpressure_bar",
        "unit_suspected",
        _put(venting_id="H26-902", tank_overpressure_bar="7.3"),
        mode="extra",
        site="Harbour",
        quarter="2026Q3",
    ),
)


def _extra(kind: str, table: str, column: str, code: str, site: str, quarter: str, **cells: str) -> Mistake:
    """A row with a key of its own that is quarantined: nothing of it may reach the accepted rows."""
    fresh = (
        {"venting_id": f"{site[0]}{quarter[2:4]}-9{quarter[-1]}9"}
        if table == "ventings"
        else {"check_no": "9"}
    )
    return Mistake(
        kind, table, column, code, _put(**(fresh | cells)), mode="extra", site=site, quarter=quarter
    )


# What comes on top when the records arrive as workshops really send them.
MESSY = (
    _extra(
        "undeclared date form",
        "ventings",
        "date",
        "date_form_unknown",
        "Harbour",
        "2025Q1",
        date="03/04/2025",
    ),
    _extra("two-digit year", "ventings", "date", "date_form_unknown", "Harbour", "2026Q1", date="7/5/26"),
    _extra(
        "broken formula", "lifter_checks", "gap_mm", "spreadsheet_error", "Harbour", "2025Q3", gap_mm="#REF!"
    ),
    _extra(
        "mm taken for inches",
        "ventings",
        "suction_line_bore_mm",
        "unit_suspected",
        "Harbour",
        "2025Q4",
        suction_line_bore_mm="0.39",
    ),
    _extra("unknown code", "ventings", "reason", "unknown_code", "Ridge", "2025Q2", reason="Motorwäsche"),
    _extra("no such day", "ventings", "date", "no_such_day", "Ridge", "2025Q3", date="2025-02-31"),
    _extra(
        "unit in the cell", "lifter_checks", "gap_mm", "not_a_number", "Ridge", "2026Q1", gap_mm="0.35 mm"
    ),
    _extra("ditto mark", "ventings", "lifter_lot", "ditto_mark", "Plain", "2025Q3", lifter_lot='"'),
    _extra(TOO_MANY_CELLS, "ventings", "", "wrong_cell_count", "Plain", "2025Q1"),
    _extra(
        "inches taken for thou",
        "lifter_checks",
        "gap_mm",
        "unit_suspected",
        "Plain",
        "2025Q2",
        gap_mm="21",
    ),
    _extra("key empty", "ventings", "venting_id", "missing_required", "Plain", "2026Q1", venting_id=""),
    _extra("s taken for ms", "lifter_checks", "hold_s", "unit_suspected", "Lake", "2025Q2", hold_s="3000"),
    _extra(
        "neither yes nor no",
        "ventings",
        "pressure_shown",
        "not_yes_no",
        "Lake",
        "2025Q3",
        pressure_shown="maybe",
    ),
    _extra(
        "orphan check",
        "lifter_checks",
        "venting_id",
        "orphan_venting",
        "Lake",
        "2026Q1",
        venting_id="L26-00l",
    ),
)
