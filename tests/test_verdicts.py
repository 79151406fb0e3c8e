"""What counts as over, near, comparable, failed, known and open: each once, the same on every page."""

from __future__ import annotations

import ast
import datetime as dt
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from check_values import gap_limits, manual_limit
from invented_store import rows_of, write_store
from run_pages import RunPage, run_page
from ventbook import model
from ventbook import tables as dictionary
from ventbook.model import conformity, verdicts
from ventbook.records import store as st_store
from ventbook.records.store import open_store

PACKAGE = Path(__file__).resolve().parents[1] / "lib" / "ventbook"
RETURN_FLOW = manual_limit("return_flow_time", "s", high=10)
FIRST_DAY = dt.date(2026, 7, 1)


def yes_no(*values: bool | None) -> pd.Series:
    return pd.Series(values, dtype="boolean")


def listed(values: Any) -> list[bool | None]:
    return [None if pd.isna(v) else bool(v) for v in values]


# ---- each definition -----------------------------------------------------------------------------------------


def test_on_the_limit_is_within_and_arithmetic_does_not_put_it_over():
    assert verdicts.is_over([0.49, 0.5, 0.1 + 0.4, 0.7 - 0.2, 0.51, np.nan], 0.5).tolist() == [
        *[False] * 4,
        True,
        False,
    ]
    assert 0.54 - 0.50 > 0.04 and not verdicts.is_over(0.54 - 0.50, 0.04)
    assert not verdicts.is_over(0.6, np.nan)


def test_near_includes_its_ends():
    near = verdicts.is_near([0.45, 0.46, 0.50, 0.54, 0.55, np.nan], 0.02, 0.5)
    assert near.tolist() == [False, True, True, True, False, False]


@given(st.integers(1, 200), st.integers(1, 10), st.integers(10, 100))
def test_two_uncertainties_from_the_limit_is_near_whatever_the_decimals(steps, u, limit):
    """Readings written in hundredths of a millimetre: exactly 2 u off is near, one more hundredth is not."""
    at, off = (limit + 2 * u) / 100, (limit + 2 * u + 1) / 100
    assert verdicts.is_near(at, u / 100, limit / 100)
    assert not verdicts.is_near(off, u / 100, limit / 100)


@pytest.mark.parametrize(
    ("gap", "corrected", "force", "comparable", "over", "near"),
    [
        (0.3, 0.3, 70, True, False, False),
        (0.3, 0.3, 56, True, False, False),  # 80 % of 70 N
        (0.3, 0.35, 55, False, None, None),
        (0.3, 0.3, None, True, False, False),
        (0.55, 0.6, 30, True, True, False),
        (0.52, 0.53, 30, True, True, True),
        (0.45, 0.6, 30, False, None, None),  # only the correction puts it over
        (0.55, 0.45, 30, False, None, None),  # a light press is not a pass, by the correction neither
        (None, None, 70, True, None, None),
    ],
)
def test_a_light_press_is_not_a_pass(gap, corrected, force, comparable, over, near):
    values = [np.array([np.nan if v is None else v], float) for v in (gap, corrected, force)]
    found = verdicts.judge_readings(
        values[0], corrected=values[1], u=0.02, limit=np.array([0.5]), force=values[2], reference_force=70.0
    )
    assert (listed(found.comparable), listed(found.over), listed(found.near)) == (
        [comparable],
        [over],
        [near],
    )


def test_without_a_limit_nothing_is_known():
    one = np.array([0.6])
    found = verdicts.judge_readings(
        one, corrected=one, u=0.02, limit=np.array([np.nan]), force=np.array([70.0]), reference_force=np.nan
    )
    assert (listed(found.over), listed(found.near)) == ([None], [None])
    assert verdicts.name_verdict(
        over=pd.Series(found.over), near=pd.Series(found.near), comparable=pd.Series(found.comparable)
    ).tolist() == [""]


def test_verdicts_by_name():
    named = verdicts.name_verdict(
        over=yes_no(False, True, False, True, None, None),
        near=yes_no(False, False, True, True, None, None),
        comparable=yes_no(True, True, True, True, False, True),
    )
    assert named.tolist() == ["within", "outside", "near_limit", "near_limit", "not_comparable", ""]


