"""The joint model of large fleets against a library fit on full rows, and against the small fleet's way."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest

from ventbook import numerics
from ventbook.statistics import causes
from ventbook.statistics.causes import factors as terms
from ventbook.statistics.causes import joint
from ventbook.statistics.causes import setting as settings


def make_fleet(
    ventings: int, *, engines: int, seed: int = 1
) -> tuple[pd.DataFrame, tuple[causes.Factor, ...]]:
    """Ventings with yes/no, group, code and number circumstances, some not recorded, and an interaction."""
    rng = np.random.default_rng(seed)
    engine = rng.integers(0, engines, ventings)
    jobs = pd.DataFrame(
        {
            "engine_id": pd.Series(engine).map(lambda e: f"E{e}"),
            "site": np.array(["Harbour", "Ridge", "Plain"])[rng.integers(0, 3, engines)[engine]],
            "a": pd.array(rng.random(ventings) < 0.3, dtype="boolean"),
            "lot": np.array(["A", "B", "C"])[rng.integers(0, 3, ventings)],
            "reason": np.array(["new", "oil", "line"])[rng.integers(0, 3, ventings)],
            "oil": rng.normal(18, 6, ventings).round(),
            "late": pd.array(rng.random(ventings) < 0.2, dtype="boolean"),
        }
    )
    jobs["b"] = pd.array(
        (rng.random(ventings) < 0.2) | (jobs["a"].astype(float) > rng.random(ventings)), dtype="boolean"
    )
    jobs.loc[rng.random(ventings) < 0.1, "a"] = pd.NA
    jobs.loc[rng.random(ventings) < 0.1, "oil"] = np.nan
    logit = (
        -2.5
        + 0.5 * jobs["b"].astype(float)
        + 0.4 * (jobs["lot"] == "B")
        + rng.normal(0, 0.6, engines)[engine]
    )
    jobs["lifters_judged_first"] = 8
    jobs["lifters_over_first"] = rng.binomial(8, 1 / (1 + np.exp(-logit)))
    base = {
        "mechanism": "wear",
        "plausibility": "high",
        "direction": "either",
        "outcomes": ("lifter_failure",),
    }
    yes = {"adjust": ("lifter_failure",)}
    factors = (
        causes.Factor(name="a", title="a", kind="yes_no", column="a", **base, **yes),
        causes.Factor(name="b", title="b", kind="yes_no", column="b", **base, **yes),
        causes.Factor(name="lot", title="lot", kind="group", column="lot", **base, **yes),
        causes.Factor(
            name="reason", title="reason", kind="code", column="reason", reference="oil", **base, **yes
        ),
        causes.Factor(
            name="oil", title="oil", kind="number", column="oil", step=5.0, cut=15.0, **base, **yes
        ),
        causes.Factor(name="late", title="late", kind="yes_no", column="late", adjust=(), **base),
        causes.Factor(
            name="both",
            title="both",
            kind="interaction",
            parts=("b", "oil"),
            part_levels=("yes", "under"),
            adjust=(),
            **base,
        ),
    )
    return jobs, factors


def dense_design(jobs: pd.DataFrame) -> tuple[np.ndarray, list[str]]:
    """The joint model's columns written out by hand."""
    oil = jobs["oil"].to_numpy(float)
    known = ~np.isnan(oil)
    a = jobs["a"]
    columns = {
        "one": np.ones(len(jobs)),
        "a": a.fillna(False).to_numpy(float),
        "a missing": a.isna().to_numpy(float),
        "b": jobs["b"].to_numpy(float),
        "lot B": (jobs["lot"] == "B").to_numpy(float),
        "lot C": (jobs["lot"] == "C").to_numpy(float),
        "reason new": (jobs["reason"] == "new").to_numpy(float),
        "reason line": (jobs["reason"] == "line").to_numpy(float),
        "oil": np.where(known, (oil - oil[known].mean()) / 5, 0.0),
        "oil missing": (~known).astype(float),
        "site 1": (jobs["site"] == "Ridge").to_numpy(float),
        "site 2": (jobs["site"] == "Plain").to_numpy(float),
    }
    return np.column_stack(list(columns.values())), list(columns)


@cache
def screened(engines: int) -> tuple[pd.DataFrame, tuple[causes.Factor, ...], pd.DataFrame]:
    """A fleet of 24,000 ventings, its factors and its table of effects; not to be changed in place."""
    jobs, factors = make_fleet(24_000, engines=engines)
    return jobs, factors, causes.screen_factors(jobs, factors=factors)


def one(frame: pd.DataFrame, factor: str, level: str) -> pd.Series:
    return frame[(frame["factor"] == factor) & (frame["level"] == level)].iloc[0]


