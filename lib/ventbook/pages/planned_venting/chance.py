"""Chance that a venting leaves at least one spongy lifter, from the past ventings and no more than they carry.

Logistic regression with effects pulled towards none: every effect has a normal prior about 0, sites one spread,
everything else another. Both spreads are chosen by how well ventings of left-out engines are predicted, and the
smaller model stands unless a larger one is better by more than one standard error: where nothing is behind the findings,
the answer is the overall share.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special, stats

from ventbook.numerics import encode, judge_fit, sum_by_cluster

Floats = npt.NDArray[np.float64]
YES_NO = ("lines_empty", "cooler_empty", "filter_new", "turbocharged")
NUMBERS = ("hours_since_overhaul_h", "oil_temperature_degC", "expected_rotations", "lifters_fitted")
GROUPS = ("engine_type", "reason", "lifter_lot")
SITE_SPREADS, SPREADS = (0.0, 0.3, 0.8), (0.0, 0.15, 0.3, 0.6, 1.0)
FOLDS, FEWEST_FINDINGS, FEWEST_OF_LEVEL = 5, 10, 5
MOST_ROWS, MOST_ROWS_TO_CHOOSE = 20_000, 3_000  # the latest ventings
UNSEEN_SPREAD = 0.7  # logit, of an engine type or lines beyond all on record (assumption)


@dataclass(frozen=True)
class ChanceModel:
    """``beta`` (intercept first) for the columns that :meth:`design` makes; ``covariance`` clustered by engine."""

    beta: Floats
    covariance: Floats
    levels: dict[str, tuple[str, ...]]
    centre: dict[str, tuple[float, float]]
    site_spread: float
    spread: float
    n: int
    findings: int
    engines: int
    base: float
    sites: dict[str, tuple[int, int]] = field(default_factory=dict)

    def design(self, frame: pd.DataFrame) -> Floats:
        return _design(frame, self.levels, self.centre)[0]

    def predict(self, frame: pd.DataFrame) -> Floats:
        """Chance for each row of ``frame``."""
        return np.asarray(special.expit(self.design(frame) @ self.beta), dtype=float)

    def interval(
        self, frame: pd.DataFrame, *, level: float, unseen: Floats | float = 0.0
    ) -> tuple[Floats, Floats]:
        """Interval of the chance; ``unseen`` adds that spread on the logit scale."""
        x = self.design(frame)
        variance = np.einsum("ij,jk,ik->i", x, self.covariance, x) + np.square(unseen)
        half = stats.t.ppf(0.5 + level / 2, max(self.engines - 1, 1)) * np.sqrt(variance)
        centre = x @ self.beta
        return special.expit(centre - half), special.expit(centre + half)

    def site_share(self, frame: pd.DataFrame) -> Floats:
        """The simple baseline: the share of each row's site, the overall one for a site not seen."""
        known = {name: failed / n for name, (failed, n) in self.sites.items()}
        return np.asarray(frame["site"].astype("str").map(known).fillna(self.base), dtype=float)


def fit_chance(history: pd.DataFrame) -> ChanceModel | None:
    """The model on past ventings (rows with ``failed_first``), or None with fewer than 5 of them, or where none or all of
    them failed: then there is a bound on the share, and no model."""
    past = history[history["failed_first"].notna()].tail(MOST_ROWS)
    if len(past) < 5:
        return None
    y = past["failed_first"].to_numpy(bool).astype(float)
    if not 0 < y.sum() < len(y):
        return None
    cluster, engines = encode(past["engine_id"])
    levels = _levels(past)
    x, site, centre = _design(past, levels, None)
    choice = (0.0, 0.0)
    if min(y.sum(), len(y) - y.sum()) >= FEWEST_FINDINGS:
        late = slice(-MOST_ROWS_TO_CHOOSE, None)
        choice = _choose(x[late], y[late], site, cluster[late], len(engines))
    beta, covariance = _fit(x, y, _penalty(site, *choice), cluster, len(engines))
    if not np.isfinite(covariance).all():
        return None
    sites = {
        str(name): (int(part["failed_first"].sum()), len(part))
        for name, part in past.groupby(past["site"].astype("str"))
    }
    return ChanceModel(
        beta,
        covariance,
        levels,
        centre,
        *choice,
        len(past),
        int(y.sum()),
        len(engines),
        float(y.mean()),
        sites,
    )


def _levels(past: pd.DataFrame) -> dict[str, tuple[str, ...]]:
    found = {}
    for name in ("site", *GROUPS):
        if name in past.columns:
            counts = past[name].astype("str").value_counts()
            found[name] = tuple(
                sorted(str(k) for k, n in counts.items() if n >= FEWEST_OF_LEVEL and str(k) != "nan")
            )
    return found


