"""Gauges against their own past: how far and since when they moved, and whether it is the gauge or the site."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from calibrate import calibrate_gauge_drift as fleets
from calibrate import worlds
from calibrate.calibrate_gauge_drift import BEFORE, WATCHED, WRONG, Kind

from ventbook.reports.quarterly_review import words
from ventbook.statistics import causes, trends
from ventbook.statistics.causes import account
from ventbook.statistics.trends import gauge_drift
from ventbook.tables import GaugeRow, Gauges


def gaps_of(kind, seed=1):
    jobs, lifters = fleets.draw_fleet(kind, rng=np.random.default_rng(seed))
    return jobs, lifters, trends.list_sound_gaps(lifters, period="step")


def drift_of(kind, seed=1, **options):
    _, _, gaps = gaps_of(kind, seed)
    return {d.gauge: d for d in trends.find_gauge_drifts(gaps, period="step", **options)}


def test_means_of_periods_and_the_fit_of_a_step_agree_with_a_library():
    # statsmodels 0.15: OLS on dummies of period and stratum, and GLS of the differences to the first period
    _, _, gaps = gaps_of(Kind("made up", a_quarter=30))
    fleet = gauge_drift._Fleet(gaps, "step")
    fleet.alike, fleet.vary = 0.0, 0.0
    mine = (gaps["gauge"] == WRONG).to_numpy()
    own = fleet.series(mine)
    part = gaps[mine]
    design = pd.get_dummies(part["step"], dtype=float).join(
        pd.get_dummies(part["engine_type"], drop_first=True, dtype=float)
    )
    fit = sm.OLS(part["sound_gap_mm"].to_numpy(), design.to_numpy()).fit()
    k = len(own.mean)
    np.testing.assert_allclose(own.mean - own.mean[0], fit.params[:k] - fit.params[0], atol=1e-10)
    differences = np.eye(k)[1:] - np.eye(k)[0]
    cov = differences @ fit.cov_params()[:k, :k] @ differences.T
    step = (np.arange(k) >= 5).astype(float)
    value, error = own.fit(step)
    theirs = sm.GLS(own.mean[1:] - own.mean[0], differences @ step, sigma=cov).fit(scale=1.0)
    assert value == pytest.approx(theirs.params[0], rel=1e-8)
    assert error == pytest.approx(theirs.normalized_cov_params[0, 0] ** 0.5, rel=1e-6)


def test_a_slope_has_its_rate_and_its_shift_above_the_gauges_own_past():
    drift = drift_of(Kind("slope", drift=0.05))[WRONG]
    assert drift.is_plain and drift.kind == "slope" and drift.since in ("2026Q1", "2026Q2")
    assert drift.rate.low < 0.05 < drift.rate.high
    # the last quarter's mean: .05 mm a quarter for two and a half quarters
    assert drift.shift.low < 0.125 < drift.shift.high and drift.shift.high - drift.shift.low < 0.05
    assert list(drift.by_period["period"])[-1] == drift.last == "2026Q3"


def test_a_step_that_reads_low_is_negative_and_one_number():
    drift = drift_of(Kind("step", step=-0.06, gauges=2))[WRONG]
    assert (drift.kind, drift.since, drift.verdict) == ("step", "2026Q1", trends.GAUGE)
    assert drift.shift.low < -0.06 < drift.shift.high < 0
    assert set(drift.shifts().values()) == {drift.shift.estimate}


@pytest.mark.parametrize(
    ("kind", "verdict", "ground"),
    [
        (Kind("second gauge", drift=0.05, gauges=2), trends.GAUGE, "other gauge"),
        (Kind("travels", drift=0.05, travels=True), trends.GAUGE, "other gauge"),
        (Kind("alone", drift=0.05), trends.GAUGE, "lowest gaps"),
        (Kind("alone, in proportion", in_proportion=1.5), trends.OPEN, ""),
        (Kind("both gauges, in proportion", in_proportion=1.5, gauges=2, a_quarter=150), trends.SITE, "other gauge"),
    ],
)  # fmt: skip
def test_gauge_or_site_is_told_by_what_only_one_of_them_shares(kind, verdict, ground):
    drifts = drift_of(kind)
    assert (drifts[WRONG].verdict, drifts[WRONG].ground) == (verdict, ground)
    assert not [
        d.gauge for d in drifts.values() if d.is_plain and d.verdict == trends.GAUGE and d.gauge != WRONG
    ]


def test_a_zero_that_moved_with_the_other_gauge_there_is_not_the_gauges():
    """All gaps of a site .04 mm more each quarter, whichever gauge reads them: the lowest gaps move as with a zero."""
    for seed in range(4):
        _, _, gaps = gaps_of(Kind("a site moves", gauges=2, a_quarter=25), seed)
        since = (pd.PeriodIndex(gaps["step"], freq="Q") - pd.Period("2026Q1", "Q")).map(lambda d: d.n + 1)
        more = np.where(gaps["site"] == "Harbour", 0.04 * np.maximum(np.asarray(since), 0), 0.0)
        gaps = gaps.assign(
            sound_gap_mm=gaps["sound_gap_mm"] + more, lowest_gap_mm=gaps["lowest_gap_mm"] + more
        )
        moved = [d for d in trends.find_gauge_drifts(gaps, period="step") if d.is_plain]
        assert moved and all(d.verdict in (trends.SITE, trends.OPEN) for d in moved)


@pytest.mark.parametrize("number", [1, 4, 14])
def test_a_slope_is_set_against_the_other_gauge_as_a_slope(number):
    """Fleets of few ventings and sound gaps far apart: the mean since the change, half of what the slope says, didn't tell."""
    drawn = worlds.draw_world(worlds.World("a gauge drifts", drift_mm=0.04), number).tables
    jobs = drawn["ventings"].merge(drawn["engines"][["engine_id", "engine_type"]], on="engine_id")
    first = drawn["lifter_checks"].query("check_no == 1")[["venting_id", "gap_mm", "gauge"]]
    lifters = first.merge(jobs, on="venting_id").rename(columns={"gap_mm": "gap_first_mm"})
    lifters["quarter"] = pd.to_datetime(lifters["date"]).dt.to_period("Q").astype(str)
    (moved,) = [d for d in trends.find_gauge_drifts(trends.list_sound_gaps(lifters)) if d.is_plain]
    assert (moved.gauge, moved.kind, moved.verdict) == ("Harbour 2", "slope", trends.GAUGE)


