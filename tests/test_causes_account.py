"""The account of every failure: shares that add up, the fit against a general optimiser, naming, thin data."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from ventbook import demo, tables
from ventbook.model.lifters import build_lifters
from ventbook.model.ventings import build_ventings
from ventbook.physics import lifter
from ventbook.statistics import causes
from ventbook.statistics.causes import account_fit, account_scores, account_shares
from ventbook.statistics.causes.account_terms import AIR, KINDS, LEAK
from ventbook.tables.limits import read_limits

FEW_DRAWS = 40


def draw_tables(
    rng: np.random.Generator,
    *,
    ventings: int = 300,
    sites: tuple[str, ...] = ("North", "South"),
    rate: float = 0.015,
    cooler: float = 0.0,
    lot: float = 0.0,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ventings and lifters whose findings come at ``rate`` a lifter, plus ``cooler`` (air) where the cooler was empty and ``lot``
    (leak-down) with lot B.
    """
    n, lifters = ventings, 8
    jobs = pd.DataFrame(
        {
            "venting_id": [f"V{i:04d}" for i in range(n)],
            "engine_id": [f"E{i % max(n // 2, 1):04d}" for i in range(n)],
            "site": rng.choice(list(sites), n),
            "quarter": rng.choice(["2025Q1", "2025Q2", "2025Q3", "2025Q4"], n),
            "cooler_empty": rng.random(n) < 0.3,
            "lines_empty": rng.random(n) < 0.4,
            "tank_overpressure_bar": np.where(rng.random(n) < 0.5, 0.6, 0.0),
            "oil_temperature_degC": rng.normal(18, 5, n).round(),
            "lifter_lot": rng.choice(list("ABC"), n),
        }
    )
    jobs["cooler_empty"] = jobs["cooler_empty"].astype("boolean").mask(rng.random(n) < 0.05)
    air = rate + cooler * jobs["cooler_empty"].fillna(False).to_numpy(float)
    leak = lot * (jobs["lifter_lot"] == "B").to_numpy(float)
    row = np.repeat(np.arange(n), lifters)
    is_air, is_leak = rng.random(len(row)) < air[row], rng.random(len(row)) < leak[row]
    over = is_air | is_leak
    table = pd.DataFrame(
        {
            "venting_id": jobs["venting_id"].to_numpy()[row],
            "engine_id": jobs["engine_id"].to_numpy()[row],
            "site": jobs["site"].to_numpy()[row],
            "quarter": jobs["quarter"].to_numpy()[row],
            "cylinder": np.tile(np.repeat(np.arange(1, 5), 2), n),
            "valve": np.tile(["inlet", "exhaust"], 4 * n),
            "over_first": pd.array(over, dtype="boolean"),
            "gap_first_mm": np.where(over, 0.9, 0.2),
            "gap_first_corrected_mm": np.where(over, 0.9, 0.2),
            "limit_mm": 0.5,
            "air_likelihood": np.where(over, np.where(is_leak & ~is_air, 0.03, 0.97), np.nan),
        }
    )
    table["leak_down_likelihood"] = 1 - table["air_likelihood"]
    return jobs, table


@pytest.fixture(scope="module")
def planted() -> causes.Account:
    return causes.explain_failures(*draw_tables(np.random.default_rng(5), cooler=0.06, lot=0.08))


def check_sums(account: causes.Account) -> None:
    by_finding = account.shares.groupby(["venting_id", "lifter"])["share"].sum()
    by_venting = account.venting_shares.groupby("venting_id")["share"].sum()
    assert len(by_finding) == account.findings
    assert len(by_venting) == account.failing
    np.testing.assert_allclose(by_finding, 1.0, rtol=0, atol=1e-9)
    np.testing.assert_allclose(by_venting, 1.0, rtol=0, atol=1e-9)
    named = account.terms[account.terms["standing"] == "named"]
    for column, count in (("findings", account.findings), ("ventings", account.failing)):
        rest = account.unexplained[column].sum()
        assert named[column].sum() + rest == pytest.approx(count, abs=1e-9)