def test_a_venting_fails_passes_or_is_not_known():
    over, judged, checked = (
        pd.Series(v) for v in ([1, 1, 0, 0, 0, 0], [8, 1, 8, 7, 0, 0], [8, 8, 8, 8, 8, 0])
    )
    assert listed(verdicts.is_failing(over=over, judged=judged, checked=checked)) == [
        True, True, False, None, None, None,
    ]  # fmt: skip


def test_cured_only_where_it_was_over_and_looked_at_again_after_a_run():
    first = yes_no(True, True, True, False, None, True)
    last = yes_no(False, True, None, False, False, False)
    again = yes_no(True, True, True, True, True, False)
    assert listed(verdicts.is_cured(first, last, again)) == [True, False, None, None, None, None]


def test_open_is_known_only_where_closing_is_recorded():
    day = pd.Timestamp("2026-07-01")
    closed = pd.Series([day, pd.NaT, pd.NaT, pd.NaT, day])
    site = pd.Series(["Lake", "Lake", "Ridge", None, None], dtype="str")
    assert listed(verdicts.is_open(closed, site)) == [False, True, None, True, False]


def test_a_finding_is_open_at_closing_only_where_the_last_check_tells():
    day = pd.Timestamp("2026-07-01")
    closed = pd.Series([day, day, day, pd.NaT])
    assert listed(verdicts.is_open_finding(yes_no(True, False, None, True), closed)) == [
        True,
        False,
        None,
        None,
    ]


@given(st.dates(dt.date(1980, 1, 1), dt.date(2100, 12, 31)))
def test_the_quarter_of_a_day_and_of_a_column_are_one(day):
    assert verdicts.quarters_of(pd.Series([pd.Timestamp(day), pd.NaT])).tolist()[0] == verdicts.quarter_of(
        day
    )
    assert verdicts.quarter_of(day) == str(pd.Period(day, "Q"))


# ---- one answer on every page ----------------------------------------------------------------------------------


def make_ventings(n: int, **changes: Any) -> list[dict[str, Any]]:
    return [
        {
            "venting_id": f"V{k:03d}",
            "engine_id": f"E{k % 20:02d}",
            "date": FIRST_DAY + dt.timedelta(days=k % 90),
            "site": "Ridge" if k < 10 else "Lake",
            "reason": "overhaul",
            "pressure_shown": True,
            **changes,
        }
        for k in range(n)
    ]


def make_checks(ventings: list[dict[str, Any]], *, failing: int = 18) -> list[dict[str, Any]]:
    """Four lifters a venting, the first over the limit in the last ``failing`` ventings."""
    rows = []
    for k, venting in enumerate(ventings):
        for cylinder in (1, 2):
            for valve in ("inlet", "exhaust"):
                bad = k >= len(ventings) - failing and (cylinder, valve) == (1, "inlet")
                rows.append(
                    {
                        "venting_id": venting["venting_id"],
                        "check_no": 1,
                        "cylinder": cylinder,
                        "valve": valve,
                        "gap_mm": 0.7 if bad else 0.1 + 0.01 * (k % 7),
                        "force_N": 70.0,
                        "hold_s": 3.0,
                    }
                )
    return rows


def make_engines(**changes: Any) -> list[dict[str, Any]]:
    return [
        {
            "engine_id": f"E{k:02d}",
            "engine_type": "flat4",
            "cylinders": 2,
            "valves_per_cylinder": 2,
            **changes,
        }
        for k in range(20)
    ]


def make_store(path: Path, tables: dict[str, list[dict[str, Any]]]) -> Path:
    path.mkdir()
    (path / "limits.toml").write_text(gap_limits() + RETURN_FLOW, "utf-8")
    return write_store(path / "store", tables)


def n_of(run: RunPage, name: str) -> set[tuple[Any, ...]]:
    found = [f for f in run.findings if f["id"] == name and f["period_start"] == "2026-07-01"]
    return {(str(f["group"]), f["estimate"], f["low"], f["high"], f["n"]) for f in found}


