"""Effects of fleets of tens of thousands against a library fit on full rows, and against those of a small fleet."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest

from ventbook import numerics
from ventbook.statistics import causes
from ventbook.statistics.causes import factors as terms
from ventbook.statistics.causes import fits, screening
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


def dense_columns(jobs: pd.DataFrame, names: list[str]) -> list[np.ndarray]:
    """The columns of some adjusters written out by hand."""
    oil = jobs["oil"].to_numpy(float)
    known = ~np.isnan(oil)
    by_name = {
        "site": [(jobs["site"] == site).to_numpy(float) for site in ("Ridge", "Plain")],
        "a": [jobs["a"].fillna(False).to_numpy(float), jobs["a"].isna().to_numpy(float)],
        "b": [jobs["b"].to_numpy(float)],
        "lot": [(jobs["lot"] == lot).to_numpy(float) for lot in ("B", "C")],
        "reason": [(jobs["reason"] == reason).to_numpy(float) for reason in ("new", "line")],
        "oil": [np.where(known, (oil - oil[known].mean()) / 5, 0.0), (~known).astype(float)],
    }
    return [column for name in names for column in by_name[name]]


@cache
def screened(engines: int) -> tuple[pd.DataFrame, tuple[causes.Factor, ...], pd.DataFrame]:
    """A fleet of 24,000 ventings, its factors and its table of effects; not to be changed in place."""
    jobs, factors = make_fleet(24_000, engines=engines)
    return jobs, factors, causes.screen_factors(jobs, factors=factors)


def one(frame: pd.DataFrame, factor: str, level: str) -> pd.Series:
    return frame[(frame["factor"] == factor) & (frame["level"] == level)].iloc[0]


@pytest.mark.parametrize("engines", [9_000, 1_500])
def test_the_adjusted_effects_are_the_library_s(engines: int) -> None:
    """statsmodels' GLM on every row with the adjusters that the table names, its variance summed by engine."""
    import statsmodels.api as sm

    jobs, _, frame = screened(engines)
    y = jobs["lifters_over_first"].to_numpy(float)
    told: dict[str, tuple[np.ndarray, np.ndarray]] = {
        "a yes": (jobs["a"].fillna(False).to_numpy(float), jobs["a"].notna().to_numpy()),
        "b yes": (jobs["b"].to_numpy(float), np.ones(len(jobs), dtype=bool)),
        "lot B": ((jobs["lot"] == "B").to_numpy(float), np.ones(len(jobs), dtype=bool)),
        "reason new": ((jobs["reason"] == "new").to_numpy(float), (jobs["reason"] != "line").to_numpy()),
        "oil per 5": (jobs["oil"].to_numpy(float) / 5, jobs["oil"].notna().to_numpy()),
    }
    assert one(frame, "a", "yes")["adjusted_for"] == "site, b"
    for name, (x, known) in told.items():
        factor, level = name.split(" ", 1)
        row = one(frame, factor, level)
        columns = dense_columns(jobs, row["adjusted_for"].split(", "))
        design = np.column_stack([np.ones(len(jobs)), x, *columns])[known]
        cluster, _ = numerics.factorize(jobs["engine_id"][known])
        model = sm.GLM(np.column_stack([y, 8 - y])[known], design, family=sm.families.Binomial())
        fit = model.fit(tol=1e-14, cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False})
        assert np.log(row["adjusted"]) == pytest.approx(fit.params[1], abs=1e-8), name
        se, groups = float(np.sqrt(fit.cov_params()[1, 1])), engines
        if groups > numerics.CR3_CLUSTERS:
            groups = jobs["engine_id"].nunique()
            assert row["log_se"] == pytest.approx(se * np.sqrt(groups / (groups - 1)), rel=1e-8), name
        else:  # CR3 lies a little over the library's plain sandwich
            assert se < row["log_se"] < 1.02 * se, name


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


