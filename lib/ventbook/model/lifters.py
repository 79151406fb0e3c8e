"""One row a lifter and venting: first and last reading at reference force, and how sure it is over the limit.

Each row also says whether the engine ran between the two checks: as recorded, or as told from the recorded starts.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.extensions import ExtensionArray

from ventbook import tables
from ventbook.model import verdicts
from ventbook.numerics import find_places
from ventbook.physics import gauge, lifter
from ventbook.records.store import Records
from ventbook.tables import Gauges, Limits

PART_READINGS = 500_000
"""Readings that are worked on at once; more are done one part after the other, which bounds memory."""
MOST_STARTS = 1000  # start numbers are far under it
Rows = npt.NDArray[np.intp]
Yes = npt.NDArray[np.bool_]
FEED_ORDER = "feed_order"
_READING = (
    "check_no",
    "after_start",
    "force_N",
    "hold_s",
    "gap_at_once_mm",
    "gap_at_once_time_s",
    "gap_at_once_force_N",
    "gap_no_force_mm",
    "second_force_N",
    "second_gap_mm",
    "gap_mm",
    "late_gap_mm",
    "late_gap_time_s",
    "gap_released_mm",
    "lifter_id",
    "lifter_history",
    "oil_temperature_degC",
    "feel",
    "gauge",
    "technician",
)
_FIRST = {
    "gap_mm": "gap_first_mm",
    "gap_corrected_mm": "gap_first_corrected_mm",
    "over": "over_first",
    "comparable": "comparable_first",
    "over_probability": "over_probability_first",
    "near_limit": "near_limit_first",
    "gap_unbiased_mm": "gap_first_unbiased_mm",
    "over_as_read": "over_first_as_read",
    "over_as_corrected": "over_first_as_corrected",
    "check_no": "first_check_no",
    "after_start": "first_after_start",
}
_LAST = {"gauge_last": "gauge", "last_check_no": "check_no", "last_after_start": "after_start"}
_STARTS = ("first_after_start", "last_after_start")
_JUDGED = ("comparable", "over", "over_probability", "near_limit", "over_as_read", "over_as_corrected")
_GAUGE = ("gauge_u_mm", "gauge_u_assumed", "gauge_bias_mm", "gauge_bias_u_mm", "gauge_bias_kind")
_GAPS = (
    "gap_mm",
    "gap_at_once_mm",
    "gap_no_force_mm",
    "second_gap_mm",
    "late_gap_mm",
    "gap_released_mm",
)
_LIMITS = ("force_reference", "force_low", "force_high", "hold_reference", "hold_low", "hold_high")
_CONTEXT = ("engine_id", "date", "site", "reason", "lifter_lot", "oil_grade", "elevation_m")
_ENGINE = (
    "engine_type",
    FEED_ORDER,
    "rocker_ratio",
    "plunger_diameter_mm",
    "plunger_spring_force_N",
    "plunger_spring_rate_N_per_mm",
    "plunger_travel_mm",
    "plunger_land_mm",
    "plunger_clearance_um",
)
_KEY = ("venting_id", "cylinder", "valve")
SPLIT = (
    "cause", *(f"{part}_probability" for part in lifter.CAUSES), "trapped_air_mm3", "growth_um_per_s",
    "air_likelihood", "leak_down_likelihood",
)  # fmt: skip
"""What a finding's gap is made of: most of the work, done where one of these is asked for."""
MOST_CYLINDERS = 12


