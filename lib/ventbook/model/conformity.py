"""Each recorded step of a venting (a start, a check) held against the limit in force on its date for its engine type.

A reading is within, outside, near the limit, not comparable, not recorded, without a limit, or a fact. Here are the recorded
steps with value, interval and source, their verdicts, and what these come to by group, by venting and today. A verdict says
nothing about release: it compares a record with a manual's limit, or with a placeholder, and says with which.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import chain
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.model import verdicts
from ventbook.model.intervals import time_interval
from ventbook.model.lifters import choose_limits
from ventbook.numerics import Floats, find_places, is_among
from ventbook.records.store import Records
from ventbook.tables import Limit, Limits, load_steps

VERDICTS = ("within", "outside", "near_limit", "not_comparable", "not_recorded", "no_limit", "fact")
JUDGED = ("within", "outside", "near_limit")
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
_OF_A_CHECK = {"check_force": "force_N", "check_hold": "hold_s"}
Rows = npt.NDArray[np.intp]
Step = tuple[str, pd.DataFrame]
"""A step's name and its readings: ``place`` is the row of the venting."""
CONTEXT = ("engine_id", "engine_type", "site", "date", "quarter")
REPORT_COLUMNS = (
    "venting_id",
    *CONTEXT,
    "step",
    "item",
    "value",
    "unit",
    "limit_low",
    "limit_high",
    "verdict",
    "margin",
    "status",
    "revision",
    "source",
    "limit_source",
    "note",
)


def judge(readings: pd.DataFrame, *, fact: str = "") -> pd.DataFrame:
    """Verdict and margin of each reading of a step.

    ``readings`` carries value; low and high (what the reading stands for: (low, high]; NaN for a reading taken as
    exact); limit_low and limit_high (NaN: open); comparable (False: taken at another force or hold); near (True: the
    gauge cannot tell the reading from its limit).
    A value on a limit is within it. Where the reading is an interval it is within when all of it is, outside when
    none of it is, else near_limit. The margin is the distance from the value to the nearer limit in the reading's
    unit, positive inside and negative outside; NaN without value or limit.

    A fact (``fact`` of the step in ``data/steps.toml``: turned backwards, ...) is "fact" where no limit makes it "outside":
    it needs no limit to be listed, and no limit makes it within.

    Returns verdict (its place in VERDICTS) and margin, on the same index.
    """
    value, low, high, floor, ceiling = (
        readings[name].to_numpy(float) for name in ("value", "low", "high", "limit_low", "limit_high")
    )
    floor, ceiling = np.where(np.isnan(floor), -np.inf, floor), np.where(np.isnan(ceiling), np.inf, ceiling)
    exact = np.isnan(low) | np.isnan(high)
    inside = np.where(exact, (value >= floor) & (value <= ceiling), (low >= floor) & (high <= ceiling))
    # (low, high] lies over the ceiling when low does not fall short of it, under the floor when high does.
    beyond = np.where(exact, (value < floor) | (value > ceiling), (high < floor) | (low >= ceiling))
    found = {
        "not_recorded": np.isnan(value),
        "no_limit": np.isinf(floor) & np.isinf(ceiling),
        "not_comparable": ~readings["comparable"].to_numpy(bool),
        "near_limit": readings["near"].to_numpy(bool),
        "within": inside,
        "outside": beyond,
    }
    verdict = np.select(list(found.values()), list(map(VERDICTS.index, found)), VERDICTS.index("near_limit"))
    verdict[_is_fact(fact, value) & (verdict != VERDICTS.index("outside"))] = VERDICTS.index("fact")
    with np.errstate(invalid="ignore"):
        margin = np.minimum(value - floor, ceiling - value)
    margin[~np.isfinite(margin)] = np.nan
    return pd.DataFrame({"verdict": verdict, "margin": margin}, readings.index)


def _is_fact(kind: str, value: Floats) -> npt.NDArray[np.bool_]:
    """Which values of a step are facts to be listed for every shop, whatever its limits."""
    return np.asarray(value > 0 if kind == "some" else value == {"yes": 1, "no": 0}.get(kind, np.nan))


