"""What was recorded of each step, one row a step and venting (a start, a check): value, interval, source."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from ventbook import verdicts
from ventbook.dictionary import Limits
from ventbook.jobs.intervals import time_interval
from ventbook.numerics import find_places

COLUMNS = (
    "venting_id", "step", "item", "value", "low", "high", "unit", "comparable", "near", "source", "note",
)  # fmt: skip
READ = {
    "starts": ("venting_id", "start_no", "extra_run_speed_rpm", "extra_run_s"),
    "lifter_checks": ("venting_id", "check_no", "force_N", "hold_s"),
    "lifters": (
        "venting_id",
        "position",
        "gap_last_mm",
        "gap_last_corrected_mm",
        "comparable_last",
        "near_limit_last",
        "limit_mm",
    ),
}
"""What is read of each table besides the ventings' own."""


def collect_readings(
    records: dict[str, pd.DataFrame], jobs: pd.DataFrame, lifters: pd.DataFrame, *, limits: Limits
) -> pd.DataFrame:
    """All readings of all steps that apply, with the columns COLUMNS.

    A step that does not apply (return flow without a turbocharger, time under pressure where the tank was not
    pressurised) has no row; one that applies and was not written down has a row without value.
    """
    parts = [collect(jobs) for collect in _OF_A_VENTING]
    parts += [_list_extra_runs(records["starts"]), _list_checks(records["lifter_checks"], jobs, limits)]
    parts.append(_list_last_gaps(jobs, lifters))
    return pd.concat(parts, ignore_index=True)


def _rows(
    frame: pd.DataFrame,
    step: str,
    value: pd.Series,
    unit: str,
    *,
    where: pd.Series | None = None,
    low: pd.Series | None = None,
    high: pd.Series | None = None,
    comparable: pd.Series | bool = True,
    near: pd.Series | bool = False,
    source: pd.Series | str = "record",
    item: pd.Series | str = "",
    note: pd.Series | str = "",
) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "venting_id": frame["venting_id"],
            "step": step,
            "item": item,
            "value": value.astype(float),
            "low": np.nan if low is None else low.astype(float),
            "high": np.nan if high is None else high.astype(float),
            "unit": unit,
            "comparable": comparable,
            "near": near,
            "source": source,
            "note": note,
        },
        index=frame.index,
    )
    table["source"] = table["source"].where(table["value"].notna(), "")
    return table if where is None else table[where.fillna(False).astype(bool)]


def _yes(values: pd.Series) -> pd.Series:
    """Yes and no as 1 and 0, NaN where not recorded."""
    return values.astype("Float64").astype(float)


def _trace(jobs: pd.DataFrame, name: str, ok: str) -> pd.Series:
    """A trace's feature where the trace can be trusted for it, NaN elsewhere."""
    if name not in jobs or ok not in jobs:
        return pd.Series(np.nan, index=jobs.index)
    return jobs[name].astype(float).where(jobs[ok].fillna(False).astype(bool))


def _prefer_trace(trace: pd.Series, record: pd.Series) -> tuple[pd.Series, pd.Series]:
    source = pd.Series("record", index=record.index, dtype="str").mask(trace.notna(), "trace")
    return trace.where(trace.notna(), record.astype(float)), source


def _list_tank(jobs: pd.DataFrame) -> pd.DataFrame:
    pressure = jobs["tank_overpressure_bar"]
    # Not recorded at all is one fault, not three: the two steps that hang on it have no row then.
    empty = _either(jobs["lines_empty"], jobs["cooler_empty"])
    pressed = pressure > 0
    return pd.concat(
        [
            _rows(jobs, "tank_overpressure", pressure, "bar", where=pressed | pressure.isna()),
            _rows(jobs, "tank_overpressure_when_empty", pressure, "bar", where=empty & pressure.notna()),
            _rows(
                jobs, "pressurised_before_turning", jobs["pressurised_before_turning_s"], "s", where=pressed
            ),
        ]
    )


def _either(a: pd.Series, b: pd.Series) -> pd.Series:
    return (a.fillna(False) | b.fillna(False)).astype(bool)