def tell_run_between(
    since: Any,
    until: Any,
    *,
    again: Yes,
    venting: Rows,
    venting_id: pd.Series,
    records: Mapping[str, pd.DataFrame],
) -> tuple[pd.arrays.BooleanArray, pd.arrays.BooleanArray]:
    """(run between the two checks: yes, no, or missing where unknown; taken as between though not recorded).

    Where both numbers are recorded they decide. Where one is empty, the runs that may lie between are those after the
    first check's number (an empty one: after the first run, for lifters are read after it) up to the last check's (an
    empty one: the last run before the job was closed). Exactly one is taken as the run between; none or several
    leave it unknown. A start that was shut down without pressure is no run.

    Parameters
    ----------
    since, until : ``after_start`` of the first and the last check of each lifter, missing where empty.
    again : the lifter was read more than once; else there is nothing to lie between, which is a no.
    venting : place of each lifter's venting in ``venting_id`` (each id once).
    records : ``starts`` and ``ventings`` as the store gives them; without starts, nothing can be told.
    """
    between: pd.arrays.BooleanArray = pd.array(until > since, dtype="boolean")
    between[~again] = False
    taken: pd.arrays.BooleanArray = pd.array(np.zeros(len(between), dtype=bool), dtype="boolean")
    open_rows = np.flatnonzero(between.isna())
    if not len(open_rows):
        return between, taken
    runs = _order_runs(records, venting_id)
    place = venting[open_rows]
    first = np.searchsorted(runs, place * MOST_STARTS)
    first_run = (
        np.append(runs, -1)[first] - place * MOST_STARTS
    )  # of ventings without a run: outside, told below
    low = _numbers(since, open_rows, first_run)
    high = _numbers(until, open_rows, np.full(len(place), MOST_STARTS - 1))
    counts = np.searchsorted(runs, place * MOST_STARTS + high, "right")
    counts -= np.searchsorted(runs, place * MOST_STARTS + low, "right")
    has_run = (first_run > 0) & (first_run < MOST_STARTS)
    taken[open_rows[(counts == 1) & has_run]] = True
    between[taken.to_numpy(bool)] = True
    return between, taken


def count_runs_taken(lifters: pd.DataFrame) -> tuple[int, int]:
    """How many runs between first and last check are taken from the starts on record, and how many are unknown.

    Parameters
    ----------
    lifters : DataFrame
        The columns over_first, cured, checks, extra_run_between and run_between_taken of the lifter table.

    Returns
    -------
    taken : int
        Lifters over the limit at the first check and read again whose run between is taken from the starts on
        record.
    unknown : int
        Those where a run between is unknown, which count neither as cured nor as not cured.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook import model
    >>> taken, unknown = model.count_runs_taken(ventbook.read_lifters("data/demo/store"))
    >>> taken >= 0, unknown >= 0
    (True, True)
    """
    over = lifters["over_first"].fillna(False).to_numpy(bool)
    taken = over & lifters["run_between_taken"].to_numpy(bool) & lifters["cured"].notna().to_numpy()
    unknown = over & (lifters["checks"] > 1).to_numpy(bool) & lifters["extra_run_between"].isna().to_numpy()
    return int(taken.sum()), int(unknown.sum())


def _order_runs(records: Mapping[str, pd.DataFrame], venting_id: pd.Series) -> npt.NDArray[np.int64]:
    """Runs in which pressure showed, none after the job's closing, as place of the venting and number, rising."""
    starts = records.get("starts")
    if starts is None or starts.empty:
        return np.zeros(0, dtype=np.int64)
    place = find_places(starts["venting_id"], venting_id)
    ran = (place >= 0) & starts["pressure_shown"].fillna(False).to_numpy(dtype=bool)
    ventings = records["ventings"]
    if "started_at" in starts and "closed" in ventings:
        at = find_places(starts["venting_id"], ventings["venting_id"])
        closed = ventings["closed"].to_numpy(dtype="datetime64[us]")[at]
        ran &= ~(starts["started_at"].to_numpy(dtype="datetime64[us]") >= closed + np.timedelta64(1, "D"))
    key = place[ran] * MOST_STARTS + starts["start_no"].to_numpy(dtype=np.int64)[ran]
    return np.sort(key)


