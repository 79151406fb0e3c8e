"""Rotations and seconds of ventings to come, each with a middle and an interval, from the ventings before them; and how the
predictions fared, those of failing included: fitted on the past, asked about the next quarter, quarter by quarter.
"""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from ventbook.model import count_runs_taken
from ventbook.physics import priming
from ventbook.results import Estimate
from ventbook.statistics import causes, rates, waiting_times

Floats = npt.NDArray[np.float64]
FILL = ("lines_empty", "cooler_empty", "tank_pressurised")
# What the seconds may hang on; the set that describes past starts best by Akaike's criterion is used
TIME_FACTORS: tuple[tuple[str, ...], ...] = (
    (), ("site",), ("engine_type",), ("site", "engine_type"), FILL, ("site", *FILL), ("engine_type", *FILL)
)  # fmt: skip
UNSEEN_SCATTER = 0.25  # log, of an engine type never seen, or of lines beyond all on record (assumption)
FEWEST_TIMES = 40
DRIFT = 0.25  # of the scatter: the least that a quarter to come may lie off those on record (assumption)
# Numbers held against their range on record before an answer is trusted, with words and how far beyond still counts
RANGES = {
    "suction_line_length_m": ("suction line", 1.25),
    "suction_line_bore_mm": ("suction bore", 1.25),
    "cooler_volume_L": ("cooler volume", 1.25),
    "tank_overpressure_bar": ("tank overpressure", 1.25),
    "oil_temperature_degC": ("oil temperature", 1.25),
}


def off_support(history: pd.DataFrame, rows: pd.DataFrame) -> list[list[str]]:
    """For each row, in words, where it lies beyond everything in ``history``; empty where it lies within."""
    types, sites = (set(history[name].dropna().astype("str")) for name in ("engine_type", "site"))
    ranges = {name: (history[name].min(), history[name].max()) for name in RANGES if name in history.columns}
    found = []
    for row in rows.to_dict("records"):
        said = []
        if str(row.get("engine_type")) not in types:
            said.append("no venting of this engine type on record")
        if pd.notna(row.get("site")) and str(row["site"]) not in sites:
            said.append("no venting at this site on record")
        for name, (low, high) in ranges.items():
            value = row.get(name)
            if value is None or pd.isna(value) or pd.isna(high):
                continue
            words, factor = RANGES[name]
            if value > high + (factor - 1.0) * max(abs(high), 1e-9):
                said.append(f"{words} beyond the longest or largest on record")
            elif value < low - (factor - 1.0) * max(abs(low), abs(high) * 0.2):
                said.append(f"{words} under the least on record")
        found.append(said)
    return found


def predict_rotations(history: pd.DataFrame, rows: pd.DataFrame, *, level: float = 0.9) -> pd.DataFrame:
    """``median``, ``low``, ``high`` (of ``level``) and ``stop`` (95 of 100 have pressure by then) for each of ``rows``.

    The physics of each row times the engine type's ratio on record, with the scatter of past jobs about it; wider where the
    row takes more from usual values, and where it lies beyond the record. Missing where the physics gives no number.
    """
    scale = priming.measure_scale(history)
    u = priming.expectation_u_log(rows)
    wider = np.sqrt(scale.spread(u) ** 2 + _unseen(history, rows) ** 2) / scale.scatter
    middle = np.log(rows["expected_rotations"].to_numpy(float)) + scale.of(rows["engine_type"])
    out = {
        "median": middle,
        "low": middle + scale.quantile(0.5 - level / 2) * wider,
        "high": middle + scale.quantile(0.5 + level / 2) * wider,
        "stop": middle + scale.quantile(0.95) * wider,
    }
    return pd.DataFrame({name: np.exp(values) for name, values in out.items()}, index=rows.index)


def _unseen(history: pd.DataFrame, rows: pd.DataFrame) -> Floats:
    beyond = off_support(history, rows)
    return np.array(
        [UNSEEN_SCATTER * min(len([s for s in said if "site" not in s]), 2) for said in beyond], dtype=float
    )