def test_ventings_are_recounted_as_if_a_gauge_had_not_moved():
    """By hand: 0.55 - 0.06 is within 0.50, 0.57 - 0.06 is over; before it moved and with another gauge nothing changes."""
    shifts = pd.DataFrame({"period": ["2026Q2"], "ventings": [9], "shift_mm": [0.06], "u_mm": [0.01]})
    drift = replace(drift_of(Kind("slope", drift=0.05))[WRONG], kind="", since="2026Q2", by_period=shifts)
    ids, quarter = ["V1", "V2", "V3", "V4", "V5"], ["2026Q2", "2026Q2", "2026Q1", "2026Q2", "2026Q2"]
    lifters = pd.DataFrame({
        "venting_id": ids, "gauge": [WRONG, WRONG, WRONG, "H-2", WRONG], "quarter": quarter, "limit_mm": 0.5,
        "gap_first_mm": [0.55, 0.57, 0.55, 0.55, np.nan], "over_first": pd.array([True, True, True, True, None], dtype="boolean"),
    })  # fmt: skip
    ventings = pd.DataFrame({
        "venting_id": ids, "lifters_over_first": [1, 2, 1, 1, 0],
        "failed_first": pd.array([True, True, True, True, None], dtype="boolean"),
    })  # fmt: skip
    out = trends.recount_unmoved(ventings, lifters, [drift])
    assert out["lifters_over_first"].tolist() == [0, 2, 1, 1, 0]
    assert out["failed_first"].tolist() == [False, True, True, True, pd.NA]


def test_what_cant_be_told_from_the_site_goes_to_the_gauge_with_the_doubt_beside_it():
    """All gaps of a site half as large again in its only gauge's hands: gauge or site; its failures hang on that move."""
    _, lifters, _ = gaps_of(Kind("alone, in proportion", in_proportion=1.5))
    place = lifters.groupby("venting_id").cumcount()
    lifters = lifters.rename(columns={"step": "quarter"}).assign(
        cylinder=place // 2 + 1, valve=np.where(place % 2, "exhaust", "inlet"),
        over_first=pd.array(lifters["gap_first_mm"] > lifters["limit_mm"], dtype="boolean"),
    )  # fmt: skip
    listed = causes.list_gauge_biases(lifters)
    assert listed.loc[listed["gauge"] == WRONG, "rivals"].unique().tolist() == [
        "something that moved all readings at Harbour"
    ]
    jobs = lifters.drop_duplicates("venting_id")[["venting_id", "engine_id", "site", "quarter"]]
    found = causes.explain_failures(jobs, lifters, draws=0)
    row = found.terms.set_index("name").loc[f"gauge {WRONG}"]
    assert row["rivals"] and row["reason"].endswith(f"can't tell it from {row['rivals']}")
    assert row["check"] == "read_both_gauges"


