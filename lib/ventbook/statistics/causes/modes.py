"""The signs of each finding, the failure modes that they fit or rule out, and engines whose lifters come back spongy.

Signs are read off a finding's record and held against ``data/modes.toml``; what would decide between modes is named. Of
engines that come back it is told how likely so many repeats are if all engines were alike.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ventbook import distributions as stats
from ventbook import tables
from ventbook.numerics import LOOKED_AT, adjust_bh, factorize, read_numbers
from ventbook.physics import lifter
from ventbook.statistics.causes.factors import MECHANISMS
from ventbook.tables import suggestions
from ventbook.tables.reader import make_rows

KEY = ["venting_id", "cylinder", "valve"]

SIGNS: dict[str, tuple[str, ...]] = {
    "growth": ("none", "slow", "fast"),
    "force_ratio": ("one", "air", "leak"),
    "no_force": ("most", "little"),
    "bottomed": ("yes", "no"),
    "verdict": ("air", "leak_down", "both", "bottomed"),
    "after_run": ("cured", "smaller", "same", "worse"),
    "spread": ("one", "several", "widespread"),
    "place": ("far", "near"),
    "same_place": ("yes", "no"),
    "same_lifter": ("yes", "no"),
    "lot": ("yes", "no"),
    "gauge": ("yes", "no"),
    "near_limit": ("yes", "no"),
    "lines": ("empty", "filled"),
    "rest": ("long", "short"),
    "turned_back": ("yes", "no"),
    "ran_low": ("yes", "no"),
    "pressure": ("steady", "flickered", "lost_and_back"),
    "rotations": ("long", "expected", "short"),
    "to_pressure": ("late", "in_time"),
    "hours": ("many", "few"),
    "stored": ("yes", "no"),
    "assembled": ("yes", "no"),
}

# Common practice, no source, except the noise bound: two readings differ by chance up to 2 sqrt(2) u.
UNRECORDED = "unrecorded"  # what a sign is called where it is not recorded
NOISE = 2 * np.sqrt(2)
FAST_GROWTH_UM_PER_S = 100.0
HALF_FORCE = (0.35, 0.65)
SAME_FORCE = 0.1  # relative: first and last reading of one press
RATIOS = (1.15, 2.6)
LONG_REST_H, MANY_HOURS_H = 24.0, 500.0
LONG_ROTATIONS, SHORT_ROTATIONS = 1.25, 0.75
PLACE = 2 / 3
VERDICTS = ("fits", "open", "ruled_out")
SIGNS_TO_FIT = 2
FEW_SHUFFLES = 200
ENGINE_COLUMNS = ("engine_id", "engine_type", "site", "ventings", "failing", "chance", "q", "first", "last")


def select_findings(lifters: pd.DataFrame) -> pd.DataFrame:
    """The lifters over the limit at their first check, one row each, in the order they stand."""
    return lifters[lifters["over_first"].fillna(False).to_numpy(dtype=bool)].reset_index(drop=True)


def describe_findings(
    lifters: pd.DataFrame,
    jobs: pd.DataFrame,
    *,
    lots: Collection[str] = (),
    gauge_shift_mm: Mapping[str, float] | None = None,
    time_limit_s: float | None = None,
) -> pd.DataFrame:
    """One row a finding with its signs (:data:`SIGNS`), an empty text where the record doesn't say.

    ``lifters`` and ``jobs`` are the analysis tables; other ventings in them tell whether a place or a lifter came back,
    so give them whole. ``lots`` stand out among lots, ``gauge_shift_mm`` says how much a gauge reads high, and
    ``time_limit_s`` bounds the time to pressure (None: no verdict on it). The two frames are not changed.
    """
    found = select_findings(lifters)
    job = jobs.set_index("venting_id").reindex(found["venting_id"]).reset_index()
    out = found[[*KEY, "engine_id", "date", "site", "position", "gap_first_mm", "limit_mm"]].copy()
    for name, values in (
        _lifter_signs(found)
        | _company_signs(found, lifters)
        | _job_signs(job, time_limit_s)
        | {"lot": _yes_no(found["lifter_lot"].isin(list(lots)), found["lifter_lot"].notna() & bool(lots))}
        | {"gauge": _gauge_sign(found, gauge_shift_mm or {})}
    ).items():
        out[name] = pd.Series(values, index=out.index, dtype="str")
    return out[[*KEY, "engine_id", "date", "site", "position", "gap_first_mm", "limit_mm", *SIGNS]]


def _choose(known: np.ndarray, *choices: tuple[np.ndarray, str], default: str) -> np.ndarray:
    conditions = [~known, *(condition for condition, _ in choices)]
    return np.select(conditions, ["", *(word for _, word in choices)], default=default).astype(object)


def _yes_no(said: pd.Series | np.ndarray, known: pd.Series | np.ndarray) -> np.ndarray:
    said, known = np.asarray(said, dtype=bool), np.asarray(known, dtype=bool)
    return _choose(known, (said, "yes"), default="no")


def _lifter_signs(found: pd.DataFrame) -> dict[str, np.ndarray]:
    """Signs of the lifter's own readings."""
    gap, u = read_numbers(found, "gap_first_mm"), read_numbers(found, "gauge_u_mm")
    once, slack = read_numbers(found, "gap_at_once_mm"), read_numbers(found, "gap_no_force_mm")
    second, at = read_numbers(found, "second_gap_mm"), read_numbers(found, "second_force_N")
    force, hold = read_numbers(found, "force_N"), read_numbers(found, "hold_s")
    read_at = np.nan_to_num(read_numbers(found, "gap_at_once_time_s"), nan=0.5)
    grown = gap - once
    rocker = read_numbers(found, "rocker_ratio")
    seconds = np.where(hold > read_at, hold - read_at, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = 1000 * grown / (seconds * np.nan_to_num(rocker, nan=1.0))
        # under a force that rose or fell, only what the split calls growth is growth
        moved = np.abs(read_numbers(found, "gap_at_once_force_N") / force - 1) > SAME_FORCE
        grown = np.where(moved, read_numbers(found, "growth_um_per_s") * 1e-3 * rocker * seconds, grown)
        rate = np.where(moved, read_numbers(found, "growth_um_per_s"), rate)
        half = (at / force > HALF_FORCE[0]) & (at / force < HALF_FORCE[1]) & ~np.isnan(second)
        rest = np.nan_to_num(slack, nan=0.0)
        ratio = (gap - rest) / (second - rest)
    half &= np.isfinite(ratio) & (ratio > 0) & (gap - rest > NOISE * u)  # else the ratio is noise
    # readings that contradict each other are no sign of anything until they are read again
    usable = (found["cause"] != "contradictory").to_numpy(dtype=bool)
    half &= usable
    cause = found["cause"].where(found["cause"].isin(SIGNS["verdict"]), "").fillna("").to_numpy(dtype=object)
    bottomed = read_numbers(found, "bottomed_probability")
    after_run = lifter.tell_after_run(found.rename(columns={"gap_first_mm": "gap_mm"}))
    smaller = after_run == "smaller"
    cured = found["cured"].fillna(False).to_numpy(dtype=bool)
    return {
        "growth": _choose(
            ~np.isnan(grown) & ~np.isnan(rate) & usable,
            (grown <= NOISE * u, "none"),
            (rate >= FAST_GROWTH_UM_PER_S, "fast"),
            default="slow",
        ),
        "force_ratio": _choose(half, (ratio < RATIOS[0], "one"), (ratio > RATIOS[1], "leak"), default="air"),
        "no_force": _choose(~np.isnan(slack) & usable, (slack >= 0.5 * gap, "most"), default="little"),
        "bottomed": _choose(
            ~np.isnan(bottomed) & usable, (bottomed >= 0.8, "yes"), (bottomed <= 0.05, "no"), default=""
        ),
        "verdict": cause,
        "after_run": _choose(
            (after_run != "") & usable,
            (cured & smaller, "cured"),
            (smaller, "smaller"),
            (after_run == "worse", "worse"),
            default="same",
        ),
        "near_limit": _yes_no(found["near_limit_first"].fillna(False), found["near_limit_first"].notna()),
    }


def _company_signs(found: pd.DataFrame, lifters: pd.DataFrame) -> dict[str, np.ndarray]:
    """Signs of the other lifters: of the venting, of the engine's other ventings, of the lifter's other places."""
    over = found.groupby("venting_id").size()
    checked = lifters["over_first"].notna().groupby(lifters["venting_id"]).sum()
    n, of = found["venting_id"].map(over).to_numpy(float), found["venting_id"].map(checked).to_numpy(float)
    rank = read_numbers(found, "feed_rank")
    last = lifters.groupby("venting_id")["feed_rank"].max()
    first_to_last = found["venting_id"].map(last).to_numpy(dtype=np.float64, na_value=np.nan)
    share = pd.Series(rank / first_to_last).groupby(found["venting_id"]).transform("mean").to_numpy()
    near = (1 + 1 / np.maximum(first_to_last, 1)) - PLACE
    ventings = lifters.groupby("engine_id")["venting_id"].nunique()
    returned = found["engine_id"].map(ventings).to_numpy(float) > 1
    same_place = found.groupby(["engine_id", "cylinder", "valve"])["venting_id"].transform("nunique") > 1
    named = found["lifter_id"].notna()
    seen = lifters.groupby("lifter_id")["venting_id"].nunique()
    met = found["lifter_id"].map(seen).fillna(0).to_numpy(float) > 1
    bad = found[named].groupby("lifter_id")["venting_id"].nunique()
    again = found["lifter_id"].map(bad).fillna(0).to_numpy(float) > 1
    return {
        "spread": _choose(of > 0, (n == 1, "one"), (n > of / 2, "widespread"), default="several"),
        "place": _choose(
            ~np.isnan(share) & (first_to_last > 1),
            (share >= PLACE, "far"),
            (share <= near, "near"),
            default="",
        ),
        "same_place": _yes_no(same_place, returned),
        "same_lifter": _yes_no(again, np.asarray(named) & met),
    }


def _job_signs(job: pd.DataFrame, time_limit_s: float | None) -> dict[str, np.ndarray]:
    """Signs of the venting itself."""
    lines, cooler = job["lines_empty"], job["cooler_empty"]
    empty = lines.fillna(False).to_numpy(bool) | cooler.fillna(False).to_numpy(bool)
    told = empty | (lines.notna().to_numpy() & cooler.notna().to_numpy())
    rest, hours = read_numbers(job, "rest_before_start_h"), read_numbers(job, "hours_since_overhaul_h")
    ratio, high = read_numbers(job, "rotations_ratio"), read_numbers(job, "expected_high")
    turned = read_numbers(job, "rotations_low")
    beyond = (ratio > LONG_ROTATIONS) & ~(turned <= high)
    low_s, high_s = read_numbers(job, "time_low_s"), read_numbers(job, "time_high_s")
    limit = np.nan if time_limit_s is None else time_limit_s
    late, in_time = low_s >= limit, high_s <= limit
    steady = job["pressure_steady"].where(job["pressure_steady"].isin(SIGNS["pressure"]), "").fillna("")
    reason = job["reason"]
    return {
        "lines": _choose(told, (empty, "empty"), default="filled"),
        "rest": _choose(~np.isnan(rest), (rest > LONG_REST_H, "long"), default="short"),
        "turned_back": _yes_no(job["turned_backwards"].fillna(False), job["turned_backwards"].notna()),
        "ran_low": _yes_no(job["tank_ran_low"].fillna(False), job["tank_ran_low"].notna()),
        "pressure": steady.to_numpy(dtype=object),
        "rotations": _choose(
            ~np.isnan(ratio), (beyond, "long"), (ratio < SHORT_ROTATIONS, "short"), default="expected"
        ),
        "to_pressure": _choose(late | in_time, (late, "late"), default="in_time"),
        "hours": _choose(~np.isnan(hours), (hours >= MANY_HOURS_H, "many"), default="few"),
        "stored": _yes_no(reason == "long_standing", reason.notna()),
        "assembled": _yes_no(reason.isin(["new_engine", "overhauled_engine"]), reason.notna()),
    }


def _gauge_sign(found: pd.DataFrame, shift_mm: Mapping[str, float]) -> np.ndarray:
    shift = found["gauge"].map(dict(shift_mm)).astype("float64").to_numpy()
    known = found["gauge"].notna().to_numpy() & bool(shift_mm)
    gap, limit = read_numbers(found, "gap_first_mm"), read_numbers(found, "limit_mm")
    return _yes_no(np.nan_to_num(shift, nan=0.0) > np.maximum(gap - limit, 0), known)


@dataclass(frozen=True)
class Mode:
    """One row of ``data/modes.toml``: signs as {sign: values}; the file's head explains them."""

    number: int
    name: str
    mechanism: str
    check: str
    key: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    fits: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    against: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        faults = [
            fault for name in ("key", "fits", "against") for fault in _sign_faults(name, getattr(self, name))
        ]
        if self.mechanism not in MECHANISMS:
            faults.append(f"mechanism must be one of {', '.join(MECHANISMS)}; got {self.mechanism!r}")
        if faults:
            raise ValueError("; ".join(faults))


@dataclass(frozen=True)
class Reading:
    """A reading that could still be taken: which sign it gives, the suggestion that asks for it, its cost (1..5)."""

    sign: str
    check: str
    cost: int

    def __post_init__(self) -> None:
        if self.sign not in SIGNS:
            raise ValueError("not a sign")


@dataclass(frozen=True)
class ModeTable:
    """All of ``data/modes.toml``."""

    modes: tuple[Mode, ...]
    readings: tuple[Reading, ...]
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def say_sign(self, sign: str, value: Any) -> str:
        """A sign as a page says it; ``value`` None where it isn't recorded."""
        return self.words[sign][value or UNRECORDED]


def load_modes(path: Path | str | None = None) -> ModeTable:
    """The table of failure modes, checked; all faults in one TableError naming the file."""
    path = Path(path) if path is not None else tables.DATA / "modes.toml"
    document = tables.read_toml(path)
    modes = make_rows(document.get("mode", ()), Mode, where=f"{path.name}: ", word="mode")
    readings = make_rows(
        document.get("reading", ()), Reading, where=f"{path.name}: ", word="reading", label="sign"
    )
    suggestions.check_names(
        [*(mode.check for mode in modes), *(reading.check for reading in readings)], where=path.name
    )
    words = document.get("words", {})
    if faults := [sign for sign in SIGNS if set(words.get(sign, ())) != {*SIGNS[sign], UNRECORDED}]:
        raise tables.TableError(
            f"{path.name}: words of {', '.join(faults)}: one for each value and {UNRECORDED}"
        )
    return ModeTable(modes, readings, words)


def _sign_faults(where: str, group: Mapping[str, Iterable[str]]) -> list[str]:
    faults = []
    for sign, values in group.items():
        if sign not in SIGNS:
            faults.append(f"{where}: {sign} is not a sign")
            continue
        faults += [
            f"{where}: {sign} can't be {value!r}; it is {', '.join(SIGNS[sign])}"
            for value in values
            if value not in SIGNS[sign]
        ]
    return faults


def match_modes(signs: pd.DataFrame, *, table: ModeTable | None = None) -> pd.DataFrame:
    """Every finding against every mode, one row each, in the order of ``signs`` and of the table.

    ``signs`` comes from :func:`~ventbook.statistics.causes.describe_findings`. Columns: venting_id, cylinder, valve, mode (number),
    name, mechanism, verdict ("fits", "open", "ruled_out"), speaks_for, speaks_against, not_recorded (text, signs joined
    by commas), score (signs for, key signs twice; -1 where ruled out), check.
    """
    table = table or load_modes()
    rows: list[dict[str, Any]] = []
    for finding in signs.to_dict("records"):
        seen = {sign: finding.get(sign) for sign in SIGNS}
        for mode in table.modes:
            key, more, against = (_hits(group, seen) for group in (mode.key, mode.fits, mode.against))
            both = key + [sign for sign in more if sign not in key]
            verdict = "open"
            if against:
                verdict = "ruled_out"
            elif key and len(both) >= SIGNS_TO_FIT:
                verdict = "fits"
            asked = {**mode.key, **mode.against}
            rows.append(
                {
                    **{name: finding[name] for name in KEY},
                    "mode": mode.number,
                    "name": mode.name,
                    "mechanism": mode.mechanism,
                    "verdict": verdict,
                    "speaks_for": ", ".join(table.say_sign(sign, seen[sign]) for sign in both),
                    "speaks_against": ", ".join(table.say_sign(sign, seen[sign]) for sign in against),
                    "not_recorded": ", ".join(table.say_sign(sign, None) for sign in asked if not seen[sign]),
                    "score": -1 if against else len(both) + len(key),
                    "check": mode.check,
                }
            )
    columns = [*KEY, "mode", "name", "mechanism", "verdict", "speaks_for", "speaks_against", "not_recorded"]
    return pd.DataFrame(rows, columns=[*columns, "score", "check"])


def _hits(group: Mapping[str, tuple[str, ...]], seen: Mapping[str, Any]) -> list[str]:
    return [sign for sign, values in group.items() if seen[sign] in values]


def choose_readings(signs: pd.DataFrame, *, table: ModeTable | None = None) -> pd.DataFrame:
    """For each finding the one reading, not taken so far, that would decide most.

    A reading is worth the number of modes not yet ruled out that some value of its sign would rule out, plus those
    that some value would newly give a key sign; the cheapest of the best is named. Columns: venting_id, cylinder, valve,
    sign, reading (the name of a suggestion), would_decide (number of modes), cost; an empty text where nothing is left to read.
    """
    table = table or load_modes()
    matched = match_modes(signs, table=table)
    standing = matched[matched["verdict"] != "ruled_out"].groupby(KEY, sort=False)["mode"].agg(list)
    by_number = {mode.number: mode for mode in table.modes}
    rows = []
    for finding in signs.to_dict("records"):
        place = tuple(finding[name] for name in KEY)
        modes = [by_number[number] for number in standing.get(place, [])]
        best: tuple[int, int, Reading] | None = None
        for reading in table.readings:
            if finding.get(reading.sign):
                continue
            worth = sum(reading.sign in mode.against for mode in modes)
            worth += sum(reading.sign in mode.key for mode in modes)
            if worth and (best is None or (worth, -reading.cost) > (best[0], -best[1])):
                best = (worth, reading.cost, reading)
        row: dict[str, Any] = dict(zip(KEY, place, strict=True))
        if best is None:
            row |= {"sign": "", "reading": "", "would_decide": 0, "cost": 0}
        else:
            worth, cost, reading = best
            row |= {"sign": reading.sign, "reading": reading.check, "would_decide": worth, "cost": cost}
        rows.append(row)
    return pd.DataFrame(rows, columns=[*KEY, "sign", "reading", "would_decide", "cost"])


def count_modes(matched: pd.DataFrame, *, table: ModeTable | None = None) -> pd.DataFrame:
    """How many findings each mode fits, leaves open and is ruled out for; one row a mode, most fitting first.

    ``best`` counts findings that the mode fits and for which no other scores as high. A mode without findings keeps
    its row.
    """
    table = table or load_modes()
    modes = [(mode.number, mode.name, mode.mechanism) for mode in table.modes]
    counts = pd.DataFrame(modes, columns=["mode", "name", "mechanism"])
    for verdict in VERDICTS:
        n = matched.loc[matched["verdict"] == verdict].groupby("mode").size()
        counts[verdict] = counts["mode"].map(n).fillna(0).astype("int64")
    leads = matched[
        (matched["verdict"] == "fits") & (matched["score"] == matched.groupby(KEY)["score"].transform("max"))
    ]
    alone = leads[~leads.duplicated(KEY, keep=False)].groupby("mode").size()
    counts["best"] = counts["mode"].map(alone).fillna(0).astype("int64")
    return counts.sort_values(["fits", "mode"], ascending=[False, True]).reset_index(drop=True)


@dataclass(frozen=True)
class Recurrence:
    """Repeats in the fleet. ``chance`` is the share of shuffles with at least as many repeated findings.

    ``repeats`` counts findings beyond each engine's first; ``expected`` is their mean over the shuffles, ``error`` the Monte
    Carlo error of ``chance``. ``engines`` has a row an engine with two or more ventings and a finding.
    """

    ventings: int
    failing: int
    returned: int
    repeats: int
    expected: float
    chance: float
    error: float
    engines: pd.DataFrame


def find_recurrent_engines(
    jobs: pd.DataFrame, *, seed: int = 0, shuffles: int = 2_000, by: tuple[str, ...] = ("site", "engine_type")
) -> Recurrence:
    """Whether findings fall on the same engines more often than they would if all engines were alike.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting with engine_id, failed_first (without a result: left out) and the columns of ``by``.
    seed : int
        Of the shuffles.
    shuffles : int
    by : tuple of str
        Columns of the strata inside which findings are shuffled.

    Returns
    -------
    Recurrence
        Repeats over all engines against their chance, and by engine the exact chance of at least its number
        of failing ventings and its q.

    Notes
    -----
    Findings are shuffled over ventings within strata, so that a site or a type with many findings does not
    look like recurrent engines. By engine, ``chance`` is exact: the hypergeometric probability of at least
    its number of failing ventings, given its strata's totals (for an engine in one stratum; an engine seen in
    several is judged in the one with most of its ventings); q is Benjamini-Hochberg over all engines that
    returned, those without a finding among them. Over LOOKED_AT ventings there are FEW_SHUFFLES, and the chance is read
    from the gamma distribution of their mean and spread, whose upper tail is rather too long than too short.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> found = causes.find_recurrent_engines(ventbook.read_ventings("data/demo/store"), shuffles=200)
    >>> 0 < found.chance <= 1
    True
    """
    known = jobs[jobs["failed_first"].notna().to_numpy()].reset_index(drop=True)
    failed = known["failed_first"].to_numpy(bool).astype(np.int64)
    engine, names = factorize(known["engine_id"])
    if known.empty or failed.sum() == 0:
        empty = pd.DataFrame(columns=list(ENGINE_COLUMNS))
        return Recurrence(len(known), 0, 0, 0, 0.0, float("nan"), float("nan"), empty)
    stratum = known.groupby(list(by), sort=False, dropna=False).ngroup().to_numpy(np.int64)
    strata = int(stratum.max()) + 1
    counts = np.bincount(engine, minlength=len(names))
    hits = np.bincount(engine, weights=failed, minlength=len(names)).astype(np.int64)
    repeats = int(np.maximum(hits - 1, 0).sum())
    rng = np.random.default_rng(seed)
    order = np.argsort(stratum, kind="stable")
    bounds = np.searchsorted(stratum[order], np.arange(strata + 1))
    few = len(known) > LOOKED_AT
    shuffles = min(shuffles, FEW_SHUFFLES) if few else shuffles
    found = np.empty(shuffles)
    for i in range(shuffles):
        drawn = np.empty_like(failed)
        for first, last in itertools.pairwise(bounds):
            where = order[first:last]
            drawn[where] = rng.permutation(failed[where])
        found[i] = np.maximum(np.bincount(engine, weights=drawn, minlength=len(names)) - 1, 0).sum()
    # the observed one counts among the shuffles, so that the chance is never 0
    chance = float(((found >= repeats).sum() + 1) / (shuffles + 1))
    error = float(np.sqrt(chance * (1 - chance) / shuffles))
    if few and found.any():
        mean, spread = float(found.mean()), max(float(found.std(ddof=1)), 0.5)
        z = (repeats - 0.5 - mean) / spread
        chance = float(stats.gamma.sf(repeats - 0.5, (mean / spread) ** 2, scale=spread**2 / mean))
        error = float(np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) * np.sqrt((1 + z**2 / 2) / shuffles))
    table = _by_engine(known, engine, names, counts, hits, failed, stratum)
    return Recurrence(
        len(known),
        int(failed.sum()),
        int((counts > 1).sum()),
        repeats,
        float(found.mean()),
        chance,
        error,
        table,
    )


