"""The reports on lifter gaps and on gauges: numbers from the analyses, planted truth, and thin records."""

from __future__ import annotations

import json
import re
import shutil

import pandas as pd
import pytest

from ventbook import reports
from ventbook.document import wording
from ventbook.model import build_ventings
from ventbook.physics import gauge
from ventbook.reports import gauge_study, lifter_gaps
from ventbook.reports.gauge_study import words as gauge_words
from ventbook.reports.lifter_gaps import words as lifter_words
from ventbook.results import Estimate, no_estimate
from ventbook.statistics import rates

GAPS = (
    "answer", "overall", "by_group", "gaps_by_site", "by_position", "against_limit", "off_force", "second_check", "causes",
    "every_finding", "perfect_zeros", "blanks", "methods", "limitations",
)  # fmt: skip
STUDY = (
    "answer", "at_the_limit", "add_readings", "studies", "by_lifter", "bias", "side_by_side", "plan", "methods", "limitations",
)  # fmt: skip


def run(name, module, sections, store, **parameters):
    page = reports.open_page(name, {"store": str(store), **parameters})
    shown = [getattr(module, section)(page) for section in sections]
    shown.append(page.finish())
    return page, "\n".join(s.text for s in shown), "\n".join(s.html for s in shown)


@pytest.fixture(scope="module")
def gaps(demo_store, tmp_path_factory):
    out = tmp_path_factory.mktemp("gaps")
    return *run("lifter-gaps", lifter_gaps, GAPS, demo_store, out=str(out)), out


@pytest.fixture(scope="module")
def study(demo_store, tmp_path_factory):
    out = tmp_path_factory.mktemp("study")
    return *run("gauge-study", gauge_study, STUDY, demo_store, out=str(out)), out


def find(page, id, group=None):
    return next(f for f in page.findings if f["id"] == id and f["group"] == (group or {}))


def test_shares_on_the_page_are_the_analysis_tables(gaps):
    page, *_ = gaps
    jobs, lifters = page.jobs, page.lifters
    finding = find(page, "venting_failure_share")
    known = jobs["failed_first"].dropna()
    assert finding["n"] == len(known)
    assert finding["estimate"] == pytest.approx(known.astype(float).mean())
    finding = find(page, "lifter_failure_share")
    judged = lifters["over_first"].dropna()
    assert (finding["n"], finding["estimate"]) == (len(judged), pytest.approx(judged.astype(float).mean()))
    last = find(page, "lifter_failure_share_last_check")
    assert last["estimate"] < finding["estimate"]
    assert find(page, "cured_share")["n"] == int(lifters["cured"].notna().sum())


def test_every_site_has_its_findings(gaps):
    page, *_ = gaps
    for site in page.history_jobs["site"].dropna().unique():
        for id in ("venting_failure_share", "lifter_failure_share", "cured_share"):
            assert find(page, id, {"site": site})["state"] in ("estimated", "not_recorded")
    parts = [
        f["n"] for f in page.findings if f["id"] == "lifter_failure_share" and set(f["group"]) == {"site"}
    ]
    assert sum(parts) == find(page, "lifter_failure_share")["n"]


def test_stable_tables_have_their_columns(gaps):
    *_, out = gaps
    found = pd.read_csv(out / "tables" / "lifter_findings.csv", dtype={"venting_id": str})
    wanted = [
        "venting_id", "cylinder", "valve", "gap_mm", "over_limit_probability", "air_probability", "leak_down_probability",
        "trapped_air_mm3",
    ]  # fmt: skip
    assert found.columns[:8].tolist() == wanted
    positions = pd.read_csv(out / "tables" / "position_rates.csv")
    assert {"scope", "engine_type", "cylinder", "valve", "estimate", "low", "high", "n"} <= set(
        positions.columns
    )
    content = json.loads((out / "findings.json").read_text(encoding="utf-8"))
    assert {"venting_failure_share", "lifter_failure_share", "cured_share"} <= {
        f["id"] for f in content["findings"]
    }


def test_words_are_the_trades(gaps, study):
    for text in (gaps[1], study[1]):
        assert not re.search(r"\b(turns|soft|nan|None|inf)\b", text)
        assert "T-" not in text  # no technician code