def predict_times(history: pd.DataFrame, rows: pd.DataFrame, *, level: float = 0.9) -> pd.DataFrame:
    """``median``, ``low``, ``high`` seconds to pressure at the first start for each of ``rows``.

    Regression of the readings (low, high] on engine type and fill, the residuals of past starts about it; without enough of
    them the past starts themselves. Missing where there is no start on record at all.
    """
    past = history[history["time_low_s"].notna() & history["time_high_s"].notna()]
    out = pd.DataFrame(np.nan, index=rows.index, columns=["median", "low", "high"])
    shown = np.isfinite(past["time_high_s"].to_numpy(float)) & (past["time_high_s"].to_numpy(float) > 0)
    if shown.sum() < 8:
        return out
    read = past[shown]
    # of a logger's two steps the middle one: spread over both, its readings would be wider than the times are
    half = read["time_step_s"].to_numpy(float) / 2
    ends = [
        (read["time_low_s"].to_numpy(float) + half)[:, None],
        (read["time_high_s"].to_numpy(float) - half)[:, None],
    ]
    # a reading is an interval: five points through it, so that readings to half a second make no steps
    inside = np.log(np.maximum(ends[0] + (ends[1] - ends[0]) * np.array([0.1, 0.3, 0.5, 0.7, 0.9]), 0.05))
    fit = _fit_times(past) if shown.sum() >= FEWEST_TIMES else None
    if fit is None:
        ahead, behind, used = np.zeros(len(rows)), np.zeros(len(read)), 0
    else:
        ahead, behind, used = _predict(fit, rows), _predict(fit, read), len(fit.columns)
    # the residuals of the fit's own starts are a little small: scaled for the coefficients spent
    residual = np.sort((inside - behind[:, None]).ravel())
    centre = float(np.median(residual))
    spent = np.sqrt(len(read) / max(len(read) - used - 1, 1))
    moved = _between_quarters(
        inside.mean(axis=1) - behind, read["quarter"].astype("str").to_numpy(dtype=object)
    )
    more = np.square(_unseen(history, rows)) + max(moved, DRIFT * float(residual.std())) ** 2
    wider = spent * np.sqrt(1.0 + more / max(float(residual.var()), 0.05**2))
    out["median"] = np.exp(ahead + centre)
    n = int(read["engine_id"].nunique())  # starts of one engine are alike: engines are what there is many of
    for name, share in (("low", 0.5 - level / 2), ("high", 0.5 + level / 2)):
        beyond = np.clip(((n + 1) * share - 0.5) / n, 0.0, 1.0)  # the next start keeps under it that often
        place = float(np.clip(beyond * len(residual) - 0.5, 0, len(residual) - 1))
        reach = float(np.interp(place, np.arange(len(residual)), residual)) - centre
        out[name] = np.exp(ahead + centre + reach * wider)
    return out


def _between_quarters(residual: Floats, quarter: npt.NDArray[np.object_]) -> float:
    """Standard deviation of the quarters' true means: the next quarter may lie off by that much."""
    groups = pd.Series(residual).groupby(quarter)
    means, sizes = groups.mean().to_numpy(), groups.size().to_numpy()
    if len(means) < 3:
        return float(np.sqrt(np.mean(residual.var() / sizes)))
    return float(
        np.sqrt(
            max(means.var(ddof=1) - np.mean(residual.var() / sizes), np.mean(residual.var() / sizes.sum()))
        )
    )


def _fit_times(past: pd.DataFrame) -> waiting_times.AftFit | None:
    """The regression whose factors describe the past starts best; None where none could be fitted."""
    factors = _factors(past)
    fits = [
        waiting_times.fit_aft(
            past["time_from_s"],
            past["time_high_s"],
            factors[list(names)] if names else None,
            step=past["time_step_s"],
            distribution="log-normal",
        )
        for names in TIME_FACTORS
    ]
    good = [fit for fit in fits if fit.state == "estimated"]
    return min(good, key=lambda fit: fit.aic) if good else None


def _factors(frame: pd.DataFrame) -> pd.DataFrame:
    tank = frame["tank_overpressure_bar"].to_numpy(float, na_value=np.nan)
    said = {"tank_pressurised": np.select([np.isnan(tank), tank > 0], ["not recorded", "yes"], "no")}
    for name in ("site", "engine_type"):
        said[name] = frame[name].astype("str").fillna("not recorded").to_numpy(dtype=object)
    for name in ("lines_empty", "cooler_empty"):
        flag = frame[name].to_numpy(float, na_value=np.nan)
        said[name] = np.select([np.isnan(flag), flag > 0], ["not recorded", "yes"], "no")
    return pd.DataFrame(said, index=frame.index).astype("str")