def test_planted_causes_are_named_with_ranges_around_what_they_did(planted):
    named = planted.terms[planted.terms["standing"] == "named"].set_index("name")
    assert set(named.index) == {"cooler_empty", "lifter_lot=B"}
    assert named.loc["cooler_empty", "acts_on"] == "air"
    assert named.loc["lifter_lot=B", "acts_on"] == "leak-down"
    for name, rate in (("cooler_empty", 0.06), ("lifter_lot=B", 0.08)):
        assert named.loc[name, "rate_low"] < rate < named.loc[name, "rate_high"]
        assert (
            named.loc[name, "avoidable_low"]
            <= named.loc[name, "avoidable"]
            <= named.loc[name, "avoidable_high"]
        )
        assert named.loc[name, "avoidable"] <= named.loc[name, "ventings"] + 1e-9
    assert planted.state == "named"


def test_shares_add_up_to_the_counts(planted):
    check_sums(planted)


def test_the_same_rows_in_another_order_give_the_same_account(planted):
    jobs, lifters = draw_tables(np.random.default_rng(5), cooler=0.06, lot=0.08)
    again = causes.explain_failures(
        jobs.sample(frac=1, random_state=1), lifters.sample(frac=1, random_state=2)
    )
    pd.testing.assert_frame_equal(planted.terms, again.terms, rtol=1e-12, atol=0)
    pd.testing.assert_frame_equal(planted.shares, again.shares, rtol=1e-12, atol=0)


def test_chance_of_a_venting_splits_among_causes(planted):
    row = {"site": "North", "cooler_empty": True, "lifter_lot": "B", "lifters_judged_first": 8}
    found = causes.chance_for(planted, row)
    assert found.low < found.chance < found.high
    assert sum(found.shares.values()) == pytest.approx(1.0, abs=1e-12)
    assert set(found.shares) == {"cooler_empty", "lifter_lot=B", "unexplained"}
    # truth: 1 - (1 - .075)^8 (1 - .08)^8 = .73
    assert found.low < 0.73 < found.high
    better = causes.chance_for(planted, row | {"cooler_empty": False, "lifter_lot": "A"})
    assert better.chance < 0.3
    assert set(better.shares) == {"unexplained"}
    blank = causes.chance_for(planted, {"site": "Elsewhere"})
    assert better.chance < blank.chance < found.chance


@pytest.mark.parametrize("ventings", [3, 25, 60])
def test_thin_records_name_nothing_and_say_how_many_more(ventings):
    jobs, lifters = draw_tables(np.random.default_rng(2), ventings=ventings, cooler=0.3)
    account = causes.explain_failures(jobs, lifters, draws=FEW_DRAWS)
    assert account.state == "too_few"
    assert account.needed >= 100 - ventings
    assert str(account.needed) in account.notes[0]
    assert not len(account.terms)
    check_sums(account)


@pytest.mark.parametrize(("over", "failing"), [(True, 200), (False, 0)], ids=["all failing", "none failing"])
def test_all_or_none_failing(over, failing):
    jobs, lifters = draw_tables(np.random.default_rng(3), ventings=200)
    lifters["over_first"] = pd.array(np.full(len(lifters), over), dtype="boolean")
    lifters[["air_likelihood", "leak_down_likelihood"]] = 0.5
    account = causes.explain_failures(jobs, lifters, draws=FEW_DRAWS)
    assert account.failing == failing
    assert not (account.terms["standing"] == "named").any()
    check_sums(account)
    assert 0 <= causes.chance_for(account, {"site": "North"}).chance <= 1


def test_one_site_and_blank_fields():
    jobs, lifters = draw_tables(np.random.default_rng(4), sites=("Only",), cooler=0.08)
    account = causes.explain_failures(jobs, lifters, draws=FEW_DRAWS)
    assert "cooler_empty" in account.terms["name"].tolist()
    check_sums(account)
    blank = jobs[["venting_id", "engine_id", "site"]]
    account = causes.explain_failures(blank, lifters, draws=FEW_DRAWS)
    assert account.state == "nothing_named"
    check_sums(account)
    empty = jobs.assign(
        **{c: pd.Series(pd.NA, index=jobs.index, dtype=jobs[c].dtype) for c in ("cooler_empty", "lifter_lot")}
    )
    check_sums(causes.explain_failures(empty, lifters, draws=FEW_DRAWS))


def test_a_circumstance_that_goes_with_the_site_is_said_so():
    jobs, lifters = draw_tables(np.random.default_rng(6))
    jobs["elevation_m"] = jobs["site"].map({"North": 0.0, "South": 900.0})
    account = causes.explain_failures(jobs, lifters, draws=0)
    looked = account.looked_at.set_index("name")
    assert looked.loc["elevation high", "reason"] == "these records can't tell it from the site"
    assert np.isnan(looked.loc["elevation high", "p"])