def test_cure_is_set_beside_a_second_look(gaps):
    _, text, *_ = gaps
    assert "on a second reading alone" in text
    assert "second_look_share" in {f["id"] for f in gaps[0].findings}


def test_figures_say_what_they_show(gaps, study):
    for page in (gaps[0], study[0]):
        for name, figure in page.figures.items():
            assert len(figure.alt) > 40, name


def test_planted_gauge_is_found_in_study_and_in_routine(study):
    page, text, *_ = study
    bias = find(page, "gauge_bias", {"study": "2026-gauge", "gauge": "HG-3"})
    assert bias["low"] < 0.11 < bias["high"]
    assert bias["low"] > 0.05
    sound = find(page, "gauge_bias", {"study": "2025-gauge", "gauge": "HG-1"})
    assert sound["low"] < 0.01
    # its study found the same: the comparison was made, and isn't asked for again
    assert "HG-3 reads differently in routine use as its bias in force says (study 2026-gauge" in text
    assert "measure the same lifters with both gauges" not in text
    table = page.frame("gauges_in_use").set_index("gauge")
    assert table.loc["HG-3", "low"] > 0.05
    assert table.drop(index="HG-3")["difference_mm"].abs().max() < 0.03
    assert table["note"].str.contains("can't be told apart").any()


def test_a_gauge_that_moved_is_said_in_answer_and_routine_use_with_its_finding(study):
    """Planted: HG-1 reads .1 mm higher from 2026 on; HG-2 is read at the same site all the while."""
    still, text, *_ = study
    assert "No gauge reads differently than it used to, as far as these records tell." in text
    assert not [f for f in still.findings if f["id"] == "gauge_drift"]
    page = reports.open_page("gauge-study", {"store": still.parameters["store"]})
    lifters = still.all_lifters.copy()
    late = lifters["gauge"].eq("HG-1").fillna(False) & (lifters["date"] >= "2026-01-01")
    lifters["gap_first_mm"] += 0.1 * late.astype(float)
    page.all_lifters = lifters
    said = "Gauge HG-1 reads sound lifters 0.1"
    for section in (gauge_study.answer, gauge_study.side_by_side):
        assert said in section(page).text
    found = find(page, "gauge_drift", {"gauge": "HG-1", "since": "2026Q1"})
    assert found["low"] < 0.1 < found["high"]
    assert [f["group"]["gauge"] for f in page.findings if f["id"] == "gauge_drift"] == ["HG-1"]


def test_each_gauge_is_judged_by_bias_and_spread_together(study):
    page, text, *_ = study
    table = page.frame("gauge_verdicts").set_index("gauge")
    assert table.loc["HG-1", "serves"] == "serves"
    assert table.loc["HG-3", "serves"] == "serves with its bias taken off"
    assert (table.drop(index=["HG-1", "HG-3"])["serves"] == "can't be told").all()
    assert table.loc["HG-3", ["bias_from", "made"]].tolist() == ["study", "2026-07-10"]
    assert (
        "HG-3 serves for the limit of 0.65 mm with a correction, not as read: it reads 0.108 mm high" in text
    )
    assert "bias and spread are assumed. A study of" in text
    assert "The reading as read decides; the corrected one warns." in text


def test_wrong_verdicts_count_each_reading_once(study):
    page, *_ = study
    table = page.frame("wrong_verdicts")
    as_read = table[table["rule"] == "as read"]
    t = page.history_lifters
    # a lifter pressed too lightly has no verdict, and one against another limit none at this one
    judged = t[t["over_first_as_read"].notna() & (t["limit_mm"] == t["limit_mm"].mode().iloc[0])]
    assert as_read["passed"].sum() + as_read["failed"].sum() == len(judged)
    assert as_read["failed"].sum() == int(judged["over_first_as_read"].sum())
    assert (table["passed_wrongly_low"] <= table["passed_wrongly_high"]).all()
    wrong = find(page, "gauge_wrong_failures", {"gauge": "HG-3"})
    assert 0 < wrong["low"] < wrong["estimate"] < wrong["high"] < 0.01