def _predict(fit: waiting_times.AftFit, frame: pd.DataFrame) -> Floats:
    """Log of the middle for each row; each distinct row is asked once. A site not seen is at the mean."""
    known = {c.factor for c in fit.columns} | set(fit.references)
    seen = {
        name: {c.level for c in fit.columns if c.factor == name} | {fit.references.get(name, "")}
        for name in known
    }
    factors = _factors(frame)[sorted(known)]
    if factors.empty or not known:
        return np.full(len(frame), float(fit.design_row() @ fit.beta))
    codes = factors.groupby(list(factors.columns), sort=False).ngroup().to_numpy()
    _, first = np.unique(codes, return_index=True)
    answers = [
        float(fit.design_row({str(k): v for k, v in row.items() if v in seen[str(k)]}) @ fit.beta)
        for row in factors.iloc[first].to_dict("records")
    ]
    return np.array(answers)[codes]


FEWEST_BEFORE, FEWEST_QUARTERS, MOST_QUARTERS = 40, 2, 8
LEVEL = 0.9
BINS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0001)


def estimate_cure(own: pd.DataFrame, every: pd.DataFrame, *, level: float) -> tuple[Estimate, int]:
    """What an extra run cures, on this engine type (lifters ``own``) where 8 were read again, else on all; and of how many the run is taken from the starts."""
    found = None
    for lifters in (own, every):
        found = rates.cured_share(
            lifters["over_first"], lifters["over_last"], lifters["extra_run_between"], cluster=lifters["engine_id"], level=level
        )  # fmt: skip
        if found.n >= 8:
            break
    assert found is not None
    return found, count_runs_taken(lifters)[0]


def rank_positions(lifters: pd.DataFrame, *, most: int) -> list[tuple[str, int, int]]:
    """The positions most often over the limit, by share with 20 lifters' worth of the overall share added."""
    judged = lifters[lifters["over_first"].notna()]
    if judged.empty or not judged["over_first"].any():
        return []
    table = (
        judged.assign(over=judged["over_first"].astype(bool)).groupby("position")["over"].agg(["sum", "size"])
    )
    base = table["sum"].sum() / table["size"].sum()
    table["rank"] = (table["sum"] + 20 * base) / (table["size"] + 20)
    best = table[table["rank"] > base].sort_values("rank", ascending=False, kind="stable").head(most)
    return [(str(name), int(line["sum"]), int(line["size"])) for name, line in best.iterrows()]