def test_missing_columns_are_told_at_once():
    jobs, lifters = draw_tables(np.random.default_rng(7), ventings=20)
    with pytest.raises(ValueError, match="ventings lacks the columns engine_id, site"):
        causes.explain_failures(jobs.drop(columns=["site", "engine_id"]), lifters)
    with pytest.raises(ValueError, match="lifters lacks the columns valve, over_first"):
        causes.explain_failures(jobs, lifters.drop(columns=["valve", "over_first"]))
    with pytest.raises(ValueError, match="level must be between 0 and 1"):
        causes.explain_failures(jobs, lifters, level=1.0)


# --- identities of competing causes, by hand -------------------------------------------------------------------------


def one_venting(base: float, rate: float, *, gauge: float = 0.0) -> tuple[np.ndarray, dict, np.ndarray]:
    """Avoidable, weights and shares of one failing venting of 8 lifters with one finding, air for certain."""
    findings = account_fit.Findings(np.array([0]), np.array([1.0]), np.array([0.0]), np.array([gauge]))
    failures = account_fit.gather_failures(findings)
    design = account_fit.Design(np.array([[1.0, 1.0]]), 1, np.array([8.0]))
    leak = account_fit.Design(np.array([[1.0]]), 1, np.array([8.0]))
    theta = {AIR: np.array([base, rate]), LEAK: np.array([1e-10])}
    parts = account_shares.split_intensity(
        {AIR: design, LEAK: leak}, theta, {AIR: [0], LEAK: []}, failures, np.ones(1), 1
    )
    patterns = np.array([[1.0, 0.0, 0.0]])
    weights = account_shares.share_findings(findings, failures, patterns, parts)
    return account_shares.tell_avoidable(findings, failures, patterns, parts), weights, parts.share[AIR]


def test_a_failures_share_is_its_part_of_the_intensity():
    avoidable, weights, share = one_venting(0.01, 0.03)
    assert share[0, 0] == pytest.approx(0.75)
    np.testing.assert_allclose(weights[AIR], [[0.75, 0.25]], atol=1e-12)
    # noisy-or: chance 1 - e^-.32 with both, 1 - e^-.08 without; (e^-.08 - e^-.32) / (1 - e^-.32) by hand
    assert avoidable[0, 0] == pytest.approx((0.9231163464 - 0.7261490371) / (1 - 0.7261490371), rel=1e-8)
    # at small rates avoidable and share agree; at large ones either would do and less could have been avoided
    assert one_venting(1e-7, 3e-7)[0][0, 0] == pytest.approx(0.75, rel=1e-5)
    assert one_venting(0.5, 1.5)[0][0, 0] < 0.02


def test_what_rests_on_the_gauge_is_no_other_cause():
    avoidable, weights, _ = one_venting(0.01, 0.03, gauge=0.4)
    assert weights["gauge"][0] == 0.4
    np.testing.assert_allclose(weights[AIR], [[0.45, 0.15]], atol=1e-12)
    assert avoidable[0, 0] == pytest.approx(0.6 * one_venting(0.01, 0.03)[0][0, 0])


def test_population_attributable_fraction_of_a_cohort():
    """Lung cancer deaths a 1,000 man-years of British doctors: 1.30 of smokers, .07 of others, .94 of all; 92.6 % of all and
    94.6 % of smokers' deaths are attributable to smoking (Doll & Hill 1964, BMJ 1:1399, as textbooks of epidemiology work it
    out; from memory).
    """
    smokers = (0.94 - 0.07) / (1.30 - 0.07)
    years = np.array([smokers, 1 - smokers]) * 1e6
    deaths = years * [1.30e-3, 0.07e-3]
    design = np.array([[1.0, 1.0], [1.0, 0.0]])
    theta = account_fit.maximise_kind(
        design, deaths, years @ design, np.zeros(2), np.array([1e-3, 1e-4]), bases=1
    )
    np.testing.assert_allclose(theta, -np.log1p([-0.07e-3, -1.30e-3]) @ [[1, -1], [0, 1]], rtol=1e-6)
    share = theta[1] * design[:, 1] / (design @ theta)
    assert deaths @ share / deaths.sum() == pytest.approx(0.926, abs=1e-3)
    assert share[0] == pytest.approx(0.946, abs=1e-3)


# --- the fit and the tail against general-purpose libraries ------------------------------------------------------------