def test_a_stricter_share_asks_for_readings_or_a_lower_limit(demo_store):
    page, text, _ = run("gauge-study", gauge_study, STUDY, demo_store, wrong_passes=0.0008)
    plan = page.frame("added_readings")
    assert set(plan["gauge"]) <= set(page.frame("gauge_verdicts")["gauge"])
    assert (plan.loc[plan["enough"], "high"] <= 0.8).all()
    assert (plan["accept_mm"] <= 0.65).all()
    assert "the cheapest way to hold wrong passes to 0.8 of 1000" in text


def test_components_are_in_mm_and_of_the_limit(study):
    page, *_ = study
    table = page.frame("spread_sources").query("gauge == 'HG-1'").set_index("error_source")
    whole = table.loc["one reading by any technician", "error_mm"]
    assert whole**2 == pytest.approx((table["error_mm"].iloc[:3] ** 2).sum())
    assert table.loc["one reading by any technician", "of_limit"] == pytest.approx(whole / 0.65)
    rows = page.frame("drafted_rows").set_index("gauge")
    assert rows.loc["HG-3", "in_force"] == "as in gauges.toml"
    assert rows.loc["HG-3", "bias_mm"] == pytest.approx(
        find(page, "gauge_bias", {"study": "2026-gauge", "gauge": "HG-3"})["estimate"], abs=2e-3
    )


def test_one_engine_and_us_units(demo_store, gaps):
    engine = gaps[0].jobs["engine_id"].iloc[0]
    page, text, html = run("lifter-gaps", lifter_gaps, GAPS, demo_store, engine=engine, units="us")
    finding = find(page, "venting_failure_share")
    assert (finding["tier"], finding["state"], finding["estimate"]) == ("list", "too_few", None)
    assert "cases, not a rate" in finding["sentence"]
    assert "[in]" in html
    assert "cannot be told" in text or "in the oil feed" in text or "dealt anew" in text
    page, _, html = run("gauge-study", gauge_study, STUDY, demo_store, engine=engine, units="us")
    assert "[in]" in html


def test_without_a_study_the_uncertainty_is_assumed(demo_store):
    page, text, _ = run("gauge-study", gauge_study, STUDY, demo_store, as_of=1)
    assert "No gauge study is in the records" in text
    assert not [f for f in page.findings if f["id"] == "gauge_uncertainty"]


def bare_page(lifters, jobs, demo_store):
    """A page whose analysis tables are replaced by thin ones."""
    page = reports.open_page("lifter-gaps", {"store": str(demo_store)})
    page.all_lifters, page.all_jobs = lifters, jobs
    return page


@pytest.mark.parametrize(
    "case",
    [
        "no lifters",
        "one lifter",
        "findings only",
        *(
            pytest.param(case, marks=pytest.mark.long)
            for case in ("all failing", "none failing", "gauge never recorded")
        ),
    ],
)
def test_thin_records_have_an_answer(demo_store, gaps, case):
    whole = gaps[0]
    lifters, jobs = whole.all_lifters.copy(), whole.all_jobs.copy()
    if case == "no lifters":
        lifters = lifters.head(0)
    elif case == "one lifter":
        lifters = whole.lifters.head(1).copy()
    elif case == "all failing":
        lifters["over_first"] = pd.array([True] * len(lifters), dtype="boolean")
        lifters["over_last"] = lifters["over_first"]
    elif case == "none failing":
        lifters["over_first"] = pd.array([False] * len(lifters), dtype="boolean")
        lifters["over_last"] = lifters["over_first"]
        lifters["cured"] = pd.array([None] * len(lifters), dtype="boolean")
    elif case == "gauge never recorded":
        lifters["gauge"] = pd.Series([None] * len(lifters), dtype="str")
    else:
        jobs["recorded_because"] = "finding_only"
    if case != "findings only":
        jobs = build_ventings(whole.records, limits=whole.limits, lifters=lifters)
    page = bare_page(lifters, jobs, demo_store)
    text = "\n".join(getattr(lifter_gaps, section)(page).text for section in GAPS)
    assert not re.search(r"\b(nan|None|inf)\b", text)
    if case == "findings only":
        assert "recorded only because something was found" in text
        assert find(page, "venting_failure_share")["tier"] == "list"
    if case == "none failing":
        assert "That still allows a true rate of up to" in text
    gauges = reports.open_page("gauge-study", {"store": str(demo_store)})
    gauges.all_lifters, gauges.all_jobs = lifters, jobs
    text = "\n".join(getattr(gauge_study, section)(gauges).text for section in STUDY)
    assert not re.search(r"\b(nan|None|inf)\b", text)
    if case == "gauge never recorded":
        assert "No reading names its gauge" in text
        assert "a gauge without a name" in text


