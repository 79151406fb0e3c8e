"""The register of gauges on the pages: both verdicts side by side, what is cited, what is named and where."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from invented_fleet import fleet_tables, make_page
from ventbook.physics import gauge
from ventbook.reports import account, gauges, lifter_gaps, sensitivity
from ventbook.reports.quarterly_review import signals
from ventbook.reports.spongy_lifters import venting
from ventbook.results import Estimate
from ventbook.statistics import causes, trends
from ventbook.tables import Gauges
from ventbook.tables.gauges import GaugeRow

HIGH = GaugeRow(
    "HG-3", "study", "study 2026-gauge", unit="mm", bias=0.1076, bias_uncertainty=0.0034, repeatability=0.0205
)
LOW = GaugeRow(
    "HG-2", "certificate", "certificate 7", unit="mm", bias=-0.20, bias_uncertainty=0.004, repeatability=0.02
)


def page_with(name, register, **given):
    page = make_page(name, fleet_tables(), **given)
    page.gauges = register
    return page


def plant(tables, gauge, gap, rows):
    """The first readings of ``rows`` lifters by one gauge become ``gap`` mm."""
    checks = tables["lifter_checks"].copy()
    place = np.flatnonzero(((checks["gauge"] == gauge) & (checks["check_no"] == 1)).fillna(False).to_numpy())[
        -rows:
    ]
    columns = [checks.columns.get_loc(name) for name in ("gap_mm", "gap_at_once_mm", "second_gap_mm")]
    checks.iloc[place, columns[0]] = gap
    checks.iloc[place, columns[1:]] = np.nan
    return {**tables, "lifter_checks": checks}


def warned_page(decides="as_read", **given):
    """HG-3 reads five lifters at .70 (limit .65, truly .59), HG-2 two at .55 (truly .75)."""
    tables = plant(plant(fleet_tables(), "HG-3", 0.70, 5), "HG-2", 0.55, 2)
    page = make_page("lifter-gaps", tables, **{"period": "2026Q3", **given})
    page.gauges = Gauges((HIGH, LOW), decides, "manual, 6.3")
    return page


def test_both_directions_are_warned_of_and_the_reading_as_read_decides():
    page = warned_page()
    shown = lifter_gaps.against_limit(page).text
    table = page.frame("bias_warnings")
    said = table.groupby("gauge")["warning"].agg(lambda s: s.value_counts().to_dict()).to_dict()
    assert said["HG-3"] == {gauges.READ_OVER: 5} and said["HG-2"][gauges.READ_WITHIN] >= 2
    own = table[table["gap_mm"].eq(0.70)]
    assert own["gap_unbiased_mm"].tolist() == pytest.approx([0.70 - 0.1076] * 5)
    assert "The reading as read decides" in shown and "only warns, both ways" in shown
    assert "over as read would be within" in shown and "within as read would be over" in shown
    both = gauges.count_both(page.lifters)
    assert both.as_read == int(page.lifters["over_first"].sum())
    assert both.as_corrected == both.as_read + both.read_within - both.read_over
    counts = {f["id"]: f["estimate"] for f in page.findings}
    assert (counts["lifters_over_as_read"], counts["lifters_over_as_corrected"]) == (
        both.as_read,
        both.as_corrected,
    )
    assert any("Warning:" in sentence for sentence in lifter_gaps.answer(page).text.splitlines())


def test_where_the_manual_says_so_the_corrected_reading_decides():
    page = warned_page("as_corrected")
    shown = lifter_gaps.against_limit(page).text
    assert "decides, by manual, 6.3" in shown
    both = gauges.count_both(page.lifters)
    assert int(page.lifters["over_first"].sum()) == both.as_corrected != both.as_read
    # no finding rests on a bias then
    assert account.make_account(page, pd.Timestamp(page.period.end)).gauges.empty


def test_gauges_are_compared_once_a_page_for_the_account_and_what_it_hangs_on(monkeypatch):
    asked, compare = [], gauge.compare_routine_readings
    monkeypatch.setattr(
        gauge, "compare_routine_readings", lambda *a, **o: asked.append(len(a[0])) or compare(*a, **o)
    )
    page = page_with("spongy-lifters", Gauges(), period="2026Q3")
    account.load_account(page)
    assert not sensitivity.find_sensitivity(page).changes.empty and len(asked) == 1


def test_what_the_register_does_not_know_is_listed_as_assumed():
    page = page_with("lifter-gaps", Gauges((HIGH,), file="gauges.toml"), period="2026Q3")
    shown = lifter_gaps.against_limit(page).text
    assert "it is assumed to be 0 (HG-1, HG-2, LF-1, PG-1 and RG-1)" in shown
    assert "The register doesn't know HG-1, HG-2, LF-1, PG-1 and RG-1" in shown
    table = page.frame("gauges_in_force").set_index("gauge")
    assert table.loc["HG-3", "bias_mm"] == 0.1076 and table.loc["HG-1", "kind"] == "assumed"
    assert table["readings"].sum() == page.lifters["gap_first_mm"].notna().sum()
    none = page_with("lifter-gaps", Gauges(), period="2026Q3")
    assert "No gauge's bias is known" in lifter_gaps.against_limit(none).text


def test_the_review_cites_a_comparison_that_was_made_and_never_asks_for_it():
    known, unknown = Gauges((GaugeRow(**{**vars(HIGH), "made": "2026-05-04"}),)), Gauges()
    page = page_with("quarterly-review", known, period="2026Q3")
    told = [a for a in signals.propose_actions(page) if a.gauge]
    asked = [
        a for a in signals.propose_actions(page_with("quarterly-review", unknown, period="2026Q3")) if a.gauge
    ]
    assert [a.gauge[0] for a in told] == [a.gauge[0] for a in asked] == ["HG-3"]
    assert asked[0].what.startswith("Hold gauge HG-3 against another one")
    assert "Hold gauge" not in told[0].what
    assert (
        "reads 0.108 mm high (0.101 to 0.114 mm) by study with known gaps (study 2026-gauge, 2026-05-04)"
        in told[0].why
    )
    # readings near the limit are read again with another gauge: at an engine, within the limits in force
    said = signals.say_what(page, told[0])
    assert said.startswith("Have gauge HG-3 set right")
    assert "force at the check" in said and "hold at the check" in said
    assert "no pressure on the tank" in said and "burn" in said


def test_a_gauge_that_is_off_by_another_amount_than_known_is_asked_about():
    shift = Estimate(0.11, 0.10, 0.12, 0.95, "mm", 50, 20, "made up")
    day = pd.Timestamp("2026-09-30").date()
    assert gauges.agrees_with(HIGH, shift, day, least=0.03)
    assert not gauges.agrees_with(LOW, shift, day, least=0.03)
    off = signals._check_gauge(
        trends.GaugeShift("HG-2", "Harbour", "2026Q1", shift, 1e-6, 3, 2, 1.0, 0.5, 0.1, 0.4, True, False), "metric", Gauges((LOW,)), day
    )  # fmt: skip
    assert off.what.startswith("Hold gauge HG-2") and "another difference than was known" in off.why


def test_an_engines_page_names_only_gauges_used_on_it():
    tables = plant(fleet_tables(), "HG-3", 0.70, 12)
    checks = tables["lifter_checks"]
    jobs = tables["ventings"].set_index("venting_id")["engine_id"]
    used = set(jobs.loc[checks.loc[(checks["gauge"] == "HG-3").fillna(False), "venting_id"].unique()])
    without = sorted(set(jobs) - used)[0]
    rested = checks.loc[(checks["gap_mm"] == 0.70) & (checks["gauge"] == "HG-3").fillna(False), "venting_id"]
    with_it = str(jobs[rested.iloc[0]])
    whole = account.load_account(_spongy(tables))
    assert "gauge HG-3" in whole.terms["name"].tolist()
    row = whole.terms.set_index("name").loc["gauge HG-3"]
    assert row["findings"] == pytest.approx(12, abs=1.5)  # at its place by that number
    assert whole.terms["ventings"].dropna().is_monotonic_decreasing
    assert "known gaps" in row["check"] + row["refute"]
    assert "gauge HG-3" in account.load_account(_spongy(tables, engine=with_it)).terms["name"].tolist()
    other = account.load_account(_spongy(tables, engine=without))
    assert "gauge HG-3" not in other.terms["name"].tolist()
    assert "HG-3" not in account.causes_sentence(other)
    assert causes.sum_causes(other)["ventings"].sum() == pytest.approx(other.failing)


def _spongy(tables, **given):
    page = make_page("spongy-lifters", tables, period="2026Q3", **given)
    page.gauges = Gauges((HIGH,))
    return page


def test_one_ventings_page_says_what_its_gauge_is_worth():
    tables = plant(fleet_tables(), "HG-3", 0.70, 1)
    checks = tables["lifter_checks"]
    name = str(
        checks.loc[(checks["gap_mm"] == 0.70) & (checks["gauge"] == "HG-3").fillna(False), "venting_id"].iloc[
            0
        ]
    )
    page = _spongy(tables)
    job = page.all_jobs[page.all_jobs["venting_id"] == name].iloc[0]
    said = " ".join(
        venting._gauge_sentences(page, job, page.all_lifters[page.all_lifters["venting_id"] == name])
    )
    assert "HG-3 reads 0.108 mm high" in said and "1 over as read would be within" in said