def _rows(
    frame: pd.DataFrame,
    value: pd.Series,
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
            "place": frame["place"],
            "item": item,
            "value": value.astype(float),
            "low": np.nan if low is None else low.astype(float),
            "high": np.nan if high is None else high.astype(float),
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


def _list_tank(jobs: pd.DataFrame) -> Iterator[Step]:
    pressure = jobs["tank_overpressure_bar"]
    # Not recorded at all is one fault, not three: the two steps that hang on it have no row then.
    empty = _either(jobs["lines_empty"], jobs["cooler_empty"])
    pressed = pressure > 0
    yield "tank_overpressure", _rows(jobs, pressure, where=pressed | pressure.isna())
    yield "tank_overpressure_when_empty", _rows(jobs, pressure, where=empty & pressure.notna())
    yield "pressurised_before_turning", _rows(jobs, jobs["pressurised_before_turning_s"], where=pressed)


def _either(a: pd.Series, b: pd.Series) -> pd.Series:
    return (a.fillna(False) | b.fillna(False)).astype(bool)


def _list_turning(jobs: pd.DataFrame) -> Iterator[Step]:
    speed = jobs["turning_speed_rpm"] * jobs["rotations_per_count"]
    made, source = _prefer_trace(
        _trace(jobs, "trace_turning_rotations_to_pressure", "trace_turning_ok_rotations"),
        jobs["rotations_crank"],
    )
    yield "plugs_removed", _rows(jobs, _yes(jobs["plugs_removed"]))
    yield "turning_speed", _rows(jobs, speed, where=jobs["turned_by"].eq("hand"))
    yield "rotations_max", _rows(jobs, made, source=source)
    yield "pressure_threshold", _rows(jobs, jobs["pressure_threshold_bar"], where=jobs["pressure_shown"])
    yield "pressure_shown_turning", _rows(jobs, _yes(jobs["pressure_shown"]))
    yield "turned_backwards", _rows(jobs, _yes(jobs["turned_backwards"]))
    yield "tank_ran_low", _rows(jobs, _yes(jobs["tank_ran_low"]))


def _list_first_start(jobs: pd.DataFrame) -> Iterator[Step]:
    started = jobs["start_pressure_shown"].notna() | jobs["time_to_pressure_s"].notna()
    given_up = ~jobs["start_pressure_shown"].fillna(True).astype(bool)
    low, high = jobs["time_low_s"], jobs["time_high_s"]
    turbo = jobs["turbocharged"].fillna(False).astype(bool) & started & ~given_up
    flow_low, flow_high = time_interval(
        jobs["return_flow_time_s"], jobs["return_flow_seen"], jobs["reading_step_s"]
    )
    seen = _yes(jobs["return_flow_seen"])
    yield (
        "time_to_pressure",
        _rows(
            jobs,
            jobs["time_to_pressure_s"].where(low.notna()),
            low=low,
            high=high,
            source=jobs["time_source"],
            note=_say_where(given_up, "shut down without pressure"),
        ),
    )
    yield "return_flow_seen", _rows(jobs, seen, where=turbo)
    yield (
        "return_flow_time",
        _rows(
            jobs,
            jobs["return_flow_time_s"].where(flow_low.notna()),
            where=turbo,
            low=flow_low,
            high=flow_high,
            note=_say_where(seen.eq(0), "not seen until then"),
        ),
    )


def _say_where(rows: pd.Series, text: str) -> pd.Series:
    return pd.Series("", rows.index).mask(rows, text)


def _list_warm_up(jobs: pd.DataFrame) -> Iterator[Step]:
    ran = jobs["start_pressure_shown"]
    yield "first_hold_speed", _rows(jobs, jobs["first_hold_speed_rpm"], where=ran)
    for step, feature, column in (
        ("first_hold", "trace_seconds_first_hold", "first_hold_s"),
        ("warmup_speed", "trace_speed_max_cold_rpm", "warmup_speed_max_rpm"),
        (
            "warmup_end_oil_temperature",
            "trace_temperature_end_degC",
            "warmup_end_oil_temperature_degC",
        ),
    ):
        value, source = _prefer_trace(_trace(jobs, feature, "trace_ok_speed"), jobs[column])
        yield step, _rows(jobs, value, where=ran, source=source)


def _list_after_check(jobs: pd.DataFrame) -> Iterator[Step]:
    checked = jobs["lifters_checked"].fillna(0).astype(float)
    share = (checked / jobs["lifters_fitted"].astype(float)).where(checked > 0)
    note = checked.astype(int).astype(str) + " of " + jobs["lifters_fitted"].astype("Int64").astype(str)
    runs = (jobs["extra_runs"].fillna(0) > 0).astype(float)
    still_over = _yes(verdicts.is_open_finding(jobs["failed_last"], jobs["closed"]))
    over = jobs["lifters_over_last"].astype(float).where(still_over.notna())
    yield "all_lifters_checked", _rows(jobs, share, note=note)
    yield "extra_run_after_finding", _rows(jobs, runs, where=jobs["failed_first"])
    yield "open_finding_at_release", _rows(jobs, over, where=jobs["closed"].notna() & (checked > 0))


_OF_A_VENTING: tuple[Callable[[pd.DataFrame], Iterator[Step]], ...] = (
    _list_tank,
    _list_turning,
    _list_first_start,
    _list_warm_up,
    _list_after_check,
)


def _list_extra_runs(starts: pd.DataFrame) -> Iterator[Step]:
    item = "start " + starts["start_no"].astype(str)
    yield "extra_run_speed", _rows(starts, starts["extra_run_speed_rpm"], item=item)
    yield "extra_run", _rows(starts, starts["extra_run_s"], item=item)


def _list_checks(checks: pd.DataFrame) -> Iterator[Step]:
    item = "check " + checks["check_no"].astype(str)
    for step, column in _OF_A_CHECK.items():
        read, lifters = checks[f"{column}_read"], checks["lifters"]
        note = read.astype(str) + " of " + lifters.astype(str) + " lifters with a reading"
        yield step, _rows(checks, checks[column], item=item, note=note.where(read < lifters, ""))


def _list_last_gaps(jobs: pd.DataFrame, gaps: pd.DataFrame) -> Iterator[Step]:
    table = gaps.set_index("place").reindex(jobs["place"]).reset_index()
    value = table["gap_last_corrected_mm"]
    over = jobs["lifters_over_last"].astype(float).to_numpy()
    note = pd.Series([f"{n:.0f} lifters over" if n > 1 else "" for n in over], index=table.index)
    corrected = value.ne(table["gap_last_mm"]) & value.notna()
    note = note.mask(
        corrected, note.str.cat(["corrected to the limit's force and hold"] * len(note), sep=" ").str.strip()
    )
    yield (
        "gap_at_last_check",
        _rows(
            table,
            value,
            near=table["near_limit_last"].fillna(False).astype(bool),
            comparable=table["comparable_last"].fillna(True).astype(bool),
            item=table["position"].fillna(""),
            note=note,
        ),
    )


def _worst_readings(checks: pd.DataFrame, jobs: pd.DataFrame, limits: Limits) -> pd.DataFrame:
    """A row a check: of force and hold the reading with the least margin, which speaks for the check, and how many were read."""
    place = find_places(checks["venting_id"], jobs["venting_id"])
    number, numbers = pd.factorize(checks["check_no"])
    check, _ = pd.factorize(place * len(numbers) + number)
    found: dict[str, Any] = {}
    for step, column in _OF_A_CHECK.items():
        limit = limits.frame(step, jobs["engine_type"], jobs["date"])
        low, high = limit["low"].fillna(-np.inf).to_numpy(), limit["high"].fillna(np.inf).to_numpy()
        value = checks[column].to_numpy(float)
        margin = np.minimum(value - low[place], high[place] - value)
        # A missing reading ranks last: a check with any reading off its limit is judged by that reading.
        rank = np.where(np.isnan(value), np.inf, np.minimum(margin, np.finfo(float).max))
        worst = pd.Series(rank).groupby(check).idxmin().to_numpy(np.intp)
        found |= {column: value[worst], f"{column}_read": np.bincount(check, ~np.isnan(value)).astype(int)}
    ids = checks[["venting_id", "check_no"]].take(worst).reset_index(drop=True)
    return ids.assign(**found, lifters=np.bincount(check))


def _worst_gaps(lifters: pd.DataFrame) -> pd.DataFrame:
    """The worst lifter of each venting at its last check, the last of equal ones."""
    gap = lifters["gap_last_corrected_mm"]
    # A light press that shows no finding says nothing: it ranks over any lifter that is within.
    rank = gap.where(lifters["comparable_last"].fillna(True).astype(bool), lifters["limit_mm"] - 1e-9)
    venting, _ = pd.factorize(lifters["venting_id"])
    backwards = pd.Series(rank.fillna(-1.0).to_numpy()[::-1]).groupby(venting[::-1]).idxmax()
    return lifters.take(len(lifters) - 1 - backwards.to_numpy(np.intp))


def gather_readings(
    records: Mapping[str, pd.DataFrame], jobs: pd.DataFrame, lifters: pd.DataFrame, *, limits: Limits
) -> dict[str, pd.DataFrame]:
    """What is judged of other tables than the ventings' own, of each start, check and venting of ``jobs`` one row.

    The tables are ``starts`` (those with an extra run), ``checks`` and ``gaps``; arguments as in :func:`check_steps`.
    """
    take = records.take if isinstance(records, Records) else lambda name, read: records[name][list(read)]

    def read(name: str) -> pd.DataFrame:
        part = lifters[list(READ[name])] if name == "lifters" else take(name, READ[name])
        inside = is_among(part["venting_id"], jobs["venting_id"])
        return part if inside.all() else part[inside]

    starts = read("starts")
    # one large table after the other
    return {
        "starts": starts[starts["extra_run_s"].notna() | starts["extra_run_speed_rpm"].notna()],
        "checks": _worst_readings(read("lifter_checks"), jobs, limits),
        "gaps": _worst_gaps(read("lifters")),
    }


def judge_steps(
    gathered: Mapping[str, pd.DataFrame], jobs: pd.DataFrame, *, limits: Limits
) -> Iterator[Step]:
    """Every step that applies to every venting of ``jobs``, step by step, against the limit in force on its date.

    ``gathered`` is what :func:`gather_readings` gave of these ventings, or of more. A step that does not apply (return flow
    without a turbocharger, time under pressure where the tank was not pressurised) has no row; one that applies and was not
    written down has a row without value.

    Gives the step's name and a frame: place (row in ``jobs``), item, value, source, note, and limit_low, limit_high, status,
    revision, limit_source, verdict (its place in VERDICTS) and margin.
    """
    known, jobs = jobs["venting_id"], jobs.assign(place=np.arange(len(jobs)))
    own = {}
    for name, part in gathered.items():
        place = find_places(part["venting_id"], known)
        own[name] = part.assign(place=place)[place >= 0]
    pairs = jobs[["engine_type", "date"]].drop_duplicates()
    pair = jobs.groupby(["engine_type", "date"], sort=False, dropna=False).ngroup().to_numpy()
    listed = [collect(jobs) for collect in _OF_A_VENTING]
    listed += [
        _list_extra_runs(own["starts"]),
        _list_checks(own["checks"]),
        _list_last_gaps(jobs, own["gaps"]),
    ]
    for step, rows in chain.from_iterable(listed):
        kind = load_steps()[step]
        found, at = limits.find_distinct(kind.limit, pairs["engine_type"], pairs["date"])
        rows = rows.assign(**_lay_limits(found, at[pair[rows["place"]]]))
        judged = judge(rows, fact=kind.fact)
        yield step, rows.drop(columns=["low", "high", "comparable", "near"]).assign(**judged)


def _lay_limits(found: Sequence[Limit | None], which: Rows) -> dict[str, Any]:
    """The limit of each reading; a row that only states a condition (the force for which the gap is meant) judges nothing."""
    limits = [row if row is not None and row.judges else None for row in found]
    columns: dict[str, Any] = {}
    for name, of in (("limit_low", "low"), ("limit_high", "high")):
        values = [getattr(row, of) if row else None for row in limits]
        columns[name] = np.array([np.nan if v is None else v for v in values], dtype=float)[which]
    for name, of in (("status", "status"), ("revision", "revision"), ("limit_source", "source")):
        columns[name] = pd.array([getattr(row, of) if row else "" for row in limits], dtype="str").take(which)
    return columns


def lay_table(judged: Iterable[Step], jobs: pd.DataFrame) -> pd.DataFrame:
    """What :func:`judge_steps` gave as the frame of :func:`check_steps`, in the order of ``jobs`` and of the steps."""
    steps, parts = zip(*judged, strict=True)
    rows = pd.concat(parts, ignore_index=True)
    number = np.repeat(np.arange(len(steps)), [len(part) for part in parts])
    rank = np.array([list(load_steps()).index(step) for step in steps])[number]
    order = np.lexsort((pd.factorize(rows["item"], sort=True)[0], rank, rows["place"]))
    place, number = rows["place"].to_numpy()[order], number[order]
    units = [load_steps()[step].unit for step in steps]
    columns: dict[str, Any] = {name: jobs[name].array.take(place) for name in ("venting_id", *CONTEXT)}
    for name, texts in (("step", steps), ("unit", units)):
        columns[name] = pd.array(texts, dtype="str").take(number)
    columns["verdict"] = pd.array(VERDICTS, dtype="str").take(rows["verdict"].to_numpy()[order])
    columns |= {name: rows[name].array.take(order) for name in REPORT_COLUMNS if name not in columns}
    return pd.DataFrame(columns, columns=list(REPORT_COLUMNS), copy=False)


def check_steps(
    records: Mapping[str, pd.DataFrame],
    jobs: pd.DataFrame,
    lifters: pd.DataFrame,
    *,
    limits: Limits | None = None,
) -> pd.DataFrame:
    """Every step that applies to every venting of ``jobs``, against the limit in force on its date.

    ``records`` are the record tables (starts and lifter_checks are read), ``jobs`` and ``lifters`` the two analysis
    tables, which may be filtered; ``limits`` default to those beside the store that the records were read from.

    Returns the columns REPORT_COLUMNS, in the order of ``jobs`` and of the steps. ``verdict``: within, outside,
    near_limit (the reading can't be told from the limit), not_comparable (taken at another force or hold than the
    limit's), not_recorded, no_limit (none was entered), fact (needs no limit: see ``fact`` in ``data/steps.toml``).
    ``status`` is "manual" with its ``revision``, "placeholder", or "" without limit. ``source`` is record, stopwatch or trace. ``margin`` is in the
    reading's unit, negative outside.
    """
    limits = choose_limits(records, limits)
    gathered = gather_readings(records, jobs, lifters, limits=limits)
    return lay_table(judge_steps(gathered, jobs, limits=limits), jobs)


def sum_ventings(judged: Iterable[Step], jobs: pd.DataFrame) -> pd.DataFrame:
    """What the steps of :func:`judge_steps` come to, a row a venting on the index of ``jobs``.

    Columns: judged and within (steps), and off_procedure: whether any action before the first lifter check was outside its
    limit, for only what was done, and done by then, can go with what the check finds. It is False when every such action that
    applies is within or near, missing when one was not recorded and none was outside, or where there is none.
    """
    shape = (len(VERDICTS), len(jobs))
    every, before = np.zeros(shape, int), np.zeros(shape, int)
    for step, rows in judged:
        key = rows["verdict"].to_numpy() * shape[1] + rows["place"].to_numpy()
        counts = np.bincount(key, minlength=every.size).reshape(shape)
        every += counts
        kind = load_steps()[step]
        before += counts * (kind.kind == "action" and kind.before)
    judged_as = [VERDICTS.index(name) for name in JUDGED]
    outside = before[VERDICTS.index("outside")]
    known = before[judged_as].sum(axis=0)
    unknown = before[[VERDICTS.index(name) for name in ("not_comparable", "not_recorded")]].sum(axis=0)
    off = pd.Series(outside > 0, jobs.index, dtype="boolean")
    return pd.DataFrame(
        {
            "judged": every[judged_as].sum(axis=0),
            "within": every[VERDICTS.index("within")],
            "off_procedure": off.mask((outside == 0) & ((unknown > 0) | (known == 0))),
        },
        jobs.index,
    )


def summarise_steps(verdicts: pd.DataFrame, *, by: Sequence[str] = ()) -> pd.DataFrame:
    """Counts by step (and by the columns ``by``): one row for every combination that occurs, in the order of steps.

    Columns: step, title, kind, ``by``, rows, within, outside, near_limit, not_comparable, not_recorded, no_limit,
    fact, judged (within, outside or near_limit), status ("manual", "placeholder", "mixed" or "").
    """
    keys = [*by, "step"]
    counts = pd.crosstab([verdicts[key] for key in keys], verdicts["verdict"])
    counts = counts.reindex(columns=list(VERDICTS), fill_value=0).astype("Int64")
    counts.insert(0, "rows", counts.sum(axis=1).astype("Int64"))
    counts["judged"] = counts[list(JUDGED)].sum(axis=1).astype("Int64")
    known = verdicts.loc[(verdicts["status"] != "").to_numpy(), [*keys, "status"]].drop_duplicates()
    lowest, highest = (known.groupby(keys)["status"].agg(which) for which in ("min", "max"))
    status = lowest.where(lowest == highest, "mixed")
    counts["status"] = status.reindex(counts.index).fillna("").astype("str")
    counts = counts.reset_index()
    named = load_steps()
    counts.insert(len(keys), "title", counts["step"].map({k: s.title for k, s in named.items()}))
    counts.insert(len(keys) + 1, "kind", counts["step"].map({k: s.kind for k, s in named.items()}))
    order = counts["step"].map({name: number for number, name in enumerate(named)})
    return (
        counts.assign(order=order)
        .sort_values([*by, "order"], kind="stable")
        .drop(columns="order")
        .reset_index(drop=True)
    )


def describe_steps(verdicts: pd.DataFrame) -> pd.DataFrame:
    """What was recorded of each step, whether or not there is a limit: in the order of steps, indexed by step.

    Columns: recorded (readings), mean (the share of yes where a step is yes or no), low, middle, high (10, 50 and 90 %
    points of the readings as they stand).
    """
    known = verdicts[verdicts["value"].notna()]
    grouped = known.groupby("step", sort=False)["value"]
    table = pd.DataFrame({"recorded": grouped.size().astype("Int64"), "mean": grouped.mean()})
    for name, q in (("low", 0.1), ("middle", 0.5), ("high", 0.9)):
        table[name] = grouped.quantile(q)
    return table.reindex([name for name in load_steps() if name in table.index])


def list_facts(verdicts: pd.DataFrame) -> pd.DataFrame:
    """What needs no limit to be told (a finding open at closing, pressure never shown, ...), in the order of steps, newest first.

    Columns: step, fact (its words), venting_id, engine_id, site, date, value, note.
    """
    value = verdicts["value"].to_numpy(float)
    facts = [verdicts["step"].eq(name) & _is_fact(step.fact, value) for name, step in load_steps().items()]
    found = verdicts[np.logical_or.reduce(facts)]
    rank = found["step"].map({name: number for number, name in enumerate(load_steps())})
    found = found.assign(
        rank=rank, fact=found["step"].map({name: step.fact_title for name, step in load_steps().items()})
    )
    found = found.sort_values(
        ["rank", "date", "venting_id"], ascending=[True, False, True], kind="stable", ignore_index=True
    )
    return found[["step", "fact", "venting_id", "engine_id", "site", "date", "value", "note"]]


def count_not_recorded(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Steps by how often they were not recorded where they apply, most often first.

    Columns: step, title, rows, not_recorded, share.
    """
    table = summarise_steps(verdicts)[["step", "title", "rows", "not_recorded"]]
    table["share"] = table["not_recorded"].astype(float) / table["rows"].astype(float)
    return table.sort_values(["share", "rows"], ascending=[False, False], kind="stable").reset_index(
        drop=True
    )


def find_latest(jobs: pd.DataFrame) -> pd.DataFrame:
    """Each engine's latest venting: venting_id, engine_id and date."""
    dated = jobs[["venting_id", "engine_id", "date"]].sort_values(["date", "venting_id"], kind="stable")
    return dated.drop_duplicates("engine_id", keep="last")


def list_open_findings(verdicts: pd.DataFrame, jobs: pd.DataFrame, *, today: dt.date) -> pd.DataFrame:
    """Ventings that ended, as recorded up to today, with a lifter over the limit or without return flow.

    Only an engine's latest venting counts: an earlier finding has been followed by a later job, which shows how it
    stands now. ``jobs`` must hold all ventings of the engines, not a period's alone. Newest first. Columns:
    venting_id, engine_id, site, date, closed, open (missing: closing isn't recorded there), finding, value, unit, limit_high, status,
    revision, days (from the venting to ``today``).
    """
    latest = find_latest(jobs)
    # Return flow that was not seen is a finding whether or not a limit asks for it.
    wanted = verdicts["step"].eq("gap_at_last_check") & verdicts["verdict"].eq("outside")
    wanted |= verdicts["step"].eq("return_flow_seen") & verdicts["value"].eq(0)
    found = verdicts[wanted & is_among(verdicts["venting_id"], latest["venting_id"])]
    found = found.merge(jobs[["venting_id", "closed", "open"]], on="venting_id", how="left")
    titles = {name: step.title for name, step in load_steps().items()}
    item = (" (" + found["item"] + ")").where(found["item"] != "", "")
    found["finding"] = found["step"].map(titles) + item
    found["days"] = (pd.Timestamp(today) - found["date"]).dt.days.astype("Int64")
    columns = [
        "venting_id",
        "engine_id",
        "site",
        "date",
        "closed",
        "open",
        "finding",
        "value",
        "unit",
        "limit_high",
    ]
    found = found.sort_values(["date", "venting_id"], ascending=[False, True], kind="stable")
    return found[[*columns, "status", "revision", "days"]].reset_index(drop=True)