def _list_turning(jobs: pd.DataFrame) -> pd.DataFrame:
    speed = jobs["turning_speed_rpm"] * jobs["rotations_per_count"]
    by_hand = jobs["turned_by"].eq("hand")
    made, source = _prefer_trace(
        _trace(jobs, "trace_turning_rotations_to_pressure", "trace_turning_ok_rotations"),
        jobs["rotations_crank"],
    )
    return pd.concat(
        [
            _rows(jobs, "plugs_removed", _yes(jobs["plugs_removed"]), "1"),
            _rows(jobs, "turning_speed", speed, "rpm", where=by_hand),
            _rows(jobs, "rotations_max", made, "1", source=source),
            _rows(
                jobs,
                "pressure_threshold",
                jobs["pressure_threshold_bar"],
                "bar",
                where=jobs["pressure_shown"].fillna(False),
            ),
            _rows(jobs, "pressure_shown_turning", _yes(jobs["pressure_shown"]), "1"),
            _rows(jobs, "turned_backwards", _yes(jobs["turned_backwards"]), "1"),
            _rows(jobs, "tank_ran_low", _yes(jobs["tank_ran_low"]), "1"),
        ]
    )


def _list_first_start(jobs: pd.DataFrame) -> pd.DataFrame:
    started = jobs["start_pressure_shown"].notna() | jobs["time_to_pressure_s"].notna()
    given_up = ~jobs["start_pressure_shown"].fillna(True).astype(bool)
    note = pd.Series("", index=jobs.index).mask(given_up, "shut down without pressure")
    low, high = jobs["time_low_s"], jobs["time_high_s"]
    turbo = jobs["turbocharged"].fillna(False).astype(bool) & started & ~given_up
    flow_low, flow_high = time_interval(
        jobs["return_flow_time_s"], jobs["return_flow_seen"], jobs["reading_step_s"]
    )
    seen = _yes(jobs["return_flow_seen"])
    return pd.concat(
        [
            _rows(
                jobs,
                "time_to_pressure",
                jobs["time_to_pressure_s"].where(low.notna()),
                "s",
                low=low,
                high=high,
                source=jobs["time_source"],
                note=note,
            ),
            _rows(jobs, "return_flow_seen", seen, "1", where=turbo),
            _rows(
                jobs,
                "return_flow_time",
                jobs["return_flow_time_s"].where(flow_low.notna()),
                "s",
                where=turbo,
                low=flow_low,
                high=flow_high,
                note=pd.Series("", index=jobs.index).mask(seen.eq(0), "not seen until then"),
            ),
        ]
    )


def _list_warm_up(jobs: pd.DataFrame) -> pd.DataFrame:
    ran = jobs["start_pressure_shown"].fillna(False).astype(bool)
    hold, hold_source = _prefer_trace(
        _trace(jobs, "trace_seconds_first_hold", "trace_ok_speed"), jobs["first_hold_s"]
    )
    top, top_source = _prefer_trace(
        _trace(jobs, "trace_speed_max_cold_rpm", "trace_ok_speed"), jobs["warmup_speed_max_rpm"]
    )
    warm, warm_source = _prefer_trace(
        _trace(jobs, "trace_temperature_end_degC", "trace_ok_speed"), jobs["warmup_end_oil_temperature_degC"]
    )
    return pd.concat(
        [
            _rows(jobs, "first_hold_speed", jobs["first_hold_speed_rpm"], "rpm", where=ran),
            _rows(jobs, "first_hold", hold, "s", where=ran, source=hold_source),
            _rows(jobs, "warmup_speed", top, "rpm", where=ran, source=top_source),
            _rows(jobs, "warmup_end_oil_temperature", warm, "degC", where=ran, source=warm_source),
        ]
    )


def _list_after_check(jobs: pd.DataFrame) -> pd.DataFrame:
    checked = jobs["lifters_checked"].fillna(0).astype(float)
    share = (checked / jobs["lifters_fitted"].astype(float)).where(checked > 0)
    note = checked.astype(int).astype(str) + " of " + jobs["lifters_fitted"].astype("Int64").astype(str)
    failed = jobs["failed_first"].fillna(False).astype(bool)
    runs = (jobs["extra_runs"].fillna(0) > 0).astype(float)
    still_over = _yes(verdicts.is_open_finding(jobs["failed_last"], jobs["closed"]))
    return pd.concat(
        [
            _rows(jobs, "all_lifters_checked", share, "1", note=note),
            _rows(jobs, "extra_run_after_finding", runs, "1", where=failed),
            _rows(
                jobs,
                "open_finding_at_release",
                jobs["lifters_over_last"].astype(float).where(still_over.notna()),
                "1",
                where=jobs["closed"].notna() & (checked > 0),
            ),
        ]
    )