def _numbers(values: Any, rows: Rows, instead: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Whole numbers of some rows, others in place of missing ones."""
    part = values.take(rows)
    found: npt.NDArray[np.int64] = np.where(part.isna(), instead, part.to_numpy(np.int64, na_value=0))
    return found


def build_lifters(
    records: Mapping[str, pd.DataFrame],
    *,
    limits: Limits | None = None,
    gauges: Gauges | None = None,
    columns: Iterable[str] | None = None,
) -> pd.DataFrame:
    """One row a lifter and venting from record tables: first and last reading, verdicts, cure and cause.

    Parameters
    ----------
    records : mapping of str to DataFrame
        Record tables by name, as a snapshot's ``records()`` gives them.
    limits : Limits, optional
        Limits in force; default see :func:`choose_limits`.
    gauges : Gauges, optional
        Register of gauges: bias and uncertainty in force on the day of each reading; default see
        :func:`choose_gauges`.
    columns : iterable of str, optional
        Only these (all of them take half a gigabyte for a million lifters); default all.

    Returns
    -------
    DataFrame
        Sorted by date, venting, cylinder and valve; columns as :func:`ventbook.tables.describe_columns` says.

    Notes
    -----
    ``gap_*_corrected_mm`` is brought to the limit's force and hold (the reading itself where it was taken at
    them), ``gap_*_unbiased_mm`` the same with the gauge's bias taken out besides. Probability, near-limit
    class, trapped air and cause go by the latter; ``over_*`` by the one that the register lets decide, with
    ``over_*_as_read`` and ``over_*_as_corrected`` beside it. It is missing where the reading is not comparable; ``cured`` is over at the first check, not over
    at the last, with a run between. ``ventbook.read_lifters`` does it from a store.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook import model
    >>> records = ventbook.open_store("data/demo/store").snapshot().records()
    >>> model.build_lifters(records, columns=["venting_id", "cured"]).columns.tolist()
    ['venting_id', 'cured']
    """
    parts = list(build_parts(records, limits=limits, gauges=gauges, columns=columns))
    if len(parts) == 1:
        return parts[0]
    # a column is let go as soon as it is joined, so that the table is never held twice
    joined: dict[str, pd.Series] = {}
    for name in map(str, list(parts[0])):
        pieces: list[pd.Series] = [part.pop(name) for part in parts]
        joined[name] = pd.concat(pieces, ignore_index=True)
    return pd.DataFrame(joined, copy=False)


def build_parts(
    records: Mapping[str, pd.DataFrame],
    *,
    limits: Limits | None = None,
    gauges: Gauges | None = None,
    columns: Iterable[str] | None = None,
) -> Iterator[pd.DataFrame]:
    """The table of :func:`build_lifters` in parts of about PART_READINGS readings, in its order, for whoever can't hold it whole."""
    limits = choose_limits(records, limits)
    gauges = choose_gauges(records, gauges)
    chosen = None if columns is None else list(columns)
    for mine, ventings in _split_readings(records, _list_ventings(records, limits)):
        yield _build_part(mine, ventings, gauges, chosen)


def _split_readings(
    records: Mapping[str, pd.DataFrame], ventings: pd.DataFrame
) -> Iterator[tuple[Mapping[str, pd.DataFrame], pd.DataFrame]]:
    """Records of some ventings, and these, in parts of about so many readings as are worked on at once."""
    checks = records["lifter_checks"]
    if len(checks) <= PART_READINGS:
        yield records, ventings
        return
    places = {
        name: find_places(records[name]["venting_id"], ventings["venting_id"])
        for name in ("lifter_checks", "starts", "ventings")
        if name in records
    }
    place = places["lifter_checks"]
    upto = np.cumsum(np.bincount(place[place >= 0], minlength=len(ventings)))
    ends = np.searchsorted(upto, np.arange(PART_READINGS, len(checks), PART_READINGS)) + 1
    begin = 0
    for end in [*np.unique(np.minimum(ends, len(ventings))).tolist(), len(ventings)]:
        if end > begin:
            own = {name: records[name][(at >= begin) & (at < end)] for name, at in places.items()}
            yield own, ventings.iloc[begin:end].reset_index(drop=True)
        begin = end