def test_ten_sound_ventings_pressed_too_lightly_are_known_nowhere(tmp_path):
    """Ten ventings of one site with one lifter each read at 30 N: no page may count them as passed."""
    ventings = make_ventings(82)
    checks = make_checks(ventings)
    for row in checks:
        if row["venting_id"] < "V010" and (row["cylinder"], row["valve"]) == (2, "exhaust"):
            row["force_N"] = 30.0
    store = make_store(
        tmp_path / "light", {"engines": make_engines(), "ventings": ventings, "lifter_checks": checks}
    )
    pages = ("lifter-gaps", "spongy-lifters", "quarterly-review")
    runs = [run_page(name, store, tmp_path / "out", period="2026Q3") for name in pages]
    shares = [{row[1:] for row in n_of(run, "venting_failure_share") if row[0] == "{}"} for run in runs]
    assert shares[0] == shares[1] == shares[2]
    assert [row[-1] for row in shares[0]] == [72]
    lifters = [{row[1:] for row in n_of(run, "lifter_failure_share") if row[0] == "{}"} for run in runs]
    assert lifters[0] == lifters[1] == lifters[2]
    assert "18 of 72" in runs[0].text and "18 of 72" in runs[1].text and "18 of 72" in runs[2].text


def test_a_reading_two_uncertainties_over_the_limit_is_near_it_everywhere(tmp_path):
    """0.54 mm, u 0.02 mm, limit 0.50 mm."""
    ventings = make_ventings(12)
    checks = make_checks(ventings, failing=0)
    checks[0]["gap_mm"] = 0.54
    tables = {"engines": make_engines(), "ventings": ventings, "lifter_checks": checks}
    store = make_store(tmp_path / "near", tables)
    limits = dictionary.load_limits(store.parent / "limits.toml")
    records = open_store(store).snapshot().records()
    lifters = model.build_lifters(records, limits=limits)
    table = model.build_ventings(records, limits=limits, lifters=lifters)
    assert lifters["near_limit_first"].sum() == 1 and lifters["near_limit_last"].sum() == 1
    steps = conformity.check_steps(records, table, lifters, limits=limits)
    worst = steps[(steps["step"] == "gap_at_last_check") & (steps["venting_id"] == "V000")]
    assert worst["verdict"].tolist() == ["near_limit"]
    run = run_page("lifter-gaps", store, tmp_path / "out", period="2026Q3")
    table = run.tables["reading_classes"]
    first, second = (table.cells[column.name] for column in table.columns[:2])
    classes = dict(zip(first, second, strict=True))
    assert classes["Read over, borderline"] == 1


def test_return_flow_not_seen_is_one_interval(tmp_path):
    """Shut down after 12 s without return flow: over the limit of 10 s for certain, on both pages that judge it."""
    ventings = make_ventings(8)
    starts = [
        {
            "venting_id": v["venting_id"], "start_no": 1, "time_to_pressure_s": 3.0, "pressure_shown": True,
            "return_flow_time_s": 10.0 if k == 0 else 5.0, "return_flow_seen": k > 0,
        }
        for k, v in enumerate(ventings)
    ]  # fmt: skip
    tables = {"engines": make_engines(turbocharged=True), "ventings": ventings, "starts": starts}
    store = make_store(tmp_path / "flow", tables)
    run = run_page("conformity", store, tmp_path / "out", period="2026Q3")
    steps = run.page.frame("conformity")
    assert steps.loc[steps["step"] == "return_flow_time", "verdict"].tolist() == ["outside"] + ["within"] * 7
    times = run_page("time-to-pressure", store, tmp_path / "out", period="2026Q3")
    share = next(f for f in times.findings if f["id"] == "share_over_return_flow_limit")
    assert share["estimate"] == pytest.approx(1 / 8)


def test_held_rows_are_counted_once_and_the_sentence_says_which(tmp_path):
    """Two deliveries: of the first quarter's 30 of 40 rows are held, of the second quarter's 2 of 42."""
    path = tmp_path / "store"
    engines = make_engines()
    with st_store.write_snapshot(st_store.create_store(path)) as writer:
        writer.add_rows("engines", rows_of("engines", engines))
        writer.add_rows("ventings", rows_of("ventings", make_ventings(10, date=dt.date(2026, 5, 1))))
        writer.add_rows("quarantine", held_rows(30, intake=1))
        writer.commit(
            kind="intake", today=dt.date(2026, 7, 7), sources=[],
            counts={"engines": {"accepted": 20}, "ventings": {"accepted": 10, "quarantined": 30}},
        )  # fmt: skip
    late = [{**v, "venting_id": f"W{k:03d}"} for k, v in enumerate(make_ventings(40))]
    with st_store.write_snapshot(open_store(path)) as writer:
        writer.add_rows("ventings", rows_of("ventings", late, intake=2))
        writer.add_rows("quarantine", held_rows(2, intake=2))
        writer.commit(
            kind="intake", today=dt.date(2026, 10, 7), sources=[],
            counts={"ventings": {"accepted": 40, "quarantined": 2}},
        )  # fmt: skip
    review = run_page("quarterly-review", path, tmp_path / "out", period="2026Q3")
    records = run_page("records", path, tmp_path / "out", period="2026Q3")
    assert "Of 102 rows handed in so far, 32 rows are held back" in review.text
    assert "Of 42 rows that came in with the ventings of 2026Q3, 2 are held back" in review.text
    assert "32 of 102 rows" not in review.text and "of the period's deliveries" not in review.text
    shares = [next(f for f in r.findings if f["id"] == "quarantined_share") for r in (review, records)]
    assert [(s["n"], s["estimate"]) for s in shares] == [(102, pytest.approx(32 / 102))] * 2
    before = run_page("quarterly-review", path, tmp_path / "out2", period="2026Q2")
    assert "30 of 60 rows handed in with the ventings of 2026Q2 are held back" in before.text