def test_the_first_quarters_of_a_drift_count_with_its_plainest():
    """A bias of .05 +- .025 alone is luck's; of a gauge that is .20 +- .02 later it is in force."""
    first = (WRONG, pd.Timestamp("2026-01-01"), pd.Timestamp("2026-04-01"), 0.05, 0.025, "x")
    later = (WRONG, pd.Timestamp("2026-04-01"), pd.NaT, 0.20, 0.02, "x")
    findings = pd.DataFrame({
        "gauge": WRONG, "limit_mm": 0.5, "gap_first_mm": [0.52, 0.52], "date": pd.to_datetime(["2026-02-01", "2026-05-01"]),
    })  # fmt: skip
    for rows, counted in (([first], 0), ([first, later], 2)):
        gauges = pd.DataFrame(rows, columns=list(causes.GAUGE_COLUMNS))
        _, weight, _ = account._weigh_gauges(findings, np.ones(2, dtype=bool), gauges)
        assert (weight > 0.5).sum() == counted


def test_a_gauge_at_two_sites_alone_is_told_by_both_moving():
    _, _, gaps = gaps_of(Kind("alone at two sites", drift=0.05))
    gaps["gauge"] = gaps["gauge"].where(~gaps["gauge"].isin([WRONG, "R-1"]), "both")
    late = gaps["step"] >= "2026Q1"
    ridge = (gaps["site"] == "Ridge") & late
    # in proportion, so that the smallest gaps don't tell: the second site moves as the first does
    gaps.loc[ridge, ["sound_gap_mm", "lowest_gap_mm"]] += 0.05
    gaps.loc[late & (gaps["gauge"] == "both"), "lowest_gap_mm"] *= 0.7
    drift = {d.gauge: d for d in trends.find_gauge_drifts(gaps, period="step")}["both"]
    assert (drift.verdict, drift.ground) == (trends.GAUGE, "other site")


def test_a_study_that_found_it_off_by_as_much_decides_and_another_does_not():
    kind = Kind("in proportion", in_proportion=1.5)
    for bias, ground in ((0.09, "study"), (-0.02, ""), (0.2, "")):
        study = pd.DataFrame({"gauge": [WRONG], "bias": [bias], "uncertainty": [0.01]})
        assert drift_of(kind, biases=study)[WRONG].ground == ground


def test_innocent_gauges_are_not_named():
    for seed in range(6):
        for kind in (Kind("one"), Kind("two", gauges=2), Kind("quarters vary", quarter_spread=0.01)):
            assert not [d.gauge for d in drift_of(kind, seed).values() if d.is_plain]


def test_a_gauge_that_drifts_in_use_all_along_is_the_cause_of_the_signal():
    jobs, lifters, gaps = gaps_of(Kind("slope", drift=0.05))
    window = ["2026Q2", "2026Q3"]
    drifts = trends.find_gauge_drifts(gaps, period="step")
    before, (after,) = (
        trends.compare_gauges(lifters, site="Harbour", window=window, expected=16.0, period="step", drifts=given)
        for given in ((), drifts)
    )  # fmt: skip
    assert not before[0].attributed and after.attributed and not after.doubtful
    assert after.drift is drifts[[d.gauge for d in drifts].index(WRONG)]
    truth = jobs[jobs["step"].isin(window) & (jobs["site"] == "Harbour")]
    # without its bias: the planted 12 % of 120 and nothing else
    assert after.failing == truth["failed_first"].sum() and after.corrected == pytest.approx(14.4, abs=8)


def test_failures_that_a_gauge_does_not_make_are_not_put_down_to_it():
    _, lifters, gaps = gaps_of(Kind("worse", times=3.0))
    drifts = trends.find_gauge_drifts(gaps, period="step")
    (gauge,) = trends.compare_gauges(
        lifters, site="Harbour", window=["2026Q1", "2026Q2"], expected=14.0, period="step", drifts=drifts
    )
    assert not (gauge.attributed or gauge.doubtful) and gauge.failing > 25