def _build_part(
    records: Mapping[str, pd.DataFrame],
    ventings: pd.DataFrame,
    gauges: Gauges,
    columns: list[str] | None,
) -> pd.DataFrame:
    """The lifters of these ventings, from checks of theirs."""
    checks = records["lifter_checks"]
    order, place, begins = _order_readings(checks, ventings["venting_id"])
    read = _at_reference(checks, ventings, order, place, gauges)
    ends = np.append(begins[1:], len(order)) - 1 if len(order) else begins
    first, last, venting = order[begins], order[ends], place[begins]
    # Columns as values and the rows of them, each taken once: a sort or a join of the whole table costs many times this.
    found: dict[str, tuple[Any, Rows]] = {name: (checks[name].array, first) for name in (*_KEY, *_READING)}
    found |= {
        name: (ventings[name].array, venting)
        for name in (*_CONTEXT, *_ENGINE, "quarter")
        if name != FEED_ORDER
    }
    every = np.arange(len(begins))
    cylinder, valve = (checks[name].array.take(first) for name in _KEY[1:])
    found["position"] = _name_positions(cylinder, valve), every
    found["feed_rank"] = _feed_rank(ventings[FEED_ORDER], venting, cylinder), every
    found |= {
        "limit_mm": (read["limit_mm"], begins),
        "limit_status": (ventings["limit_status"].array, venting),
    }
    found |= {
        name: (read[name], begins)
        for name in (*_GAUGE, "gap_corrected_mm", "corrected", "gap_unbiased_mm", *_JUDGED)
    }
    found = {_FIRST.get(name, name): column for name, column in found.items()}
    found |= {
        "gap_last_mm": (checks["gap_mm"].array, last),
        "gap_last_corrected_mm": (read["gap_corrected_mm"], ends),
        "gap_last_unbiased_mm": (read["gap_unbiased_mm"], ends),
    }
    found |= {_name_last(name): (read[name], ends) for name in _JUDGED}
    found |= {name: (checks[of].array, last) for name, of in _LAST.items()}
    found["checks"] = pd.array(ends - begins + 1, dtype="Int64"), every
    over, again, since, until = (
        values.take(rows) for values, rows in (found[n] for n in ("over_first", "over_last", *_STARTS))
    )
    run_between, taken = tell_run_between(
        since, until, again=ends > begins, venting=venting, venting_id=ventings["venting_id"], records=records
    )
    cured = verdicts.is_cured(over, again, run_between)
    found |= {
        "extra_run_between": (run_between, every),
        "run_between_taken": (taken, every),
        "cured": (cured, every),
    }

    def put_together(names: Iterable[str], rows: Rows | None = None) -> pd.DataFrame:
        chosen = {name: found[name] for name in names}
        return pd.DataFrame(
            {n: values.take(at if rows is None else at[rows]) for n, (values, at) in chosen.items()},
            copy=False,
        )

    chance = read["over_probability"][begins]
    finding = np.flatnonzero(over.fillna(False).to_numpy(bool) | (chance >= 0.5))
    reference = {
        name: ventings[f"{name}_reference"].to_numpy(float)[venting[finding]] for name in ("force", "hold")
    }
    causes = {}
    if columns is None or not set(columns).isdisjoint(SPLIT):
        causes = _split_causes(put_together(found, finding), finding, len(begins), reference)
    wanted = [*found, *causes] if columns is None else columns
    table = put_together(name for name in wanted if name in found)
    return table.assign(**{name: causes[name] for name in wanted if name in causes})


def choose_limits(records: Mapping[str, pd.DataFrame], limits: Limits | None) -> Limits:
    """The limits that records are held against.

    Parameters
    ----------
    records : mapping of str to DataFrame
        Record tables by name.
    limits : Limits or None
        Taken where given.

    Returns
    -------
    Limits
        Those given; else those beside the store that the records were read from (``Snapshot.records()``
        brings them along); else, for frames from elsewhere, only the placeholders of ``data/limits.toml``,
        which every row then names in ``limit_status``.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook import model
    >>> records = ventbook.open_store("data/demo/store").snapshot().records()
    >>> own, placeholders = model.choose_limits(records, None), model.choose_limits(dict(records), None)
    >>> len(own.rows) > len(placeholders.rows)
    True
    """
    if limits is not None:
        return limits
    return records.limits if isinstance(records, Records) else tables.load_limits()


def choose_gauges(records: Mapping[str, pd.DataFrame], gauges: Gauges | None) -> Gauges:
    """What the gauges of records are taken to be worth.

    Parameters
    ----------
    records : mapping of str to DataFrame
        Record tables by name.
    gauges : Gauges or None
        Taken where given.

    Returns
    -------
    Gauges
        Those given; else the register beside the store that the records were read from; else, where there is
        none, what the studies among the records say. A gauge that none of these knows is assumed
        (``data/gauges.toml``).

    Examples
    --------
    >>> import ventbook
    >>> from ventbook import model
    >>> records = ventbook.open_store("data/demo/store").snapshot().records()
    >>> own, from_studies = model.choose_gauges(records, None), model.choose_gauges(dict(records), None)
    >>> own.file, from_studies.file
    ('gauges.toml', '')
    """
    if gauges is not None:
        return gauges
    own = records.gauges if isinstance(records, Records) else None
    return own if own is not None else Gauges(gauge.rows_from_studies(records.get("gauge_readings")))