def _design(
    frame: pd.DataFrame, levels: dict[str, tuple[str, ...]], centre: dict[str, tuple[float, float]] | None
) -> tuple[Floats, npt.NDArray[np.bool_], dict[str, tuple[float, float]]]:
    """Columns (intercept first), which of them are sites, and the centres and scales; the unknown is at the mean."""
    columns, is_site = [np.ones(len(frame))], [False]
    known = dict(centre or {})

    def add(name: str, values: Floats, *, scaled: bool, site: bool = False) -> None:
        if centre is None:
            seen = values[np.isfinite(values)]
            known[name] = (
                float(seen.mean()) if len(seen) else 0.0,
                float(seen.std()) if scaled and len(seen) else 1.0,
            )
        middle, scale = known.get(name, (0.0, 1.0))
        moved = (values - middle) / (scale or 1.0)
        columns.append(np.where(np.isfinite(moved), np.clip(moved, -4.0, 4.0), 0.0))
        is_site.append(site)

    def number(name: str) -> Floats:
        if name not in frame.columns:
            return np.full(len(frame), np.nan)
        return frame[name].to_numpy(dtype=float, na_value=np.nan)

    empty = np.fmax(number("lines_empty"), number("cooler_empty"))
    tank = number("tank_overpressure_bar")
    pressed = np.where(np.isnan(tank), np.nan, (tank > 0).astype(float))
    for name in YES_NO:
        add(name, number(name), scaled=False)
    add("pressed", pressed, scaled=False)
    add("empty_unpressed", empty * (1.0 - pressed), scaled=False)
    for name in NUMBERS:
        values = number(name)
        add(
            name, np.log1p(np.maximum(values, 0.0)) if name != "oil_temperature_degC" else values, scaled=True
        )
    for group, names in levels.items():
        text = frame[group].astype("str").to_numpy() if group in frame.columns else np.full(len(frame), "nan")
        for level in names:
            add(
                f"{group}={level}",
                np.where(text == "nan", np.nan, (text == level).astype(float)),
                scaled=False,
                site=group == "site",
            )
    return np.column_stack(columns), np.array(is_site), known


def _penalty(site: npt.NDArray[np.bool_], site_spread: float, spread: float) -> Floats:
    """Precision of the prior by column; none on the intercept."""
    spreads = np.where(site, site_spread, spread)
    weight = 1.0 / np.maximum(spreads, 1e-4) ** 2
    weight[0] = 0.0
    return weight


def _fit(
    x: Floats, y: Floats, penalty: Floats, cluster: npt.NDArray[np.int64] | None = None, groups: int = 0
) -> tuple[Floats, Floats]:
    """Penalised fit by Newton; the covariance carries the clusters, and the prior where data are silent, and is missing where
    the fit has no answer."""
    beta = np.zeros(x.shape[1])
    beta[0] = special.logit((y.sum() + 0.5) / (len(y) + 1.0))
    settled = False
    for _ in range(25):
        p = special.expit(x @ beta)
        hessian = (x * (p * (1 - p))[:, None]).T @ x + np.diag(penalty + 1e-9)
        step = np.linalg.solve(hessian, x.T @ (y - p) - penalty * beta)
        beta = beta + np.clip(step, -2.0, 2.0)
        if np.max(np.abs(step)) < 1e-8:
            settled = True
            break
    if cluster is None:
        return beta, np.zeros((0, 0))
    bread = np.linalg.inv(hessian)
    score = sum_by_cluster(x * (y - special.expit(x @ beta))[:, None], cluster, groups)
    meat = score.T @ score * groups / max(groups - 1, 1)
    prior = np.diag(np.where(penalty < 1e7, penalty, 0.0))
    if judge_fit(converged=settled, estimates=beta, information=hessian):
        return beta, np.full_like(bread, np.nan)
    return beta, bread @ (meat + prior) @ bread


def _choose(
    x: Floats, y: Floats, site: npt.NDArray[np.bool_], cluster: npt.NDArray[np.int64], groups: int
) -> tuple[float, float]:
    """Spreads of sites and of the rest by log loss on left-out engines, one standard error in favour of less."""
    fold = (np.arange(groups) * 7 % FOLDS)[cluster]
    losses = {}
    for site_spread in SITE_SPREADS:
        for spread in SPREADS:
            penalty, loss = _penalty(site, site_spread, spread), np.zeros(len(y))
            for part in range(FOLDS):
                out = fold == part
                if not out.any() or y[~out].sum() == 0:
                    continue
                beta, _ = _fit(x[~out], y[~out], penalty)
                p = np.clip(special.expit(x[out] @ beta), 1e-6, 1 - 1e-6)
                loss[out] = -(y[out] * np.log(p) + (1 - y[out]) * np.log1p(-p))
            losses[site_spread, spread] = loss
    best = min(losses, key=lambda k: losses[k].mean())

    def behind(key: tuple[float, float]) -> tuple[float, float]:
        """Mean loss over the best, and its standard error by engine."""
        off = sum_by_cluster(losses[key] - losses[best], cluster, groups)
        return float(off.sum()), float(np.sqrt(np.sum(off**2)))

    good = [k for k in losses if behind(k)[0] <= behind(k)[1]]
    return min(good, key=lambda k: (k[0] + k[1], k))