@pytest.mark.parametrize("engines", [9_000, 1_500])
def test_the_joint_model_gives_the_library_s_answers(engines: int) -> None:
    import statsmodels.api as sm

    jobs, _, frame = screened(engines)
    design, names = dense_design(jobs)
    cluster, labels = numerics.factorize(jobs["engine_id"])
    y = jobs["lifters_over_first"].to_numpy(float)
    model = sm.GLM(np.column_stack([y, 8 - y]), design, family=sm.families.Binomial())
    fit = model.fit(tol=1e-14, cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False})
    beta = dict(zip(names, fit.params, strict=True))
    for factor, level, expected in (
        ("a", "yes", beta["a"]),
        ("b", "yes", beta["b"]),
        ("reason", "new", beta["reason new"]),
        ("oil", "per 5", beta["oil"]),
    ):
        assert np.log(one(frame, factor, level)["adjusted"]) == pytest.approx(expected, abs=1e-8)
    counts = jobs["lot"].value_counts()
    against = (counts["C"] * beta["lot C"]) / (counts["A"] + counts["C"])
    assert np.log(one(frame, "lot", "B")["adjusted"]) == pytest.approx(beta["lot B"] - against, abs=1e-8)
    se = dict(zip(names, np.sqrt(np.diag(fit.cov_params())), strict=True))
    groups = len(labels)
    found = one(frame, "b", "yes")["log_se"]
    if groups > numerics.CR3_CLUSTERS:
        assert found == pytest.approx(se["b"] * np.sqrt(groups / (groups - 1)), rel=1e-8)
    else:  # CR3 lies a little over the library's plain sandwich
        assert se["b"] < found < 1.02 * se["b"]


def test_the_crude_effects_of_a_large_fleet_are_those_of_the_general_fit() -> None:
    jobs, factors, _ = screened(9_000)
    frame = causes.screen_factors(jobs, factors=factors, parts=("crude",))
    assert frame["adjusted"].isna().all()
    setting = settings.prepare_setting(
        jobs, outcome="lifter_failure", factors=factors, level=0.95, parts=("crude",)
    )
    for name, level in (("a", "yes"), ("oil", "per 5"), ("lot", "B")):
        term = next(t for t in terms.list_terms(setting.coded[name], setting.take) if t.level == level)
        known = term.known
        design = np.column_stack([np.ones(known.sum()), term.x[known]])
        fit = causes.fit_binomial(design, setting.outcome.failures[known], setting.outcome.trials[known])
        effect = causes.estimate_contrast(
            fit,
            design,
            np.array([0.0, 1.0]),
            cluster=setting.cluster[known],
            n_clusters=setting.n_clusters,
            level=0.95,
        )
        row = one(frame, name, level)
        found = np.log(row[["crude", "crude_low", "crude_high"]].to_numpy(float))
        assert found[0] == pytest.approx(effect.log, abs=1e-8)
        assert found == pytest.approx([effect.log, effect.low, effect.high], abs=1e-6)


def test_a_term_outside_the_model_gets_a_fit_of_its_own() -> None:
    jobs, _, frame = screened(9_000)
    design, _ = dense_design(jobs)
    cold = jobs["oil"].to_numpy(float) <= 15
    y, n = jobs["lifters_over_first"].to_numpy(float), np.full(len(jobs), 8.0)
    late = np.column_stack([design, jobs["late"].to_numpy(float)])
    expected = causes.fit_binomial(late, y, n).beta[-1]
    assert np.log(one(frame, "late", "yes")["adjusted"]) == pytest.approx(expected, abs=1e-8)
    both = np.column_stack(
        [design, (~cold & jobs["oil"].notna()).astype(float), (jobs["b"] & cold).astype(float)]
    )
    expected = causes.fit_binomial(both, y, n).beta[-1]
    assert np.log(one(frame, "both", "yes")["adjusted"]) == pytest.approx(expected, abs=1e-7)


def test_overlap_from_cross_products_is_that_of_the_rows() -> None:
    jobs, factors, frame = screened(9_000)
    large = one(frame, "b", "yes")
    small = one(causes.screen_factors(jobs.iloc[:19_000], factors=factors), "b", "yes")
    assert (
        (large["overlap"], large["overlap_with"])
        == (small["overlap"], small["overlap_with"])
        == ("good", "a")
    )
    assert large["overlap_share"] == pytest.approx(small["overlap_share"], abs=0.02)


def test_a_level_without_findings_leaves_the_others_finite() -> None:
    jobs, factors = make_fleet(24_000, engines=9_000)
    jobs.loc[jobs["lot"] == "C", "lifters_over_first"] = 0
    frame = causes.screen_factors(jobs, factors=factors)
    adjusted = frame[["adjusted", "adjusted_low", "adjusted_high"]]
    assert np.isfinite(adjusted[frame["factor"] != "lot"].to_numpy()).all()
    row = one(frame, "lot", "C")
    assert np.isnan(row["adjusted"])
    assert 0 < row["crude_high"] < 0.1


def test_pieces_end_where_an_engine_ends() -> None:
    cluster = np.repeat(np.arange(4_000), 11)
    firsts = np.flatnonzero(np.r_[True, cluster[1:] != cluster[:-1]])
    pieces = list(joint._pieces(len(cluster), firsts))
    assert pieces[0].start == 0
    assert pieces[-1].stop == len(cluster)
    assert all(piece.start in set(firsts.tolist()) for piece in pieces)