def _list_ventings(records: Mapping[str, pd.DataFrame], limits: Limits) -> pd.DataFrame:
    """Ventings by date and number: what a lifter takes from its venting and engine, and the limits of its check."""
    ventings = records["ventings"][["venting_id", *_CONTEXT]]
    ventings = ventings.merge(records["engines"][["engine_id", *_ENGINE]], on="engine_id", how="inner")
    ventings = ventings.sort_values(["date", "venting_id"], kind="stable", ignore_index=True)
    types, days = ventings["engine_type"], ventings["date"]
    gap = limits.frame("lifter_gap", types, days)
    found = {"limit_mm": gap["high"], "limit_status": gap["status"]}
    for name in ("force", "hold"):
        frame = limits.frame(f"check_{name}", types, days)
        found[f"{name}_reference"] = frame["reference"]
        found[f"{name}_low"] = frame["taken_low"].fillna(-np.inf)
        found[f"{name}_high"] = frame["taken_high"].fillna(np.inf)
    return ventings.assign(quarter=verdicts.quarters_of(days), **found)


def _order_readings(checks: pd.DataFrame, venting_id: pd.Series) -> tuple[Rows, Rows, Rows]:
    """Rows of ``checks`` by venting (as in ``venting_id``), cylinder, valve and check number; the place of each one's
    venting; and where each lifter begins among them. Checks of other ventings are left out.
    """
    place = lifter = find_places(checks["venting_id"], venting_id)
    for name in ("cylinder", "valve"):
        lifter = _add_rank(lifter, checks[name])
    order = np.argsort(_add_rank(lifter, checks["check_no"]), kind="stable")
    order = order[place[order] >= 0]
    begins = np.flatnonzero(np.diff(lifter[order], prepend=-1))
    return order, place[order], begins


def _add_rank(key: Rows, values: pd.Series) -> Rows:
    """A key that sorts as ``key`` does and within it by ``values``, missing ones last."""
    code, names = pd.factorize(values, sort=True)
    return key * (len(names) + 1) + np.where(code < 0, len(names), code)


def _name_positions(cylinder: ExtensionArray, valve: ExtensionArray) -> ExtensionArray:
    """Cylinder and valve as text, "2 exhaust"."""
    (at, cylinders), (of, valves) = cylinder.factorize(), valve.factorize()
    words = [f"{number} {str(name).replace('_', ' ')}" for number in cylinders for name in valves]
    missing = (at < 0) | (of < 0)
    return pd.array([*words, None], dtype="str").take(np.where(missing, len(words), at * len(valves) + of))


def _feed_rank(order: pd.Series, venting: Rows, cylinder: ExtensionArray) -> ExtensionArray:
    """Place of each lifter's cylinder in its engine's feed order; missing where the order isn't recorded."""
    codes, texts = pd.factorize(order)
    table = np.full((len(texts) + 1, MOST_CYLINDERS + 1), np.nan)
    for row, text in enumerate(texts):
        for place, number in enumerate(re.findall(r"\d+", str(text)), 1):
            if int(number) <= MOST_CYLINDERS:
                table[row, int(number)] = place
    number = cylinder.to_numpy(dtype=np.int64, na_value=0)
    usable = (number >= 1) & (number <= MOST_CYLINDERS)
    # Cylinder 0 and the last row (no order recorded) hold no place.
    return pd.array(table[codes[venting], np.where(usable, number, 0)], dtype="Int64")