def test_the_fit_is_the_maximum_that_a_general_optimiser_finds():
    rng = np.random.default_rng(11)
    n, m = 240, 8.0
    x = np.column_stack([np.eye(2)[rng.integers(0, 2, n)], rng.random((n, 2)) < 0.4]).astype(float)
    leak_x = np.column_stack([np.ones(n), rng.random(n) < 0.3])
    truth = {AIR: np.array([0.01, 0.02, 0.03, 0.0]), LEAK: np.array([0.004, 0.03])}
    designs = {
        AIR: account_fit.Design(x, 2, np.full(n, m)),
        LEAK: account_fit.Design(leak_x, 1, np.full(n, m)),
    }
    air, leak = (rng.random(n) < -np.expm1(-m * d.x @ truth[k]) for k, d in designs.items())
    rows = np.flatnonzero(air | leak)
    told = np.where(air[rows], rng.beta(5, 1, len(rows)), rng.beta(1, 5, len(rows)))
    gauge = np.where(rng.random(len(rows)) < 0.1, 0.5, 0.0)
    findings = account_fit.Findings(rows, told, 1 - told, gauge)
    failures = account_fit.gather_failures(findings)
    fit = account_fit.fit_account(designs, failures, told=True, tolerance=1e-12)

    def short(theta):
        """The likelihood written out venting by venting, as the module's head has it."""
        level = {AIR: m * x @ theta[:4], LEAK: m * leak_x @ theta[4:]}
        total = -(level[AIR] + level[LEAK]).sum()
        for i, a, g in zip(rows, told, gauge, strict=True):
            la, ld = level[AIR][i], level[LEAK][i]
            air_f, leak_f = (1 - g) * a + g / 2, (1 - g) * (1 - a) + g / 2
            ea, ed = np.exp(-la), np.exp(-ld)
            mixed = (1 - ea) * ed * air_f + ea * (1 - ed) * leak_f + (1 - ea) * (1 - ed) / 2
            total += (1 - g) * (np.log(mixed) + la + ld)
        pseudo = 0.5 * x[:, :2].sum(axis=0) / n
        total += pseudo @ (np.log(theta[:2]) - m * theta[:2]) + 0.5 * (np.log(theta[4]) - m * theta[4])
        return -total

    start = np.array([0.02, 0.02, 0.01, 0.01, 0.01, 0.01])
    bounds = [(1e-9, None)] * 2 + [(0, None)] * 2 + [(1e-9, None), (0, None)]
    best = optimize.minimize(
        short, start, bounds=bounds, method="L-BFGS-B", options={"ftol": 1e-15, "gtol": 1e-9, "maxiter": 5000}
    )
    ours = np.r_[fit.kinds[AIR].theta, fit.kinds[LEAK].theta]
    assert short(ours) <= best.fun + 1e-6
    np.testing.assert_allclose(ours, best.x, atol=2e-4)
    assert fit.loglik == pytest.approx(-short(ours), abs=1e-6)


def test_no_term_lowers_the_rate():
    x = np.column_stack([np.ones(100), np.r_[np.ones(50), np.zeros(50)]])
    rows = np.r_[np.arange(2), np.arange(50, 70)]
    theta = account_fit.maximise_kind(
        x[rows], np.ones(22), x.sum(axis=0), np.array([0.5, 0.0]), np.array([0.1, 0.1]), bases=1
    )
    assert theta[1] == 0.0
    assert -np.expm1(-theta[0]) == pytest.approx(0.224, abs=0.003)


@pytest.mark.parametrize("skewness", [-1.5, -0.4, -0.05, 0.0005, 0.005, 0.05, 0.3, 1.0, 2.5])
def test_the_tail_is_a_pearson_iii_tail(skewness):
    z = np.array([-0.5, 0.0, 0.7, 2.0, 3.5, 6.0])
    expected = stats.pearson3.sf(z, skewness)
    found = account_scores.tail_pearson(z, skewness)
    here = expected > 1e-12
    np.testing.assert_allclose(found[here], expected[here], rtol=0.02 if abs(skewness) < 0.001 else 1e-6)


