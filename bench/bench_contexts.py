"""Screening a large fleet: thirty circumstances, one million ventings, against a loop of library fits.

    python -m bench.bench_contexts [--ventings 1000000] [--library-ventings 1000000] [--library-factors 2]

Prints the processor seconds (a busy machine stretches the clock, not these) of coding the columns, of crude screening and of the adjusted model, and how many times faster that is than
fitting the same models with statsmodels factor by factor (some factors are timed and the time is scaled to all), with
the largest difference between the answers. Interleaved in one run, so that the ratio carries over to another machine.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd

from ventbook.numerics import factorize
from ventbook.statistics import causes
from ventbook.statistics.causes import factors as terms
from ventbook.statistics.causes import setting as crude
from ventbook.statistics.causes.setting import prepare_setting

NUMBERS = 6
GROUPS = 4


def make_fleet(ventings: int, seed: int = 1) -> tuple[pd.DataFrame, tuple[causes.Factor, ...]]:
    """Ventings with 20 yes/no circumstances, 6 numbers and 4 groups of five levels, 2.5 ventings an engine."""
    rng = np.random.default_rng(seed)
    engines = max(int(ventings / 2.5), 2)
    engine = rng.integers(0, engines, ventings)
    frame: dict[str, object] = {
        "engine_id": pd.Series(engine).astype("category"),
        "site": pd.Series(rng.integers(0, 4, engines)[engine]).astype("category"),
    }
    logit = rng.normal(-3.0, 0.7, engines)[engine]
    factors = []
    outcomes = ("lifter_failure",)
    base = {"mechanism": "wear", "plausibility": "high", "outcomes": outcomes, "adjust": outcomes}
    for i in range(30):
        name = f"c{i:02}"
        kind = "number" if i < NUMBERS else "group" if i < NUMBERS + GROUPS else "yes_no"
        if kind == "number":
            frame[name] = rng.normal(18, 6, ventings).round()
            logit += 0.01 * (frame[name] - 18)  # type: ignore[operator]
        elif kind == "group":
            frame[name] = pd.Series(rng.integers(0, 5, ventings)).astype(str).astype("category")
        else:
            frame[name] = pd.array(rng.random(ventings) < 0.3, dtype="boolean")
            logit += 0.1 * np.asarray(frame[name], dtype=float)
        factors.append(
            causes.Factor(
                name=name,
                title=name,
                kind=kind,
                column=name,
                direction="either",
                reference="no",
                step=5.0,
                cut=18.0,
                **base,
            )
        )
    frame["lifters_judged_first"] = np.full(ventings, 8)
    frame["lifters_over_first"] = rng.binomial(8, 1 / (1 + np.exp(-logit)))
    return pd.DataFrame(frame), tuple(factors)


def time_crude(
    jobs: pd.DataFrame, factors: tuple[causes.Factor, ...]
) -> tuple[float, float, dict[str, float]]:
    """Seconds of coding and of the crude effects with their intervals, and the log odds ratios by term."""
    start = time.process_time()
    setting = prepare_setting(jobs, outcome="lifter_failure", factors=factors, level=0.95, parts=("crude",))
    coded = time.process_time()
    found = {}
    for factor in factors:
        listed = terms.list_terms(setting.coded[factor.name], setting.take)
        totals = crude.total_levels(listed[0].codes, setting.outcome, setting.cluster, setting.n_clusters)
        for term in listed:
            effect, _ = crude.estimate_crude(
                term, setting.outcome, totals=totals, cluster=setting.cluster, n_clusters=setting.n_clusters, level=0.95, forced=None,
                design_effect=setting.design_effect,
            )  # fmt: skip
            assert effect is not None
            found[f"{factor.name} {term.level}"] = effect.log
    return coded - start, time.process_time() - coded, found


def time_library(
    jobs: pd.DataFrame, factors: tuple[causes.Factor, ...], names: list[str]
) -> tuple[float, dict[str, float]]:
    """Seconds of one statsmodels GLM a term with clustered covariance, and its log odds ratios."""
    import statsmodels.api as sm

    cluster, _ = factorize(jobs["engine_id"])
    y = jobs["lifters_over_first"].to_numpy(float)
    response = np.column_stack([y, jobs["lifters_judged_first"].to_numpy(float) - y])
    found = {}
    start = time.process_time()
    for factor in factors:
        if factor.name not in names:
            continue
        coded = causes.code_factors(jobs, [factor])[factor.name]
        for term in terms.list_terms(coded, slice(None)):
            model = sm.GLM(
                response, np.column_stack([np.ones(len(y)), term.x]), family=sm.families.Binomial()
            )
            fit = model.fit(cov_type="cluster", cov_kwds={"groups": cluster}, tol=1e-12)
            found[f"{factor.name} {term.level}"] = float(fit.params[1])
    return time.process_time() - start, found


def time_adjusted(ventings: int) -> tuple[float, float, float]:
    """Seconds of all adjusted effects, of one library fit with one term's adjusters, and the difference in it."""
    import statsmodels.api as sm

    jobs, factors = make_fleet(ventings, seed=2)
    start = time.process_time()
    frame = causes.screen_factors(jobs, factors=factors, parts=("adjusted",))
    own = time.process_time() - start
    row = frame[frame["kind"] == "yes_no"].iloc[0]
    coded = causes.code_factors(jobs, factors)
    names = [name for name in row["adjusted_for"].split(", ") if name != "site"]
    blocks = [terms.build_block(coded[name], slice(None)).columns(slice(None)) for name in names]
    site = pd.factorize(jobs["site"])[0]
    sites = [(site == i).astype(float)[:, None] for i in range(1, site.max() + 1)]
    x = jobs[row["factor"]].to_numpy(float)
    design = np.column_stack([np.ones(len(jobs)), x, *blocks, *sites])
    y = jobs["lifters_over_first"].to_numpy(float)
    start = time.process_time()
    model = sm.GLM(np.column_stack([y, 8 - y]), design, family=sm.families.Binomial())
    fit = model.fit(cov_type="cluster", cov_kwds={"groups": factorize(jobs["engine_id"])[0]}, tol=1e-14)
    return own, time.process_time() - start, abs(row["log_effect"] - fit.params[1])


