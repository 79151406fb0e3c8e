"""The register of gauges: what a row may say, what is in force on a day, what the readings become, and its draft."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import ventbook
from invented_store import make_store
from test_jobs import build_lifters, records
from ventbook import model, tables
from ventbook.physics import gauge
from ventbook.run import cli
from ventbook.statistics import trends
from ventbook.tables.gauges import GaugeRow, Gauges, TableError, read_gauges, write_gauges

ROW = '[[gauge]]\ngauge = "G1"\nkind = "study"\nsource = "invented"\nunit = "mm"\nbias = 0.09\nbias_uncertainty = 0.004\n'
HIGH = GaugeRow("G1", "study", "invented", unit="mm", bias=0.09, bias_uncertainty=0.004, repeatability=0.02)


def register(tmp_path, text):
    path = tmp_path / "gauges.toml"
    path.write_text(text, "utf-8")
    return read_gauges(path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (ROW + ROW, r"rows 1 and 2 \(G1\) overlap"),
        (
            ROW + 'until = "2026-01-02"\n' + ROW + 'since = "2026-01-01"\n',
            "overlap from 2026-01-01: end the older",
        ),
        (ROW.replace('unit = "mm"\n', ""), r"row 1 \(G1\): bias 0.09 has no unit"),
        (ROW.replace('"mm"', '"N"'), "no unit of length"),
        (ROW.replace("bias_uncertainty = 0.004\n", ""), "needs bias and bias_uncertainty"),
        (
            ROW.replace('"study"', '"guess"'),
            "kind must be one of certificate, study, comparison, drift, assumed",
        ),
        (ROW.replace('"study"', '"assumed"'), "a bias is not assumed"),
        (ROW.replace("0.004", "-0.004"), "bias_uncertainty must be a number, 0 or more"),
        (ROW + "drift = 0.2\ndrift_uncertainty = 0.01\n", "drift needs since"),
        (ROW + 'since = "2026-13-01"\n', "since must be a day such as 2026-07-01"),
        (ROW + 'since = "2026-02-01"\nuntil = "2026-02-01"\n', "since is not before until"),
        (ROW + "biass = 1\n", "unknown biass"),
        ('[verdict]\ndecides = "as_corrected"\n', "needs source: the place in your manual"),
        ('[verdict]\ndecides = "both"\n', "decides must be one of as_read, as_corrected"),
        ("gauge = 3\n", r"rows are written \[\[gauge\]\]"),
        ("not toml", "not a TOML file"),
    ],
)
def test_a_register_that_is_wrong_is_named_in_one_line(tmp_path, text, message):
    with pytest.raises(TableError, match=message) as error:
        register(tmp_path, text)
    assert str(error.value).startswith("gauges.toml: ") and "\n" not in str(error.value)


def test_a_row_is_in_force_from_its_first_day_until_its_end(tmp_path):
    """Interval and inch by definition: 1 in = 25.4 mm."""
    text = (
        ROW.replace('"mm"', '"in"').replace("0.09", "0.0035") + 'since = "2026-01-01"\nuntil = "2026-07-01"\n'
        "repeatability = 0.001\nbetween_technicians = 0.0004\n"
    )
    found = register(tmp_path, text)
    days = ["2025-12-31", "2026-01-01", "2026-06-30", "2026-07-01", None]
    frame = found.frame(["G1"] * 5, days)
    assert frame["bias_mm"].tolist() == pytest.approx([0, 0.0889, 0.0889, 0, 0])
    assert frame["bias_kind"].tolist() == ["assumed", "study", "study", "assumed", "assumed"]
    assert frame["u_mm"][1] == pytest.approx(25.4 * np.hypot(0.001, 0.0004)) and frame["u_mm"][0] == 0.02
    assert frame["u_assumed"].tolist() == [True, False, False, True, True]
    assert found.find("G1", dt.date(2026, 6, 30)).kind == "study"
    assert found.unknown(["G1", "G2"]) == ["G2"]


def test_a_drift_grows_from_its_first_day():
    """.05 mm a quarter is .2 mm a year; a year is 365.25 days."""
    row = GaugeRow(
        "G1", "drift", "invented", "mm", "2026-01-01", bias=0.01, bias_uncertainty=0.003, drift=0.2, drift_uncertainty=0.04
    )  # fmt: skip
    frame = Gauges((row,)).frame(["G1", "G1", None], ["2026-01-01", "2027-01-01", "2027-01-01"])
    years = 365 / 365.25
    assert frame["bias_mm"].tolist() == pytest.approx([0.01, 0.01 + 0.2 * years, 0])
    assert frame["bias_u_mm"].tolist() == pytest.approx([0.003, np.hypot(0.003, 0.04 * years), 0])
    assert row.bias_on(dt.date(2027, 1, 1)) == pytest.approx((frame["bias_mm"][1], frame["bias_u_mm"][1]))


def test_a_gauge_without_a_row_has_the_shops_own_star_row_then_the_assumed_one():
    star = GaugeRow("*", "assumed", "invented", unit="mm", repeatability=0.03)
    known = Gauges((HIGH, star)).frame(["G1", "G9", None], ["2026-01-01"] * 3)
    assert known["u_mm"].tolist() == [0.02, 0.03, 0.03] and known["u_assumed"].tolist() == [False, True, True]
    assert Gauges().frame(["G9"], ["2026-01-01"])["u_mm"].tolist() == [0.02]  # common practice, no source


def test_the_probability_takes_the_bias_out():
    """Standard normal: Phi(-1.5) = .06681 (printed tables); with a bias of u .015 the spread is .025, Phi(-1.2) = .11507."""
    got = gauge.over_limit_probability([0.56, 0.56], 0.02, 0.50, bias=0.09, bias_u=[0.0, 0.015])
    assert got.round(5).tolist() == [0.06681, 0.11507]
    assert gauge.over_limit_probability(0.60, 0.0, 0.50, bias=0.09).item() == 1.0
    # ISO 14253-1: one-sided 95 % is 1.645 standard uncertainties inside the limit, here the limit of this gauge's readings
    assert gauge.guard_band(0.50, 0.02, bias=0.09, bias_u=0.015) == pytest.approx(
        0.59 - 1.645 * 0.025, abs=5e-5
    )


def lifters_of(gap, row=None, decides="as_read", **more):
    found = records(checks=[{"gap_mm": gap, "gauge": "G1", **more}])
    return build_lifters(found, gauges=Gauges(() if row is None else (row,), decides, "invented")).iloc[0]


def test_both_verdicts_stand_side_by_side_and_the_reading_is_not_altered():
    limit = lifters_of(0.3)["limit_mm"]
    low = GaugeRow(
        "G1", "certificate", "invented", unit="mm", bias=-0.09, bias_uncertainty=0.004, repeatability=0.02
    )
    for row, gap, read, corrected in ((HIGH, limit + 0.04, True, False), (low, limit - 0.04, False, True)):
        for decides in ("as_read", "as_corrected"):
            found = lifters_of(gap, row, decides)
            assert found["gap_first_mm"] == gap and found["gap_first_unbiased_mm"] == pytest.approx(
                gap - row.bias
            )
            assert (found["over_first_as_read"], found["over_first_as_corrected"]) == (read, corrected)
            assert found["over_first"] == (read if decides == "as_read" else corrected)
            assert found["over_last"] == found["over_first"]
            z = (gap - row.bias - limit) / np.hypot(0.02, 0.004)
            assert found["over_probability_first"] == pytest.approx(stats.norm.cdf(z))
            assert not found["near_limit_first"] and found["gauge_bias_kind"] == row.kind


def test_near_the_limit_counts_what_is_not_known_of_the_bias():
    """.02 mm a reading and .03 the bias: .036, so that .07 off its limit is near it and .075 is not; by the reading alone .04 would be."""
    limit = lifters_of(0.3)["limit_mm"]
    unsure = GaugeRow(
        "G1", "certificate", "invented", unit="mm", bias=0.0, bias_uncertainty=0.03, repeatability=0.02
    )
    near = [lifters_of(limit + off, unsure)["near_limit_first"] for off in (-0.075, -0.07, 0.07, 0.075)]
    assert near == [False, True, True, False]


def test_a_biased_reading_is_worth_what_an_unbiased_one_of_the_same_lifter_is():
    """Bias known exactly: every gap .09 higher by a gauge .09 high says the same of the lifter."""
    sure = GaugeRow(
        "G1", "certificate", "invented", unit="mm", bias=0.09, bias_uncertainty=0.0, repeatability=0.02
    )
    plain = GaugeRow(
        "G1", "certificate", "invented", unit="mm", bias=0.0, bias_uncertainty=0.0, repeatability=0.02
    )
    more = {
        "gap_at_once_mm": 0.75,
        "gap_at_once_time_s": 0.5,
        "second_gap_mm": 0.62,
        "second_force_N": 35.0,
        "late_gap_mm": 0.9,
        "late_gap_time_s": 15.0,
    }
    shifted = {k: v + 0.09 if k.endswith("gap_mm") or k == "gap_at_once_mm" else v for k, v in more.items()}
    for force in (70.0, 60.0):  # at the limit's force, and off it
        one, other = (
            lifters_of(0.8, plain, force_N=force, **more),
            lifters_of(0.89, sure, force_N=force, **shifted),
        )
        for name in (
            "over_probability_first",
            "trapped_air_mm3",
            "growth_um_per_s",
            "air_probability",
            "gap_first_unbiased_mm",
        ):
            assert other[name] == pytest.approx(one[name], rel=1e-9), name
        assert other["cause"] == one["cause"]


def study(lifters, technicians=1, bias=0.09, seed=3):
    rng = np.random.default_rng(seed)
    rows = [
        {"study": "S1", "gauge": "G1", "lifter": f"L{n}", "technician": f"T{t}", "repeat": r, "reference_gap_mm": 0.1 * n + 0.1,
         "gap_mm": round(0.1 * n + 0.1 + bias + rng.normal(0, 0.02), 3)}
        for n in range(lifters) for t in range(technicians) for r in (1, 2, 3)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_a_study_gives_the_bias_of_its_gauge():
    """One technician: the t interval of the lifters' mean differences, by scipy's one-sample t test (library run)."""
    readings = study(8)
    off = (readings["gap_mm"] - readings["reference_gap_mm"]).groupby(readings["lifter"]).mean()
    interval = stats.ttest_1samp(off, 0.0).confidence_interval(0.95)
    bias, u, lifters = gauge.bias_of_study(readings)
    assert (bias, lifters) == (pytest.approx(off.mean()), 8)
    assert (bias - 1.96 * u, bias + 1.96 * u) == pytest.approx((interval.low, interval.high))
    row = gauge.rows_from_studies(readings, days={"S1": dt.date(2026, 5, 4)})[0]
    assert (row.kind, row.made, row.bias) == ("study", dt.date(2026, 5, 4), bias)


def test_a_study_of_one_lifter_is_a_stated_assumption():
    row = gauge.rows_from_studies(study(1))[0]
    assert (row.kind, row.bias, row.u) == ("assumed", None, None)
    assert (
        "1 lifter, 1 technician" in row.source
        and "three lifters with a known gap are the least" in row.source
    )
    found = build_lifters(
        {**records(checks=[{"gap_mm": 0.5, "gauge": "G1"}]), "gauge_readings": study(1)}
    ).iloc[0]
    assert found["gauge_u_assumed"] and found["gauge_u_mm"] == 0.02 and found["gauge_bias_kind"] == "assumed"


def test_without_a_register_the_studies_on_record_count():
    found = build_lifters(
        {**records(checks=[{"gap_mm": 0.5, "gauge": "G1"}]), "gauge_readings": study(8)}
    ).iloc[0]
    assert found["gauge_bias_mm"] == pytest.approx(0.09, abs=0.02) and found["gauge_bias_kind"] == "study"


def test_what_is_drafted_is_read_back_the_same(tmp_path):
    text = write_gauges((HIGH, GaugeRow("G2", "assumed", 'odd "name"\\ß')), notes=["first", "second"])
    assert register(tmp_path, text).rows == (HIGH, GaugeRow("G2", "assumed", 'odd "name"\\ß'))


def test_the_draft_of_the_demo_is_the_register_that_the_demo_lays_beside_its_store(
    tmp_path, capsys, demo_store
):
    """The planted gauge reads .11 mm high (truth.json)."""
    out = tmp_path / "draft.toml"
    assert cli.main(["gauges", "--store", str(demo_store), "--out", str(out)]) == 0
    assert read_gauges(out).rows == read_gauges(tables.DATA / "demo_gauges.toml").rows
    planted = read_gauges(out).find("HG-3", dt.date(2026, 7, 1))
    assert planted.kind == "study" and abs(planted.bias - 0.11) < 1.96 * planted.bias_uncertainty
    assert [row.kind for row in read_gauges(out).rows if row.gauge not in ("HG-1", "HG-3")] == ["assumed"] * 4
    code = cli.main(["gauges", "--store", str(demo_store), "--out", str(out)])
    assert code == 2 and "stands already" in capsys.readouterr().err


def test_the_demos_register_leaves_its_failing_counts_alone(demo_store):
    records = ventbook.open_store(demo_store).snapshot().records()
    own, none = (model.build_lifters(records, gauges=g) for g in (None, Gauges()))
    pd.testing.assert_series_equal(own["over_first"], none["over_first"])
    pd.testing.assert_series_equal(own["over_last"], none["over_last"])
    assert (own["gauge_bias_mm"] != 0).any() and not (none["gauge_bias_mm"] != 0).any()


def routine_readings(**bias):
    rng = np.random.default_rng(5)
    rows = []
    for n in range(90):
        name = f"G{n % 3 + 1}"
        gaps = rng.normal(0.2, 0.03, 8) + bias.get(name, 0.0)
        rows += [{"venting_id": n, "engine_id": n % 45, "engine_type": "flat4", "site": "Lake", "gauge": name,
                  "date": pd.Timestamp("2026-01-01") + pd.Timedelta(days=n), "gap_first_mm": g} for g in gaps]  # fmt: skip
    return pd.DataFrame(rows)


def test_a_gauge_that_stands_out_in_routine_use_is_drafted_as_a_comparison():
    found, notes = trends.draft_gauges(routine_readings(G2=0.09))
    kinds = {row.gauge: row.kind for row in found}
    assert kinds == {"G1": "assumed", "G2": "comparison", "G3": "assumed"} and notes == ()
    odd = found[1]
    assert abs(odd.bias - 0.09) < 3 * odd.bias_uncertainty and "relative to the others" in odd.source
    assert odd.made == dt.date(2026, 3, 30)


def test_where_most_gauges_differ_the_draft_blames_none():
    found, _ = trends.draft_gauges(routine_readings(G1=-0.06, G2=0.09))
    assert [row.kind for row in found] == ["assumed"] * 3
    assert all("which of them are off can't be told" in row.source for row in found)


def test_a_wrong_register_beside_the_store_stops_a_report(tmp_path, capsys):
    store = make_store(tmp_path / "store")
    (tmp_path / "gauges.toml").write_text(ROW + ROW, "utf-8")
    code = cli.main(["report", "records", "--store", str(store), "--out", str(tmp_path / "out")])
    said = capsys.readouterr().err
    assert code == 2 and "gauges.toml: rows 1 and 2 (G1) overlap" in said and said.count("\n") == 1
    assert not (tmp_path / "out").exists()
