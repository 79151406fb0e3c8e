"""How predictions fared: fitted on the quarters before, asked about the next one, quarter by quarter."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import distributions as stats
from ventbook.statistics.forecast.chances import list_origins, roll_chances
from ventbook.statistics.forecast.counts import predict_rotations, predict_times

LEVEL = 0.9


def roll_forward(
    jobs: pd.DataFrame,
    lifters: pd.DataFrame,
    *,
    level: float = LEVEL,
    chances: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """One row a venting predicted before it happened: what was said, what the site's past alone would say, what came.

    ``chances``: of the same ventings, as :func:`roll_chances` gives them, where they were made already. Its columns come first; then ``rotations``, ``rotations_low``, ``rotations_high``,
    ``rotations_held``, ``site_rotations_held``, ``rotations_error``, ``site_rotations_error`` (log), and the same with ``time``.
    """
    if chances is None:
        chances = roll_chances(jobs, lifters)
    parts = [_score(past, now, level) for _, past, now in list_origins(jobs)]
    counts = (
        pd.concat(parts, ignore_index=True)
        if parts
        else pd.DataFrame(columns=["rotations_held", "site_rotations_held"])
    )
    return pd.concat([chances, counts], axis=1)


def _score(past: pd.DataFrame, now: pd.DataFrame, level: float) -> pd.DataFrame:
    out = pd.DataFrame(index=now.index)
    shown = now["pressure_shown"].eq(True).fillna(False).astype(bool)
    count = [now[name].where(shown).to_numpy(float) for name in ("rotations_low", "rotations_high")]
    ahead = predict_rotations(past, now, level=level)
    _judge(out, "rotations", count, ahead, _by_site(past, now, "rotations_crank", level))
    shown = now["start_pressure_shown"].eq(True).fillna(False).astype(bool)
    seconds = [now[name].where(shown).to_numpy(float) for name in ("time_low_s", "time_high_s")]
    past_times = past.assign(time_middle_s=(past["time_low_s"] + past["time_high_s"]) / 2.0)
    by_site = _by_site(past_times, now, "time_middle_s", level)
    _judge(out, "time", seconds, predict_times(past, now, level=level), by_site)
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