def test_a_placeholder_limit_is_named_and_nothing_reads_like_a_release(demo_store, tmp_path):
    shutil.copytree(demo_store, tmp_path / "store")
    _, text, html = run("lifter-gaps", lifter_gaps, GAPS, tmp_path / "store")
    assert "against the placeholder limit" in text
    assert "vb-banner" in html
    caution = "This report does not release an engine to service."
    body = text[: text.index("\nCautions")]
    assert caution in body
    body = body.replace(caution, "")
    assert not re.search(r"\b(released?|airworthy|may be flown|safe)\b", body)


def test_sentences_about_shares():
    some = rates.lifter_share([3], [14], cluster=["a"])
    text = lifter_words.found_share(some, "venting", "the limit")
    assert text.startswith("At the first check, 3 of 14 ventings had at least one spongy lifter (21 %")
    none = rates.venting_share([False] * 12)
    text = lifter_words.found_share(none, "venting", "the limit")
    assert "no finding in 12 ventings. That still allows a true rate of up to" in text
    nothing = no_estimate("not_recorded", level=0.95, unit="share", n=0)
    assert "not recorded" in lifter_words.found_share(nothing, "lifter", "the limit")
    assert lifter_words.few_ventings(14) == "With so few ventings this cannot be called high or low."
    assert lifter_words.few_ventings(40) == ""


def test_sentence_about_a_cure():
    cured = Estimate(8 / 11, 0.4, 0.9, 0.95, "share", 11, 9, "m")
    alone = Estimate(0.24, 0.2, 0.3, 0.95, "share", 11, 9, "m")
    text = lifter_words.cure_sentence(cured, 8, alone, 2.6, 0.001)
    assert "8 of 11 lifters over the limit read within it after the extra run" in text
    assert "About 2.6 would be expected to pass on a second reading alone. The run did more" in text
    assert "could explain that" in lifter_words.cure_sentence(cured, 3, alone, 2.6, 0.5)
    unknown = no_estimate("too_few", level=0.95, unit="share", n=11, note="too few readings")
    assert "not known: too few readings" in lifter_words.cure_sentence(cured, 8, unknown, 0.0, None)


def test_sentences_about_gauges():
    bias = Estimate(-0.05, -0.06, -0.04, 0.95, "mm", 90, 10, "m")
    slope = no_estimate("too_few", level=0.95, unit="mm/mm", n=90)
    text = gauge_words.bias_sentence("G1", bias, slope, units="metric")
    assert text == "G1 reads 0.050 mm low against the reference (plausible range 0.040 to 0.060 mm)."
    assert gauge_words.stands_out([], []) == "No gauge stands out in routine use."
    assert "HG-9 stands out in routine use. A hint" in gauge_words.stands_out(["HG-9"], [])
    few = Estimate(0.0031, 0.0, 0.012, 0.95, "share", 90, 10, "m")
    assert gauge_words.few(few, 1000) == "3.1 (0 to 12)"
    assert "take more technicians" in gauge_words.plan_sentence(None, 2)


def test_study_that_is_not_crossed_is_told_in_words():
    readings = pd.DataFrame(
        {
            "technician": list("aabb"),
            "lifter": ["1", "1", "2", "2"],
            "repeat": [1, 2, 1, 2],
            "gap_mm": [0.3, 0.32, 0.5, 0.49],
        }
    )
    s = gauge.analyse_study(readings, limit=0.5, study="S", gauge="G")
    text = gauge_words.study_sentence(s.study, s.gauge, s.u, s.share_of_limit, units="metric")
    assert "standard uncertainty" in text
    assert wording.clean_text(s.note).startswith("no lifter was read by two technicians")


def test_runs_taken_from_the_starts_are_said_and_counted():
    said = lifter_words.run_taken_sentence(3, 1)
    assert said.startswith("For 3 of these the run before the last check is not written down")
    assert "Of 1 more that read over the limit" in said
    assert lifter_words.run_taken_sentence(0, 0) == ""
