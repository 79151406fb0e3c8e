"""What hangs on the gauge in a fleet: verdicts near the limit, and gauges that differ in routine use."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from ventbook.evidence import load_budget
from ventbook.numerics import judge_fit

FEW_ENGINES = 400
#: Gauges in routine use, as a family of the quarter's error budget.
FAMILY = "gauge.routine"


def count_on_the_gauge(probability: pd.Series, over: pd.Series, near: pd.Series) -> dict[str, float]:
    """How many findings hang on the gauge.

    Returns counts over the rows with a probability: findings (readings over the limit), near (readings within 2 u
    of the limit), findings_near and passes_near (which of them read over, which did not), expected_over (sum of
    probabilities), expected_false_fail and expected_false_pass.
    """
    p = probability.to_numpy(dtype=float, na_value=np.nan)
    known = np.isfinite(p)
    o = over.astype("boolean").fillna(False).to_numpy(dtype=bool)[known]
    b = near.astype("boolean").fillna(False).to_numpy(dtype=bool)[known]
    p = p[known]
    return {
        "lifters": float(p.size),
        "findings": float(o.sum()),
        "near": float(b.sum()),
        "findings_near": float((o & b).sum()),
        "passes_near": float((~o & b).sum()),
        "expected_over": float(p.sum()),
        "expected_false_fail": float((1 - p)[o].sum()),
        "expected_false_pass": float(p[~o].sum()),
    }


def compare_gauges(
    lifters: pd.DataFrame,
    *,
    gap: str = "gap_first_mm",
    gauge: str = "gauge",
    engine: str = "engine_id",
    venting: str = "venting_id",
    strata: tuple[str, ...] = ("engine_type", "site"),
    level: float = 0.95,
) -> pd.DataFrame:
    """Gauge against the others from routine records: a hint where there is no study.

    The unit is the venting: its median reading by gauge, set beside other gauges' readings in the same stratum (same
    engine type and site). Difference of a gauge: mean of its ventings less mean of the others' in the strata that
    hold both, weighted by overlap; interval by leaving out one engine at a time (linearised over FEW_ENGINES), t
    quantile. From three gauges on, one that stands out (p under its part of the family's share) is taken from the others' company before
    they are set side by side again, so that a gauge that reads high does not make sound ones look low. Where a gauge
    shares no site with another, engine types alone make the strata and the note says that gauge and site can't be told
    apart.

    Returns
    -------
    Frame: gauge, readings, ventings, engines, sites, difference_mm, low, high, p, level, state, note; a gauge without
    company keeps its row.
    """
    columns = [gap, gauge, engine, venting, *strata]
    missing = [c for c in columns if c not in lifters.columns]
    if missing:
        raise ValueError(f"lifters lacks the columns {', '.join(missing)}")
    data = lifters.loc[lifters[gap].notna() & lifters[gauge].notna(), columns]
    units = (
        data.groupby([venting, gauge], observed=True)
        .agg(reading=(gap, "median"), readings=(gap, "size"), **{c: (c, "first") for c in (engine, *strata)})
        .reset_index()
    )
    names = sorted(units[gauge].astype("str").unique().tolist())
    label = units[gauge].astype("str").to_numpy()
    company = set(names)
    sure = load_budget().share(FAMILY)
    while len(company) > 2:
        found = {
            g: _difference(units, label, g, company, engine, list(strata), level) for g in sorted(company)
        }
        worst = min(company, key=lambda g: (found[g]["p"] if found[g] else 1.0, g))
        if not found[worst] or found[worst]["p"] >= sure / len(names):
            break
        company.discard(worst)
    rows = []
    for name in names:
        mine = label == name
        row = {
            "gauge": name,
            "readings": int(units.loc[mine, "readings"].sum()),
            "ventings": int(mine.sum()),
            "engines": int(units.loc[mine, engine].nunique()),
            "sites": ", ".join(sorted(map(str, units.loc[mine, strata[-1]].dropna().unique()))),
            "level": level,
        }
        answer = _difference(units, label, name, company, engine, list(strata), level)
        note = "" if name in company else "stands out; left out where the others are set side by side"
        if answer and len(names) == 2 and answer["p"] < sure:
            note = "two gauges differ: which of them is off can't be told"
        if not answer and len(strata) > 1:
            answer = _difference(units, label, name, company, engine, list(strata[:-1]), level)
            note = f"used where no other gauge was: gauge and {strata[-1]} can't be told apart"
        if not answer:
            rows.append(
                row
                | {
                    "state": "too_few",
                    "note": "no 5 ventings of each side on one engine type, or readings without spread",
                }
            )
        else:
            rows.append(row | answer | {"state": "estimated", "note": note})
    names_out = [
        "gauge", "readings", "ventings", "engines", "sites", "difference_mm", "low", "high", "p", "level", "state",
        "note",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=names_out)
    return table.astype(dict.fromkeys(("difference_mm", "low", "high", "p"), float))


def _difference(
    units: pd.DataFrame,
    label: np.ndarray,
    name: str,
    company: set[str],
    engine: str,
    strata: list[str],
    level: float,
) -> dict[str, float]:
    """Difference of one gauge from its company in shared strata; empty where there are under 5 ventings a side."""
    wanted = (label == name) | np.isin(label, sorted(company))
    mine = (label == name)[wanted]
    y = units["reading"].to_numpy(dtype=float)[wanted]
    code = pd.factorize(units.loc[wanted, strata].astype("str").agg("\x1f".join, axis=1))[0]
    group = pd.factorize(units.loc[wanted, engine])[0]
    if mine.size == 0:
        return {}
    own, other = np.bincount(code, mine.astype(float)), np.bincount(code, (~mine).astype(float))
    use = (own >= 2) & (other >= 2)
    if own[use].sum() < 5 or other[use].sum() < 5:
        return {}
    rows = use[code]
    y, mine, code, group = y[rows], mine[rows], code[rows], np.unique(group[rows], return_inverse=True)[1]
    engines = int(group.max()) + 1
    if engines < 4:
        return {}
    size = use.size

    def estimate(keep: np.ndarray) -> float:
        a, b = np.bincount(code[keep & mine], minlength=size), np.bincount(code[keep & ~mine], minlength=size)
        both = (a > 0) & (b > 0)
        if not both.any():
            return value
        sa, sb = (np.bincount(code[keep & side], y[keep & side], size)[both] for side in (mine, ~mine))
        w = (a * b / np.maximum(a + b, 1))[both]
        return float((w * (sa / a[both] - sb / b[both])).sum() / w.sum())

    value = 0.0
    value = estimate(np.ones(y.size, dtype=bool))
    if engines <= FEW_ENGINES:
        left = np.array([estimate(group != g) for g in range(engines)])
        error = float(np.sqrt((engines - 1) / engines * ((left - left.mean()) ** 2).sum()))
    else:
        a, b = np.bincount(code[mine], minlength=size), np.bincount(code[~mine], minlength=size)
        w = a * b / np.maximum(a + b, 1)
        side = np.where(mine, a[code], b[code])
        mean = np.where(mine, (np.bincount(code[mine], y[mine], size) / np.maximum(a, 1))[code],
                        (np.bincount(code[~mine], y[~mine], size) / np.maximum(b, 1))[code])  # fmt: skip
        pull = np.bincount(group, np.where(mine, 1, -1) * w[code] / w.sum() / side * (y - mean), engines)
        error = float(np.sqrt(engines / (engines - 1) * (pull**2).sum()))
    if judge_fit(estimates=[value, error], spread=error):
        return {}
    t = float(stats.t.ppf(0.5 + level / 2, engines - 2))
    p = float(2 * stats.t.sf(abs(value) / error, engines - 2))
    return {"difference_mm": value, "low": value - t * error, "high": value + t * error, "p": p}