def main(arguments: list[str] | None = None) -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--ventings", type=int, default=1_000_000)
    parser.add_argument("--library-factors", type=int, default=2)
    parser.add_argument("--runs", type=int, default=3)
    asked = parser.parse_args(arguments)
    jobs, factors = make_fleet(asked.ventings)
    runs = [time_crude(jobs, factors) for _ in range(asked.runs)]
    coding, seconds = (float(np.median([run[i] for run in runs])) for i in (0, 1))
    terms_in_all = len(runs[0][2])
    print(f"{asked.ventings:,} ventings, {len(factors)} factors, {terms_in_all} terms")
    print(f"coding the columns      {coding:8.2f} s")
    print(f"crude, with intervals   {seconds:8.2f} s")
    start = time.process_time()
    frame = causes.screen_factors(jobs, factors=factors, parts=("adjusted",))
    adjusted = time.process_time() - start
    print(f"screen_factors, crude and adjusted {adjusted:8.2f} s  (largest q {frame['q'].max():.2f})")
    own, one, apart = time_adjusted(asked.ventings // 10)
    print(
        f"adjusted, {asked.ventings // 10:,} ventings {own:8.2f} s; a library fit a term {one * terms_in_all:.0f} s "
        f"({one * terms_in_all / own:.0f} x), largest difference {apart:.1e}"
    )
    names = [f.name for f in factors if f.kind == "yes_no"][: asked.library_factors]
    names += [f.name for f in factors if f.kind == "number"][:1]
    library, answers = time_library(jobs, factors, names)
    scaled = library / len(answers) * terms_in_all
    worst = max(abs(runs[0][2][name] - value) for name, value in answers.items())
    print(
        f"library, one by one     {scaled:8.1f} s  (from {len(answers)} terms)  {scaled / seconds:.0f} x the crude time"
    )
    print(f"largest difference      {worst:.1e}")


if __name__ == "__main__":
    main()
