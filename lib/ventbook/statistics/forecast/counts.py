"""Rotations and seconds of ventings to come, each with a middle and an interval, from the ventings before them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.model import count_runs_taken, expect_again
from ventbook.numerics import Floats, read_numbers
from ventbook.physics import priming
from ventbook.results import Estimate
from ventbook.statistics import rates, waiting_times

FILL = ("lines_empty", "cooler_empty", "tank_pressurised")
# What the seconds may hang on; the set that describes past starts best by Akaike's criterion is used
TIME_FACTORS: tuple[tuple[str, ...], ...] = (
    (), ("site",), ("engine_type",), ("site", "engine_type"), FILL, ("site", *FILL), ("engine_type", *FILL)
)  # fmt: skip
UNSEEN_SCATTER = 0.25  # log, of an engine type never seen, or of lines beyond all on record (assumption)
FEWEST_TIMES = 40
DRIFT = 0.25  # of the scatter: the least that a quarter to come may lie off those on record (assumption)
NEW_SITE = "no venting at this site on record"
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
    found: list[list[str]] = [[] for _ in range(len(rows))]
    for said, where in _list_beyond(history, rows):
        for place in np.flatnonzero(where):
            found[place].append(said)
    return found


def _list_beyond(history: pd.DataFrame, rows: pd.DataFrame) -> list[tuple[str, npt.NDArray[np.bool_]]]:
    """What may lie beyond the record, in words, and which rows do."""
    types, sites = (set(history[name].dropna().astype("str")) for name in ("engine_type", "site"))
    nothing = pd.Series(None, rows.index, dtype="str")
    kind, site = (rows.get(name, nothing) for name in ("engine_type", "site"))
    found = [
        ("no venting of this engine type on record", ~kind.isin(types).to_numpy(bool)),
        (NEW_SITE, (site.notna() & ~site.isin(sites)).to_numpy(bool)),
    ]
    for name, (words, factor) in RANGES.items():
        if name not in history.columns or name not in rows.columns or pd.isna(history[name].max()):
            continue
        low, high, value = history[name].min(), history[name].max(), read_numbers(rows, name)
        over = value > high + (factor - 1.0) * max(abs(high), 1e-9)
        under = value < low - (factor - 1.0) * max(abs(low), abs(high) * 0.2)
        found += [
            (f"{words} beyond the longest or largest on record", over),
            (f"{words} under the least on record", under & ~over),
        ]
    return found


def predict_rotations(
    history: pd.DataFrame,
    rows: pd.DataFrame,
    *,
    constants: priming.Constants | None = None,
    level: float = 0.9,
) -> pd.DataFrame:
    """``median``, ``low``, ``high`` (of ``level``) and ``stop`` (95 of 100 have pressure by then) for each of ``rows``.

    The physics of each row with ``constants``, by default those that ``history`` gives, times the engine type's ratio on record, with the scatter of past
    jobs about it; wider where the row takes more from usual values, and where it lies beyond the record. Missing where the physics gives no number.
    """
    if constants is None:
        constants = priming.fit_constants(history)
    scale = priming.measure_scale(expect_again(history, constants=constants))
    ahead = rows.drop(columns=[name for name in priming.COLUMNS if name in rows])
    ahead = ahead.join(priming.expected_rotations(rows, constants=constants))
    beyond = _unseen(history, rows)
    out = {"median": scale.reach(ahead, scale.place(0.5) if scale.known else 0.0, extra=beyond)}
    for name, share in (("low", 0.5 - level / 2), ("high", 0.5 + level / 2), ("stop", 0.95)):
        out[name] = scale.reach(ahead, scale.place(share), extra=beyond)
    return pd.DataFrame({name: np.exp(values) for name, values in out.items()}, index=rows.index)


def _unseen(history: pd.DataFrame, rows: pd.DataFrame) -> Floats:
    beyond = [where for said, where in _list_beyond(history, rows) if said != NEW_SITE]
    return UNSEEN_SCATTER * np.minimum(np.sum(beyond, axis=0, dtype=float), 2.0)


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
    """Log of the middle for each row. A level not seen is at the mean of its factor."""
    said = _factors(frame)
    x = np.tile(np.append(1.0, fit.means), (len(frame), 1))
    for name in {c.factor for c in fit.columns}:
        values = said[name].to_numpy(dtype=object)
        own = [j for j, c in enumerate(fit.columns, start=1) if c.factor == name]
        levels = [fit.columns[j - 1].level for j in own]
        known = np.isin(values.astype(str), [*levels, fit.references.get(name, "")])
        for j, level in zip(own, levels, strict=True):
            x[known, j] = values[known] == level
    return np.asarray(x @ fit.beta, dtype=np.float64)


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