def _at_reference(
    checks: pd.DataFrame, ventings: pd.DataFrame, order: Rows, place: Rows, gauges: Gauges
) -> dict[str, Any]:
    """Of each reading what its gauge is worth that day, limit_mm, gap_corrected_mm, corrected, gap_unbiased_mm, and the
    verdicts: comparable, over, over_as_read, over_as_corrected, over_probability, near_limit."""
    worth = gauges.frame(checks["gauge"].array.take(order), ventings["date"].array.take(place))
    u, bias, bias_u = (worth[name].to_numpy(float) for name in ("u_mm", "bias_mm", "bias_u_mm"))
    gap, force, hold = (checks[name].to_numpy(float)[order] for name in ("gap_mm", "force_N", "hold_s"))
    at = {name: ventings[name].to_numpy(float)[place] for name in (*_LIMITS, "limit_mm")}
    off = ((force < at["force_low"]) | (force > at["force_high"])) & ~np.isnan(at["force_reference"])
    off |= ((hold < at["hold_low"]) | (hold > at["hold_high"])) & ~np.isnan(at["hold_reference"])

    def bring(rows: Yes, known: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        part = {name: checks[name].array.take(order[rows]) for name in _READING}
        part |= {name: ventings[name].array.take(place[rows]) for name in (*_CONTEXT, *_ENGINE)}
        readings = pd.DataFrame(part).assign(gauge_u_mm=u[rows])
        return lifter.correct_to_reference(
            _take_bias_out(readings, known[rows]),
            reference_force_N=at["force_reference"][rows],
            reference_hold_s=at["hold_reference"][rows],
        )

    corrected, unbiased = gap.copy(), gap - bias
    if off.any():
        corrected[off] = unbiased[off] = bring(off, np.zeros(len(gap)))
    if (also := off & (bias != 0)).any():
        unbiased[also] = bring(also, bias)
    limit, reference = at["limit_mm"], at["force_reference"]
    total = np.hypot(u, bias_u)
    by_reading, by_correction = (
        verdicts.judge_readings(
            value, corrected=brought, u=total, limit=limit, force=force, reference_force=reference
        )
        for value, brought in ((gap, corrected), (gap - bias, unbiased))
    )
    judged = by_correction if gauges.by_correction else by_reading
    known = ~judged.over.isna()
    near = pd.arrays.BooleanArray(verdicts.is_near(unbiased, total, limit), ~known)
    probability = gauge.over_limit_probability(unbiased, u, limit, bias_u=bias_u)
    return {
        **{f"gauge_{name}": worth[name].array for name in worth.columns},
        "limit_mm": limit,
        "gap_corrected_mm": corrected,
        "corrected": off,
        "gap_unbiased_mm": unbiased,
        "comparable": judged.comparable,
        "over": judged.over,
        "over_as_read": by_reading.over,
        "over_as_corrected": by_correction.over,
        "over_probability": np.where(judged.comparable.to_numpy(bool), probability, np.nan),
        "near_limit": near,
    }


def _take_bias_out(readings: pd.DataFrame, bias: npt.NDArray[np.float64]) -> pd.DataFrame:
    """The readings of the same gauge less its bias; a gap is never under 0."""
    if not bias.any():
        return readings
    return readings.assign(
        **{name: (readings[name].astype(float) - bias).clip(lower=0) for name in _GAPS if name in readings}
    )


def _name_last(name: str) -> str:
    return name.replace("over_as", "over_last_as") if name.startswith("over_as") else f"{name}_last"


def _split_causes(
    findings: pd.DataFrame,
    finding: Rows,
    n: int,
    reference: Mapping[str, npt.NDArray[np.float64]],
) -> dict[str, Any]:
    """What each finding's gap is made of, by probability; "" and missing for the others of ``n`` lifters.

    ``reference``: "force" and "hold" of each finding's limit, which stand in where the check records none.
    """
    columns: dict[str, Any] = {name: np.full(n, np.nan) for name in SPLIT[1:]}
    code, causes = np.zeros(n, np.intp), [""]
    if len(finding):
        readings = findings.rename(columns={"gap_first_mm": "gap_mm"})
        readings = _take_bias_out(readings, findings["gauge_bias_mm"].to_numpy(float))
        told = _split_by_reference(readings, reference)
        for name in SPLIT[1:]:
            columns[name][finding] = told[name].to_numpy()
        code[finding], names = pd.factorize(told["cause"])
        code[finding] += 1
        causes += list(names)
    return {"cause": pd.array(causes, dtype="str").take(code), **columns}


def _split_by_reference(
    findings: pd.DataFrame, reference: Mapping[str, npt.NDArray[np.float64]]
) -> pd.DataFrame:
    """What :func:`ventbook.physics.lifter.split_gaps` gives for each group of findings whose limit is meant for the same force and hold."""
    pairs, which = np.unique(
        np.column_stack([reference["force"], reference["hold"]]), axis=0, return_inverse=True
    )
    parts = []
    for number, (force, hold) in enumerate(pairs):
        parts.append(
            lifter.split_gaps(
                findings.iloc[np.flatnonzero(which == number)],
                reference_force_N=None if np.isnan(force) else float(force),
                reference_hold_s=None if np.isnan(hold) else float(hold),
            )
        )
    return pd.concat(parts).loc[findings.index]