def _by_engine(
    known: pd.DataFrame,
    engine: np.ndarray,
    names: list[str],
    counts: np.ndarray,
    hits: np.ndarray,
    failed: np.ndarray,
    stratum: np.ndarray,
) -> pd.DataFrame:
    types, sites, dates = (known[column].to_numpy() for column in ("engine_type", "site", "date"))
    totals, bad = np.bincount(stratum), np.bincount(stratum, weights=failed)
    rows, asked = [], []
    order, ends = np.argsort(engine, kind="stable"), np.cumsum(counts)
    for code in np.flatnonzero((counts > 1) & (hits > 0)):
        where = order[ends[code] - counts[code] : ends[code]]
        home = int(np.bincount(stratum[where]).argmax())
        own = where[stratum[where] == home]
        asked.append((failed[own].sum() - 1, totals[home], int(bad[home]), len(own)))
        first, last = where[np.argmin(dates[where])], where[np.argmax(dates[where])]
        rows.append(
            (
                names[code],
                types[last],
                sites[last],
                len(where),
                int(hits[code]),
                np.nan,
                np.nan,
                dates[first],
                dates[last],
            )
        )
    table = pd.DataFrame(rows, columns=list(ENGINE_COLUMNS))
    if asked:
        table["chance"] = stats.hypergeom.sf(*np.array(asked).T)
    silent = int((counts > 1).sum()) - len(table)  # returned without a finding: chance 1
    chances = np.concatenate([table["chance"].to_numpy(dtype=np.float64), np.ones(silent)])
    table["q"] = adjust_bh(chances)[: len(table)]
    return table.sort_values(["chance", "engine_id"], kind="stable").reset_index(drop=True)