def test_spreads_are_found_again():
    """Gamma factors of engines with variance 1: 3,000 engines with four ventings each."""
    rng = np.random.default_rng(8)
    engines, each = 3000, 4
    engine = np.repeat(np.arange(engines), each)
    level = np.full(len(engine), 0.15)
    factor = rng.gamma(1.0, 1.0, engines)[engine]
    failed = (rng.random(len(engine)) < -np.expm1(-level * factor)).astype(float)
    fitted = np.full(len(engine), -np.log1p(-failed.mean()))
    rows = type(
        "Rows", (), {"engine": engine, "site_code": np.zeros(len(engine), int), "site_names": ("x",)}
    )()
    spread, quarters = account_scores.estimate_spreads(failed, fitted, rows, rng.integers(0, 8, len(engine)))
    assert spread == pytest.approx(1.0, abs=0.25)
    assert quarters < 0.1


def test_spreads_of_quarters_are_found_again_beside_each_sites_course():
    """Gamma factors of site-quarters with variance .3: 300 sites, 8 quarters, 20 ventings each, whose course takes 3 of 8 degrees of freedom."""
    rng = np.random.default_rng(9)
    sites, quarters, each = 300, 8, 20
    cell = np.repeat(np.arange(sites * quarters), each)
    factor = rng.gamma(1 / 0.3, 0.3, sites * quarters)[cell]
    level = np.full(len(cell), 0.15)
    failed = (rng.random(len(cell)) < -np.expm1(-level * factor)).astype(float)
    rows = type(
        "Rows",
        (),
        {"engine": np.arange(len(cell)), "site_code": cell // quarters, "site_names": range(sites)},
    )()
    _, spread = account_scores.estimate_spreads(failed, level, rows, cell % quarters)
    assert spread == pytest.approx(0.3, abs=0.06)


def test_every_kind_has_its_design(planted):
    assert set(planted.model.theta) == set(KINDS)
    assert len(planted.model.theta[LEAK]) == 2


def test_sums_over_quarters_and_sites_add_up_to_the_account(planted):
    """By hand: every failing venting is in one quarter and one site."""
    whole = causes.sum_causes(planted).set_index("cause")["ventings"]
    assert whole.sum() == pytest.approx(planted.failing, abs=1e-9)
    for by in (["quarter"], ["site"], ["site", "quarter"]):
        parts = causes.sum_causes(planted, by=by)
        assert parts.drop_duplicates(by)["failing"].sum() == planted.failing
        np.testing.assert_allclose(
            parts.groupby("cause")["ventings"].sum()[whole.index], whole, rtol=0, atol=1e-9
        )
        assert (parts["low"] <= parts["ventings"] + 1e-9).all() and (
            parts["ventings"] <= parts["high"] + 1e-9
        ).all()


def test_what_rose_and_fell_is_the_difference_of_the_sums(planted):
    changes = causes.compare_causes(planted, ["2025Q1"], ["2025Q4"]).set_index("cause")
    sums = causes.sum_causes(planted, by=["quarter"]).set_index(["quarter", "cause"])["ventings"]
    for cause, row in changes.iterrows():
        assert row["change"] == pytest.approx(sums["2025Q4", cause] - sums["2025Q1", cause], abs=1e-9)
        assert row["low"] <= row["change"] <= row["high"]
        assert row["moved"] == ("rose" if row["low"] > 0 else "fell" if row["high"] < 0 else "")


def test_a_cause_that_stops_fell():
    """A lot that is gone after its quarter: its failing ventings fell, the others' did not."""
    jobs, lifters = draw_tables(np.random.default_rng(9), lot=0.15, rate=0.004)
    late = jobs["quarter"].isin(["2025Q3", "2025Q4"])
    jobs = jobs[~(late & (jobs["lifter_lot"] == "B"))]
    lifters = lifters[lifters["venting_id"].isin(jobs["venting_id"])]
    account = causes.explain_failures(jobs, lifters, draws=FEW_DRAWS)
    changes = causes.compare_causes(account, ["2025Q1", "2025Q2"], ["2025Q3", "2025Q4"]).set_index("cause")
    assert changes.loc["lifter_lot=B", "moved"] == "fell" and changes.loc["lifter_lot=B", "after"] == 0
    assert changes.loc["unexplained", "moved"] == ""


# --- the invented fleet --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def invented():
    """The default invented fleet's account, and its true failures by venting."""
    fleet = demo.simulate_fleet(traces=False)
    records = {name: frame for name, frame in fleet.tables().items() if name != "samples"}
    limits = read_limits([tables.DATA / "demo_limits.toml"])
    lifters = build_lifters(records, limits=limits)
    ventings = build_ventings(records, limits=limits, lifters=lifters)
    filled = set(ventings.loc[ventings["cooler_empty"].eq(False).fillna(False), "venting_id"])
    return causes.explain_failures(ventings, lifters), fleet.truth["failures"], filled


@pytest.mark.parametrize(
    ("name", "planted"),
    [
        ("lifter_lot=LL-2505", "leaking_lot"),
        ("empty_cooler_unpressurised", "tank_not_pressurised"),
        ("Ridge growing", "worsening_site"),
    ],
)
def test_the_invented_fleets_causes_are_named_with_what_they_did(invented, name, planted):
    account, failures, filled = invented
    named = account.terms[account.terms["standing"] == "named"].set_index("name")
    assert name in named.index
    own = named.loc[name]
    # a line without tank pressure acts too, weakly, and is no part of the combination with the cooler
    theirs = [f for f in failures if planted != "tank_not_pressurised" or f["venting_id"] not in filled]
    needing = sum(planted in f["needed"] for f in theirs)
    findings = sum(f["shares"].get(planted, 0.0) * f["lifters_over"] for f in theirs)
    ventings = sum(f["shares"].get(planted, 0.0) for f in theirs)
    assert own["avoidable_low"] <= needing <= own["avoidable_high"]
    assert own["findings"] == pytest.approx(findings, rel=0.25)
    assert own["ventings"] == pytest.approx(ventings, rel=0.25)


def test_the_invented_fleets_other_findings_have_no_name(invented):
    account, failures, _ = invented
    named = account.terms.loc[account.terms["standing"] == "named", "name"].tolist()
    assert len(named) == 3
    # gauge HG-3 reads high, and its bias is known, but no finding of this fleet rests on it
    assert account.gauges["gauge"].tolist() == ["HG-3"]
    assert account.gauges["bias"].iloc[0] == pytest.approx(0.11, abs=0.02)
    assert not any("high_gauge" in f["needed"] for f in failures)
    background = sum(f["shares"].get("background_air", 0.0) for f in failures)
    assert account.unexplained["ventings"].sum() == pytest.approx(background, rel=0.35)
    check_sums(account)


def test_a_gauge_is_a_cause_by_the_findings_that_rest_on_it():
    jobs, lifters = draw_tables(np.random.default_rng(21), rate=0.01)
    over = lifters["over_first"].to_numpy(bool).copy()
    own = lifters["venting_id"].isin(jobs["venting_id"].iloc[:60]).to_numpy()
    lifters["gauge"] = np.where(own, "G1", "G2")
    resting = np.flatnonzero(own & ~over)[::24]
    over[resting] = True
    lifters["over_first"] = pd.array(over, dtype="boolean")
    lifters.loc[lifters.index[resting], ["gap_first_mm", "gap_first_corrected_mm"]] = 0.55
    lifters.loc[lifters.index[resting], "air_likelihood"] = 0.5
    lifters.loc[lifters.index[resting], "leak_down_likelihood"] = 0.5
    gauges = pd.DataFrame(
        [("G1", pd.NaT, pd.NaT, 0.12, 0.01, "register"), ("G2", pd.NaT, pd.NaT, 0.01, 0.01, "register")],
        columns=list(causes.GAUGE_COLUMNS),
    )
    account = causes.explain_failures(jobs, lifters, gauges=gauges, draws=FEW_DRAWS)
    row = account.terms.set_index("name").loc["gauge G1"]
    assert row["findings"] == pytest.approx(len(resting), abs=1.5)
    assert row["avoidable_low"] <= len(resting) <= row["avoidable_high"] + 1
    check_sums(account)
    read = {"site": "North", "lifters_judged_first": 8}
    assert "gauge G1" in causes.chance_for(account, read | {"gauge": "G1"}).shares
    assert "gauge G1" not in causes.chance_for(account, read | {"gauge": "G2"}).shares
    # a bias that is not in force on the day, or too small, explains nothing
    gauges.loc[0, "bias"] = 0.02
    assert (
        "gauge G1"
        not in causes.explain_failures(jobs, lifters, gauges=gauges, draws=0).terms["name"].tolist()
    )


def test_blanks_that_go_with_failing_make_hints_at_most():
    jobs, lifters = draw_tables(np.random.default_rng(9), cooler=0.08)
    failing = jobs["venting_id"].isin(lifters.loc[lifters["over_first"], "venting_id"]).to_numpy()
    hidden = ~failing & (np.random.default_rng(1).random(len(jobs)) < 0.5)
    jobs["cooler_empty"] = jobs["cooler_empty"].mask(hidden)
    account = causes.explain_failures(jobs, lifters, draws=0)
    assert "cooler_empty" not in account.terms.loc[account.terms["standing"] == "named", "name"].tolist()
    looked = account.looked_at.set_index("name")
    assert looked.loc["cooler_empty", "reason"] == "its records are blank less often on failing ventings"


def test_biases_are_listed_as_the_register_has_them_and_else_from_routine_use():
    rng = np.random.default_rng(2)
    _, lifters = draw_tables(rng, ventings=80)
    lifters["gauge"] = np.array(["A", "B", "C"])[np.arange(len(lifters)) // 8 % 3]
    lifters["gap_first_mm"] = (
        0.2 + np.where(lifters["gauge"] == "A", 0.06, 0.0) + rng.normal(0, 0.02, len(lifters))
    )
    routine = causes.list_gauge_biases(lifters).set_index("gauge")
    assert routine.loc["A", "source"] == "comparison in routine use"
    assert routine.loc["A", "bias"] == pytest.approx(0.06, abs=0.01)
    known = lifters["gauge"] == "A"
    told = lifters.assign(
        gauge_bias_mm=np.where(known, 0.05, 0.0), gauge_bias_u_mm=np.where(known, 0.004, 0.0),
        gauge_bias_kind=np.where(known, "study", "assumed"),
    )  # fmt: skip
    found = causes.list_gauge_biases(told).set_index("gauge")
    assert found.loc["A", ["bias", "uncertainty"]].tolist() == pytest.approx([0.05, 0.004])
    assert found.loc["A", "source"] == "study with known gaps"
    assert found.loc["B", "source"] == "comparison in routine use"


def test_predictions_of_many_ventings_are_those_of_each(planted):
    jobs, _ = draw_tables(np.random.default_rng(8), ventings=30)
    jobs = jobs.assign(cylinders=4)
    jobs.loc[0, "site"] = "Elsewhere"
    said = causes.predict_failing(planted, jobs)
    one = [causes.chance_for(planted, row).chance for _, row in jobs.iterrows()]
    np.testing.assert_allclose(said, one, rtol=0, atol=1e-12)
    more = causes.predict_failing(planted, jobs.assign(cylinders=6))
    assert (more > said).all()
    with_cause = causes.predict_failing(planted, jobs.assign(cooler_empty=True, lifter_lot="B"))
    without = causes.predict_failing(planted, jobs.assign(cooler_empty=False, lifter_lot="A"))
    assert (with_cause > without + 0.3).all()


def test_where_nothing_acts_the_prediction_is_near_the_overall_share():
    """Squared distance from the true chance is what the Brier score costs."""
    costs = []
    for seed in range(4):
        jobs, lifters = draw_tables(np.random.default_rng(seed), rate=0.015)
        account = causes.explain_failures(jobs, lifters, draws=0)
        costs.append(
            float(np.mean((causes.predict_failing(account, jobs.assign(cylinders=4)) - (1 - 0.985**8)) ** 2))
        )
    assert np.mean(costs) < 0.002


@pytest.mark.parametrize("spread", [0.0, 0.7])
def test_what_was_never_seen_widens_the_chance(planted, spread):
    """By hand, on the logit scale: 0.7 in quadrature with the half width at hand."""
    chance = causes.Chance(0.3, 0.2, 0.45, 0.9, {})
    low, high = causes.widen_chance(chance, spread)
    logit = lambda p: np.log(p / (1 - p))  # noqa: E731
    more = stats.norm.ppf(0.95) * spread
    assert logit(0.3) - logit(low) == pytest.approx(np.hypot(logit(0.3) - logit(0.2), more))
    assert logit(high) - logit(0.3) == pytest.approx(np.hypot(logit(0.45) - logit(0.3), more))


def test_a_usual_site_has_no_past_of_its_own():
    """By hand: with two sites of one rate each, a usual site has the mean of the two."""
    jobs, lifters = draw_tables(np.random.default_rng(21), rate=0.01)
    worse = (lifters["site"] == "South") & (np.random.default_rng(22).random(len(lifters)) < 0.06)
    lifters = lifters.assign(over_first=lifters["over_first"] | worse)
    account = causes.explain_failures(jobs, lifters, draws=0)
    bare = pd.DataFrame({"site": ["North", "South"], "cylinders": 4})
    own, usual = causes.predict_failing(account, bare), causes.predict_failing(account, bare, own_site=False)
    assert own[0] < usual[0] < own[1] and usual[0] == pytest.approx(usual[1], abs=1e-12)
    theta = account.model.theta[AIR][:2]
    leak = account.model.theta[LEAK][0]
    assert not account.model.terms[AIR]
    assert usual[0] == pytest.approx(1 - np.exp(-8 * (theta.mean() + leak)), abs=1e-12)


# --- the two kinds of finding ---------------------------------------------------------------------------------------------


def split_one(**values: float) -> pd.Series:
    """The split of one check of the worked lifter (12 mm plunger, ratio 1.4) read at .5 and 3 s."""
    frame = pd.DataFrame(
        [{"force_N": 70.0, "hold_s": 3.0, "gap_at_once_time_s": 0.5, "engine_type": "flat4"} | values]
    )
    return lifter.split_gaps(frame).iloc[0]


def test_likelihoods_hold_nothing_of_how_common_a_kind_is():
    alone = split_one(gap_mm=0.62)
    assert alone["air_likelihood"] == pytest.approx(0.5, abs=0.02)
    assert alone["air_probability"] > 0.6
    air, leak = split_one(gap_mm=0.62, gap_at_once_mm=0.61), split_one(gap_mm=0.62, gap_at_once_mm=0.14)
    assert air["air_likelihood"] > 0.9
    assert leak["leak_down_likelihood"] > 0.9
    for row in (alone, air, leak):
        assert row["air_likelihood"] + row["leak_down_likelihood"] == pytest.approx(1.0, abs=1e-12)
    middle = split_one(gap_mm=0.62, gap_at_once_mm=0.40)
    assert leak["air_likelihood"] < middle["air_likelihood"] < air["air_likelihood"]


def test_a_second_look_after_a_run_tells_the_kind():
    """A gap that a further run took away was air; one that stayed speaks for a leak (7 of 10 runs take air)."""
    gone, stays = split_one(gap_mm=0.62, gap_after_run_mm=0.1), split_one(gap_mm=0.62, gap_after_run_mm=0.62)
    assert gone["air_likelihood"] > 0.6 > 0.5 > stays["air_likelihood"]


def test_counts_of_findings_say_nothing_where_they_are_all_one():
    level = np.full(200, 0.2)
    u, values = account_scores.weigh_counts((np.arange(200) < 40).astype(float), level)
    assert not u.any()
    assert not values.any()


def test_counts_of_findings_rise_with_the_intensity_and_have_mean_nothing():
    rng = np.random.default_rng(3)
    count = rng.negative_binomial(0.5, 0.5 / (0.5 + 0.5), 4000).astype(float)
    level = np.full(4000, -np.log(np.mean(count == 0)))
    u, values = account_scores.weigh_counts(count, level)
    assert values.mean() == pytest.approx(0.0, abs=1e-12)
    one, two, more = (u[count == k].mean() for k in (1, 2, 3))
    assert one < two < more
    assert not u[count == 0].any()
    # by hand: P(2) / P(1) = m (1 + k) / (2 (1 + k m)), whose log rises by 1 / (1 + k m) with log m; here k = 2
    assert two - one == pytest.approx(1 / (1 + 2 * count.mean()), abs=0.06)


def test_moments_of_scores_agree_with_simulated_ones():
    rng = np.random.default_rng(4)
    n = 400
    rows = type(
        "Rows",
        (),
        {
            "engine": rng.integers(0, 150, n),
            "site_code": rng.integers(0, 3, n),
            "site_names": ("a", "b", "c"),
        },
    )()
    rows.engine = np.unique(rows.engine, return_inverse=True)[1]
    quarter = rng.integers(0, 8, n)
    level = rng.uniform(0.1, 0.6, n)
    found = rng.normal(size=(n, 5)) ** 2
    found -= found.mean(axis=0)
    values = rng.choice([-0.3, 0.6], 500, p=[2 / 3, 1 / 3])
    values = values - values.mean()
    cell, cells = account_scores.number_cells(rows, quarter)
    scores = account_scores.NullScores(found, level, values, (0.2, 0.1), rows.engine, cell, cells)
    sd, skewness = account_scores.expect_moments(scores)
    drawn = account_scores.simulate_scores(scores, rng, 6000)
    np.testing.assert_allclose(drawn.mean(axis=0) / sd, 0.0, atol=0.06)
    np.testing.assert_allclose(drawn.std(axis=0) / sd, 1.0, atol=0.08)
    np.testing.assert_allclose(stats.skew(drawn), skewness, atol=0.2)