_OF_A_VENTING: tuple[Callable[[pd.DataFrame], pd.DataFrame], ...] = (
    _list_tank,
    _list_turning,
    _list_first_start,
    _list_warm_up,
    _list_after_check,
)


def _list_extra_runs(starts: pd.DataFrame) -> pd.DataFrame:
    run = starts["extra_run_s"].notna() | starts["extra_run_speed_rpm"].notna()
    item = "start " + starts["start_no"].astype(str)
    return pd.concat(
        [
            _rows(starts, "extra_run_speed", starts["extra_run_speed_rpm"], "rpm", where=run, item=item),
            _rows(starts, "extra_run", starts["extra_run_s"], "s", where=run, item=item),
        ]
    )


def _list_checks(checks: pd.DataFrame, jobs: pd.DataFrame, limits: Limits) -> pd.DataFrame:
    """Force and hold of each check of ``jobs``: the reading with the least margin speaks for the check."""
    place = find_places(checks["venting_id"], jobs["venting_id"])
    code, numbers = pd.factorize(checks["check_no"])
    check = place * len(numbers) + code
    parts = []
    for step, column, unit in (("check_force", "force_N", "N"), ("check_hold", "hold_s", "s")):
        limit = limits.frame(step, jobs["engine_type"], jobs["date"])
        low, high = limit["low"].fillna(-np.inf).to_numpy(), limit["high"].fillna(np.inf).to_numpy()
        value = checks[column].to_numpy(float)
        margin = np.minimum(value - low[place], high[place] - value)
        # A missing reading ranks last: a check with any reading off its limit is judged by that reading.
        order = np.lexsort((margin, check))
        begins = np.flatnonzero(np.diff(check[order], prepend=-1))
        size = np.diff(begins, append=len(order))
        read = np.add.reduceat(~np.isnan(value[order]), begins, dtype=int)
        note = [
            f"{n} of {m} lifters with a reading" if n < m else "" for m, n in zip(size, read, strict=True)
        ]
        worst = checks[["venting_id", "check_no", column]].take(order[begins])
        item = "check " + worst["check_no"].astype(str)
        parts.append(
            _rows(worst, step, worst[column], unit, item=item, note=pd.Series(note, worst.index, dtype="str"))
        )
    return pd.concat(parts)


def _list_last_gaps(jobs: pd.DataFrame, lifters: pd.DataFrame) -> pd.DataFrame:
    """The worst lifter of each venting at its last check."""
    gap = lifters["gap_last_corrected_mm"]
    # A light press that shows no finding says nothing: it ranks over any lifter that is within.
    rank = gap.where(lifters["comparable_last"].fillna(True).astype(bool), lifters["limit_mm"] - 1e-9)
    order = lifters.assign(rank=rank.fillna(-1.0)).sort_values(["venting_id", "rank"], kind="stable")
    worst = order.drop_duplicates("venting_id", keep="last").set_index("venting_id")
    table = worst.reindex(jobs["venting_id"]).reset_index()
    value = table["gap_last_corrected_mm"]
    over = jobs["lifters_over_last"].astype(float).to_numpy()
    note = pd.Series([f"{n:.0f} lifters over" if n > 1 else "" for n in over], index=table.index)
    corrected = value.ne(table["gap_last_mm"]) & value.notna()
    note = note.mask(
        corrected, note.str.cat(["corrected to the limit's force and hold"] * len(note), sep=" ").str.strip()
    )
    return _rows(
        table,
        "gap_at_last_check",
        value,
        "mm",
        near=table["near_limit_last"].fillna(False).astype(bool),
        comparable=table["comparable_last"].fillna(True).astype(bool),
        item=table["position"].fillna(""),
        note=note,
    )