def test_overlap_is_that_of_least_squares_on_the_rows() -> None:
    jobs, _, frame = screened(9_000)
    for factor, level, x in (
        ("b", "yes", jobs["b"].to_numpy(float)),
        ("oil", "per 5", jobs["oil"].to_numpy(float)),
        ("a", "yes", jobs["a"].astype("float").to_numpy(float, na_value=np.nan)),
    ):
        known = ~np.isnan(x)
        centred = x[known] - x[known].mean()
        left = {}
        for name in ("site", "a", "b", "lot", "reason", "oil"):
            if name == factor:
                continue
            design = np.column_stack([np.ones(known.sum()), *(c[known] for c in dense_columns(jobs, [name]))])
            rest = centred - design @ np.linalg.lstsq(design, centred)[0]
            left[name] = float(rest @ rest / (centred @ centred))
        row = one(frame, factor, level)
        closest = min(left, key=lambda name: left[name])
        assert row["overlap_with"] == closest
        assert row["overlap_share"] == pytest.approx(left[closest], abs=1e-9)


def test_one_estimator_at_all_sizes() -> None:
    """The same ventings thrice, each time of other engines: the same effects, adjusted for the same factors."""
    jobs, factors = make_fleet(8_000, engines=2_500)
    thrice = pd.concat([jobs.assign(engine_id=jobs["engine_id"] + f"-{i}") for i in range(3)])
    small = causes.screen_factors(jobs, factors=factors)
    large = causes.screen_factors(thrice.reset_index(drop=True), factors=factors)
    assert large["log_effect"].to_numpy() == pytest.approx(small["log_effect"].to_numpy(), abs=1e-8)
    assert large["overlap_share"].to_numpy() == pytest.approx(small["overlap_share"].to_numpy(), abs=1e-9)
    assert large["adjusted_for"].tolist() == small["adjusted_for"].tolist()


def test_a_level_without_findings_leaves_the_others_finite() -> None:
    jobs, factors = make_fleet(24_000, engines=9_000)
    jobs.loc[jobs["lot"] == "C", "lifters_over_first"] = 0
    frame = causes.screen_factors(jobs, factors=factors)
    adjusted = frame[["adjusted", "adjusted_low", "adjusted_high"]]
    assert np.isfinite(adjusted[frame["factor"] != "lot"].to_numpy()).all()
    row = one(frame, "lot", "C")
    assert 0 < row["crude_high"] < 0.1


def test_rows_alike_are_one_pattern() -> None:
    design = np.array([[1.0, 0.0, 2.5], [1.0, 1.0, 2.5], [1.0, 0.0, 2.5], [1.0, 0.0, 3.0]])
    place, first = screening.find_patterns(design)
    assert place.tolist() == [0, 1, 0, 2]
    assert first.tolist() == [0, 1, 3]


def test_patterns_have_the_error_and_the_freedom_of_rows() -> None:
    """The adjusted effect from ventings alike put together is that of the fit on each row, in error and degrees of freedom."""
    jobs, factors = make_fleet(1_500, engines=500)
    row = one(causes.screen_factors(jobs, factors=factors, parts=("adjusted",)), "b", "yes")
    columns = dense_columns(jobs, row["adjusted_for"].split(", "))
    design = np.column_stack([np.ones(len(jobs)), jobs["b"].to_numpy(float), *columns])
    cluster, names = numerics.factorize(jobs["engine_id"])
    failures, trials = (jobs[f"lifters_{name}_first"].to_numpy(float) for name in ("over", "judged"))
    fit = fits.fit_binomial(design, failures, trials)
    contrast = np.eye(design.shape[1])[1]
    whole = fits.estimate_contrast(fit, design, contrast, cluster=cluster, n_clusters=len(names), level=0.95)
    assert whole is not None
    assert (row["log_effect"], row["log_se"], row["df"]) == pytest.approx(
        (whole.log, whole.se, whole.df), rel=1e-7
    )