def held_rows(n: int, *, intake: int) -> pa.Table:
    rows = [
        {"file": "v.csv", "sheet": "", "line": k + 2, "table": "ventings", "column": "date", "code": "not_a_date", "intake": intake, "original": f'{{"date": "{intake}.{k}"}}'}
        for k in range(n)
    ]  # fmt: skip
    return pa.Table.from_pylist(rows, schema=st_store.QUARANTINE)


@pytest.mark.parametrize("high", [0.5, 0.4])
def test_the_limits_beside_a_store_count_for_python_users_as_for_reports(tmp_path, high):
    ventings = make_ventings(30)
    checks = make_checks(ventings, failing=4)
    for k in (0, 4, 8):
        checks[k]["gap_mm"] = 0.45
    tables = {"engines": make_engines(), "ventings": ventings, "lifter_checks": checks}
    store = make_store(tmp_path / "shop", tables)
    (store.parent / "limits.toml").write_text(gap_limits(high) + RETURN_FLOW, "utf-8")
    found = model.read_ventings(store)
    assert found["failed_first"].sum() == (4 if high == 0.5 else 7)
    lifters = model.read_lifters(open_store(store), as_of=1)
    assert set(lifters["limit_mm"]) == {high} and set(lifters["limit_status"]) == {"manual"}
    records = open_store(store).snapshot().records()
    pd.testing.assert_frame_equal(model.build_ventings(records), found)
    pd.testing.assert_frame_equal(model.build_lifters(records), lifters)
    steps = conformity.check_steps(records, found, lifters)
    assert set(steps.loc[steps["step"] == "gap_at_last_check", "limit_high"]) == {high}
    review = run_page("quarterly-review", store, tmp_path / "out", period="2026Q3")
    share = {f["estimate"] for f in review.findings if f["id"] == "failing_ventings"}
    assert share == {found["failed_first"].sum()}
    plain = model.build_lifters(dict(records))
    assert set(plain["limit_status"]) == {"placeholder"}


# ---- nobody else defines them ---------------------------------------------------------------------------------

ELSEWHERE = {
    "quarter": r"dt\.quarter|\+ 2\) // 3",
    "near the limit": r"2(\.0)? \* (u|gauge_u|\w+\[.gauge_u_mm.\])\b",
    "comparable": r"COMPARABLE_SHARE =|0\.8 \* .*force",
    "half second": r"STOPWATCH_STEP_S =|reading_step_s.\]\.fillna",
    "failing": r"lifters_over_(first|last).\](\.fillna\(0\))?(\.to_numpy\(\))?( > 0|\.gt\(0\))",
    "open": r"closed.\]\.isna\(\)",
}
HOME = {"half second": "model/intervals.py"}


@pytest.mark.parametrize("what", ELSEWHERE)
def test_a_definition_stands_once(what):
    home = PACKAGE / HOME.get(what, "model/verdicts.py")
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.stmt) and not isinstance(
                node, (ast.FunctionDef, ast.ClassDef, ast.If, ast.For, ast.With, ast.Try, ast.While)
            ):
                text = ast.unparse(node).replace("'", '"')
                if not text.startswith('"') and re.search(ELSEWHERE[what], text):
                    found.append(str(path.relative_to(PACKAGE)))
    assert set(found) <= {str(home.relative_to(PACKAGE))}, found