def roll_forward(jobs: pd.DataFrame, lifters: pd.DataFrame, *, level: float = LEVEL) -> pd.DataFrame:
    """One row a venting predicted before it happened: what was said, what the site's past alone would say, what came.

    Each of the last 8 quarters with at least 40 ventings in 2 quarters before it is predicted from those. Columns: quarter,
    venting_id, site, ``rotations``, ``rotations_low``, ``rotations_high``, ``rotations_held``, ``site_rotations_held``,
    ``rotations_error``, ``site_rotations_error`` (log), the same with ``time``, ``chance``, ``site_chance``, ``failed``.
    """
    parts = []
    quarters = sorted(jobs["quarter"].dropna().unique())
    for place, quarter in list(enumerate(quarters))[-MOST_QUARTERS:]:
        past = jobs[jobs["quarter"].isin(quarters[:place])]
        now = jobs[jobs["quarter"] == quarter]
        if place >= FEWEST_QUARTERS and len(past) >= FEWEST_BEFORE and len(now):
            parts.append(_score(past, lifters, now, level))
    columns = [
        "quarter",
        "venting_id",
        "site",
        "rotations_held",
        "site_rotations_held",
        "chance",
        "site_chance",
        "failed",
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _score(past: pd.DataFrame, lifters: pd.DataFrame, now: pd.DataFrame, level: float) -> pd.DataFrame:
    out = now[["quarter", "venting_id", "site"]].copy()
    shown = now["pressure_shown"].eq(True).fillna(False).astype(bool)
    count = [now[name].where(shown).to_numpy(float) for name in ("rotations_low", "rotations_high")]
    ahead = predict_rotations(past, now, level=level)
    _judge(out, "rotations", count, ahead, _by_site(past, now, "rotations_crank", level))
    shown = now["start_pressure_shown"].eq(True).fillna(False).astype(bool)
    seconds = [now[name].where(shown).to_numpy(float) for name in ("time_low_s", "time_high_s")]
    past_times = past.assign(time_middle_s=(past["time_low_s"] + past["time_high_s"]) / 2.0)
    _judge(
        out,
        "time",
        seconds,
        predict_times(past, now, level=level),
        _by_site(past_times, now, "time_middle_s", level),
    )
    out["failed"] = now["failed_first"].to_numpy(dtype=float, na_value=np.nan)
    known = past[past["failed_first"].notna()]
    failed = known["failed_first"].astype(float)
    out["chance"] = out["site_chance"] = np.nan
    if 0 < failed.sum() < len(failed):
        account = causes.explain_failures(
            past, lifters[lifters["venting_id"].isin(past["venting_id"])], draws=0
        )
        # what is judged later isn't known beforehand
        out["chance"] = causes.predict_failing(
            account, now.drop(columns="lifters_judged_first", errors="ignore")
        )
        share = failed.groupby(known["site"].astype("str")).mean()
        out["site_chance"] = now["site"].astype("str").map(share).fillna(failed.mean()).to_numpy(float)
    return out


def _by_site(past: pd.DataFrame, now: pd.DataFrame, column: str, level: float) -> pd.DataFrame:
    """The baseline: the log mean and spread of the site's own past (of all where it has fewer than 8)."""
    value = past[column].to_numpy(float)
    usable = np.isfinite(value) & (value > 0)
    log, sites = np.log(value[usable]), past["site"].astype("str").to_numpy(dtype=object)[usable]
    z = float(stats.norm.ppf(0.5 + level / 2))
    rows = {}
    for site in now["site"].astype("str").unique():
        mine = log[sites == site]
        mine = mine if len(mine) >= 8 else log
        centre, spread = (mine.mean(), mine.std(ddof=1)) if len(mine) > 1 else (np.nan, np.nan)
        rows[site] = np.exp([centre, centre - z * spread, centre + z * spread])
    said = np.array([rows[site] for site in now["site"].astype("str")]).reshape(-1, 3)
    return pd.DataFrame(said, index=now.index, columns=["median", "low", "high"])


def _judge(
    out: pd.DataFrame, name: str, read: list[np.ndarray], ahead: pd.DataFrame, site: pd.DataFrame
) -> None:
    """How much of each reading (low, high] the range holds (0 to 1), and the log error of its middle."""
    begin, end = read
    middle = np.where(np.isfinite(end), (begin + end) / 2.0, np.nan)
    for prefix, said in (("", ahead), ("site_", site)):
        low, high = said["low"].to_numpy(float), said["high"].to_numpy(float)
        known = np.isfinite(middle) & np.isfinite(low) & np.isfinite(high) & (middle > 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            part = (np.minimum(end, high) - np.maximum(begin, low)) / (end - begin)
            error = np.log(middle / said["median"].to_numpy(float))
        held = np.where(end > begin, np.clip(part, 0.0, 1.0), (low <= end) & (end <= high))
        out[f"{prefix}{name}_held"] = np.where(known, held, np.nan)
        out[f"{prefix}{name}_error"] = np.where(known & np.isfinite(error), error, np.nan)
    out[name] = middle
    out[f"{name}_low"], out[f"{name}_high"] = ahead["low"].to_numpy(float), ahead["high"].to_numpy(float)


def summarise(scored: pd.DataFrame) -> pd.DataFrame:
    """One row a question: coverage and error of the prediction and of the site's past alone; Brier scores."""
    rows = []
    for name, words in (
        ("rotations", "Rotations until pressure shows"),
        ("time", "Seconds to pressure at the first start"),
    ):
        for prefix, by in (("", "prediction"), ("site_", "site's past alone")):
            held, error = (
                scored.get(f"{prefix}{name}_{what}", pd.Series(dtype=float)) for what in ("held", "error")
            )
            rows.append(
                {"question": words, "by": by, "n": int(held.notna().sum()), "held": held.mean() if held.notna().any() else np.nan,
                 "error": float(np.sqrt((error**2).mean())) if error.notna().any() else np.nan, "brier": np.nan}
            )  # fmt: skip
    known = scored[scored["failed"].notna() & scored["chance"].notna()]
    for column, by in (("chance", "prediction"), ("site_chance", "site's past alone")):
        brier = float(((known[column] - known["failed"]) ** 2).mean()) if len(known) else np.nan
        rows.append(
            {
                "question": "At least one spongy lifter",
                "by": by,
                "n": len(known),
                "held": np.nan,
                "error": np.nan,
                "brier": brier,
            }
        )
    return pd.DataFrame(rows)


def reliability(scored: pd.DataFrame) -> pd.DataFrame:
    """Chance said against share that came true, by bin of the chance said; empty bins stay."""
    known = scored[scored["failed"].notna() & scored["chance"].notna()]
    bins = pd.cut(known["chance"].astype(float), list(BINS), right=False)
    grouped = known.groupby(bins, observed=False).agg(
        said=("chance", "mean"), came=("failed", "mean"), n=("failed", "size")
    )
    labels = [f"{100 * low:.0f} to {100 * min(high, 1):.0f} %" for low, high in itertools.pairwise(BINS)]
    return grouped.reset_index(drop=True).assign(bin=labels)[["bin", "n", "said", "came"]]