def test_biases_of_drifts_have_days_and_go_into_the_account():
    _, lifters, gaps = gaps_of(Kind("slope", drift=0.05, gauges=2))
    drifts = trends.find_gauge_drifts(gaps, period="step")
    starts = {label: pd.Period(label, "Q").start_time for label in gaps["step"].unique()}
    table = trends.list_drift_biases(drifts, starts)
    assert set(table["gauge"]) == {WRONG} and table["bias"].is_monotonic_increasing
    assert table["until"].isna().tolist() == [False] * (len(table) - 1) + [True]
    assert table["from"].iloc[1:].tolist() == table["until"].iloc[:-1].tolist()
    lifters = lifters.rename(columns={"step": "quarter"})
    listed = causes.list_gauge_biases(lifters)
    own = listed[listed["gauge"] == WRONG]
    assert own["source"].str.startswith("own readings before").all() and len(own) == len(table)
    step = trends.find_gauge_drifts(gaps_of(Kind("step", step=0.09, gauges=2))[2], period="step")
    (row,) = trends.list_drift_biases(step, starts).to_dict("records")
    assert row["from"] == pd.Timestamp("2026-01-01") and row["bias"] == pytest.approx(0.09, abs=0.02)


def test_what_a_page_says_of_a_drift():
    drift = drift_of(Kind("slope", drift=0.05, gauges=2))[WRONG]
    text = words.drift_sentence(drift, recount=(20, 9))
    assert "Gauge H-1 reads sound lifters 0.1" in text and "higher than before 2026Q" in text
    assert "9 ventings fail instead of 20" in text and "did not move along" in text
    assert text.endswith("Take the change for the gauge's until it has been checked.")
    alone = drift_of(Kind("alone, in proportion", in_proportion=1.5))[WRONG]
    assert "Gauge or site, these records can't tell" in words.drift_sentence(alone)


def test_the_review_puts_the_signals_of_a_drifting_gauge_down_to_it():
    kind = Kind("slope", drift=0.05)
    jobs, lifters = fleets.draw_fleet(kind, rng=np.random.default_rng(3))
    said = fleets.say_quarter(kind, jobs, lifters, sorted(jobs["step"].unique())[BEFORE + WATCHED - 1], 3)
    read = [fleets.read_signal(signal) for signal in said["signals"] if signal.site == "Harbour"]
    assert read and set(read) == {("gauge", WRONG)}
    assert [action.gauge[0] for action in said["gauges"]] == [WRONG]


def test_few_ventings_and_missing_columns():
    _, _, gaps = gaps_of(Kind("made up", a_quarter=2))
    one = gaps[gaps["step"] == "2024Q4"]
    assert trends.find_gauge_drifts(one, period="step") == []
    equal = gaps.assign(sound_gap_mm=0.2, lowest_gap_mm=0.2)
    assert trends.find_gauge_drifts(equal, period="step") == []
    with pytest.raises(ValueError, match="gaps lacks the columns engine_id, gauge"):
        trends.find_gauge_drifts(gaps.drop(columns=["engine_id", "gauge"]), period="step")


def test_a_register_is_drafted_with_the_drift_from_the_day_on_it_began():
    _, lifters, _ = gaps_of(Kind("slope", drift=0.05, gauges=2))
    rows = [
        row
        for row in trends.draft_gauges(lifters.rename(columns={"step": "quarter"}))[0]
        if row.gauge == WRONG
    ]
    before, since = rows
    assert before.kind == "assumed" and before.until == since.since == dt.date(2026, 1, 1)
    assert since.kind == "drift" and since.until is None and "own readings before 2026Q1" in since.source
    # planted: .05 mm a quarter is .2 mm a year, so .125 mm in the middle of the third quarter
    assert since.drift == pytest.approx(0.2, abs=0.03)
    bias, u = since.bias_on(dt.date(2026, 8, 15))
    assert abs(bias - 0.125) < 2.6 * u and u < 0.02


def test_studies_of_a_register_are_known_biases_and_other_rows_are_not():
    rows = (
        GaugeRow("A", "study", "made up", unit="mm", bias=0.05, bias_uncertainty=0.01),
        GaugeRow("B", "comparison", "made up", unit="mm", bias=0.05, bias_uncertainty=0.01),
        GaugeRow("C", "assumed", "made up"),
    )
    assert trends.list_known_biases(Gauges(rows)).to_dict("records") == [
        {"gauge": "A", "bias": 0.05, "uncertainty": 0.01}
    ]
