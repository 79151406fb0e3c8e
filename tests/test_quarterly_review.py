"""The quarterly review: first page held to the findings, planted causes found, little data stated and not failed."""

from __future__ import annotations

import datetime as dt
import itertools
import json
import re
import tomllib
from dataclasses import replace

import pandas as pd
import pytest

from invented_fleet import fleet_tables, make_page
from ventbook import tables as dictionary
from ventbook.document import wording
from ventbook.reports import quarterly_review as review
from ventbook.reports.alarms import ALARM, Alarm
from ventbook.reports.parameters import Period, choose_period
from ventbook.reports.quarterly_review import data, known, signals, words
from ventbook.reports.quarterly_review import signals as actions
from ventbook.reports.quarterly_review import words as trend_words
from ventbook.results import Estimate
from ventbook.statistics import trends
from ventbook.tables import evidence

#: Ventings of the fleet where only what is said about the records matters, not what was planted.
SMALL = 250
SECTIONS = [
    "answer", "by_cause", "failing_by_period", "against_expectation", "by_site", "by_type_and_reason", "times", "rotations", "lifters",
    "procedure", "show_left_out", "mix", "data_quality", "open_jobs", "earlier_signals", "earlier_actions", "period_alarms", "ventings", "methods", "limitations",
]  # fmt: skip


def told(page):
    """The answer without what stands before it: jobs closed with a lifter over the limit."""
    return [sentence for sentence in page.answers if not re.match(r"(\d+|No) jobs? on record", sentence)]


def run(page):
    """Every section, as the notebook calls them."""
    return {name: getattr(review, name)(page) for name in SECTIONS}


def cut(tables, keep):
    """Record tables with only the ventings for which ``keep`` (of the ventings frame) is True."""
    ids = tables["ventings"].loc[keep(tables["ventings"]), "venting_id"]
    return {
        name: frame[frame["venting_id"].isin(ids)].reset_index(drop=True)
        if "venting_id" in frame.columns
        else frame
        for name, frame in tables.items()
    }


@pytest.fixture(autouse=True, scope="module")
def fewer_draws():
    """Limits from 4,000 innocent presents, where reports draw 20,000: the tests' facts are far from the limits."""
    kept, data.DRAWS = data.DRAWS, 4_000
    yield
    data.DRAWS = kept


@pytest.fixture(scope="module")
def page():
    page = make_page("quarterly-review", fleet_tables(), period="2026Q3")
    page.shown = run(page)
    return page


def test_every_section_is_exported_and_in_the_notebook():
    notebook = json.loads(
        (dictionary.DATA.parent / "notebooks" / "06_quarterly_review.ipynb").read_text("utf-8")
    )
    source = "\n".join("".join(cell["source"]) for cell in notebook["cells"] if cell["cell_type"] == "code")
    assert set(re.findall(r"review\.(\w+)\(page\)", source)) == set(SECTIONS) == set(review.__all__)


def numbers_allowed(page):
    """Every way in which a finding's numbers may be written, its labels, and the level."""
    allowed = {f"{100 * page.level:g}"}
    for f in page.findings:
        values = [v for v in (f["estimate"], f["low"], f["high"]) if v is not None]
        allowed |= {str(f["n"]), str(f["clusters"])}
        if f["unit"] == "share" and f["estimate"] is not None:
            allowed.add(str(round(f["estimate"] * f["n"])))
        if f["id"] == "observed_over_expected" and f["estimate"] is not None:
            same = [
                g for g in page.findings
                if g["id"] == "expected_failing_ventings" and g["group"] == f["group"] and g["period_start"] == f["period_start"]
            ]  # fmt: skip
            allowed |= {str(round(f["estimate"] * g["estimate"])) for g in same}
        for value in values:
            for scaled, decimals in itertools.product((value, 100 * value), (0, 1, 2, 3)):
                allowed.add(f"{scaled:.{decimals}f}")
        for text in map(str, f["group"].values()):
            allowed |= set(re.findall(r"\d+(?:\.\d+)?", text))
        for day in (f["period_start"], f["period_end"]):
            allowed |= set(re.findall(r"\d+", day))
            allowed.add(str((pd.Timestamp(day).month + 2) // 3))
    return allowed


def test_first_page_says_only_what_findings_say(page):
    allowed = numbers_allowed(page)
    assert len(page.answers) >= 4
    for sentence in told(page):
        # numbers of the limits in force are the manual's, a day is no number
        sentence = re.sub(r"\d{4}-\d\d-\d\d", "", sentence)
        sentence = re.sub(r"within the limits in force: .*?(?=\. |$)", "", sentence)
        for number in re.findall(r"(?<![-\w])\d+(?:\.\d+)?", sentence):
            assert number in allowed, f"{number!r} in {sentence!r} is no finding's number"


def test_first_page_changes_with_the_findings(page):
    """The sentences are made from the numbers: other findings, other sentences."""
    status = next(f for f in page.findings if f["id"] == "venting_failure_share" and not f["group"])
    share = wording.number(status["estimate"], "share")
    assert share in told(page)[0]
    assert f"{round(status['estimate'] * status['n'])} of {status['n']} ventings" in told(page)[0]
    expected = next(f for f in page.findings if f["id"] == "expected_failing_ventings" and not f["group"])
    assert f"{expected['estimate']:.1f} failing ventings were to be expected" in " ".join(told(page))
    moved = next(f for f in page.findings if f["id"] == "signals")
    moving = len(signals.leading_signals(signals.read_signals(page)))
    assert moved["estimate"] == moving


def test_five_numbers_stand_for_three_periods(page):
    for name in words.NUMBER_NAMES:
        starts = {f["period_start"] for f in page.findings if f["id"] == name and not f["group"]}
        assert starts >= {"2026-07-01", "2026-04-01", "2025-07-01"}
    assert len(page.frame("five_numbers")) == 5


def test_stable_tables_and_ids(page):
    table = page.frame("trend_signals")
    assert list(table.columns[:7]) == ["series", "group", "date", "direction", "chart", "value", "limit"]
    assert (table["date"] == "2026-09-30").all()
    ids = {f["id"] for f in page.findings}
    assert ids >= {
        "venting_failure_share", "lifter_failure_share", "cured_share", "median_time_to_pressure", "p90_time_to_pressure",
        "share_over_time_limit", "median_rotations_to_prime", "p90_rotations_to_prime", "share_not_primed", "rotations_ratio",
        "observed_over_expected",
    }  # fmt: skip
    assert not any("technician" in frame.columns for frame in map(page.frame, page.tables))


def test_planted_gauge_is_found_and_put_down_to_it(page):
    table = page.frame("trend_signals")
    gap = table[(table["series"] == data.GAP) & (table["group"] == "Harbour")].iloc[0]
    assert (gap["direction"], gap["put_down_to"]) == ("up", "gauge HG-3")
    acts = page.frame("actions_to_consider")
    assert acts["what"].str.contains("gauge HG-3").any()
    assert not acts["what"].str.contains("HG-1|HG-2").any()


def test_planted_gauge_in_the_quarter_it_came():
    page = make_page("quarterly-review", fleet_tables(), period="2025Q3")
    found = signals.read_signals(page)
    gap = next(s for s in found if s.series == data.GAP and s.site == "Harbour")
    assert gap.cause_gauge is not None and gap.cause_gauge.gauge == "HG-3"
    assert gap.cause_gauge.shift.estimate == pytest.approx(0.11, abs=0.01)  # planted: 0.11 mm
    assert "Gauge HG-3, in use at Harbour since 2025Q3, reads 0.11 mm high" in " ".join(
        signals.explain_signal(gap)
    )


def test_planted_lot_is_what_failing_ventings_share(page):
    """Fitted from 2025-04 to 2026-01 and planted as leaking: no other recorded level is carried so much more often."""
    jobs = data.load_data(page).jobs
    then = jobs[(jobs["date"] >= "2025-04-01") & (jobs["date"] < "2026-02-01")]
    columns = [name for name in data.ALSO if name != "technician"]
    top = trends.compare_failing(then, failed="failed_first", columns=columns).iloc[0]
    assert (top["column"], top["level"]) == ("lifter_lot", "LL-2505")
    assert top["p"] < 0.01


def test_planted_worsening_stays_open(page):
    """Ridge gets worse quarter by quarter: a signal now, or one of an earlier review that is not over."""
    table = page.frame("signal_log")
    ridge = table[
        (table["series"] == trends.FAILING) & (table["group"] == "Ridge") & (table["direction"] == "up")
    ]
    assert any("Ridge" in sentence for sentence in page.answers)
    if len(ridge):
        assert ridge["state"].iloc[-1] in (data.NOT_OVER, data.STILL)
    acts = page.frame("actions_to_consider")
    assert (acts["where"] == "Ridge").any()


def test_innocent_fleet_has_a_quiet_page():
    page = make_page("quarterly-review", fleet_tables(600, ()), period="2026Q3")
    review.answer(page)
    assert any("Nothing on this page moved by more than chance explains." in said for said in page.answers)


def test_first_ever_quarter_is_stated():
    page = make_page("quarterly-review", fleet_tables(SMALL), period="2024Q4")
    run(page)
    assert any(
        "Nothing can be said about a change: no earlier period to compare with." in said
        for said in page.answers
    )
    assert page.frame("trend_signals").empty


def test_quarter_without_ventings_is_stated():
    tables = cut(fleet_tables(SMALL), lambda v: (v["date"] < "2026-04-01") | (v["date"] >= "2026-07-01"))
    page = make_page("quarterly-review", tables, period="2026Q2")
    shown = run(page)
    assert told(page)[0] == "2026Q2: no venting in the records."
    assert "No site has a venting with a result" in shown["by_site"].text
    page = make_page("quarterly-review", tables, period="2026Q3")
    run(page)
    assert page.frame("failing_by_period").set_index("label").loc["2026Q2", "n"] == 0


def test_site_that_started_this_quarter_is_stated():
    tables = cut(fleet_tables(SMALL), lambda v: (v["site"] != "Lake") | (v["date"] >= "2026-07-01"))
    page = make_page("quarterly-review", tables, period="2026Q3")
    shown = run(page)
    assert "First ventings this period: Lake." in shown["by_site"].text
    assert page.frame("failing_by_site").set_index("site").loc["Lake", "expected"] > 0


def test_three_ventings_are_listed_without_a_share():
    tables = cut(fleet_tables(), lambda v: v["venting_id"].isin(v["venting_id"].iloc[[-1, -2, -3]]))
    page = make_page("quarterly-review", tables, period="2026Q3")
    run(page)
    assert re.match(r"2026Q3: \d of [123] ventings? had at least one spongy lifter", told(page)[0])
    assert "no share is given" in told(page)[0] and "%" not in told(page)[0]


@pytest.mark.parametrize(
    "period", ["12m/2026-09", *(pytest.param(p, marks=pytest.mark.long) for p in ("2026-07", "2026"))]
)
def test_any_period(period):
    page = make_page("quarterly-review", fleet_tables(SMALL), period=period)
    run(page)
    allowed = numbers_allowed(page) | set(re.findall(r"\d+", period))
    for sentence in told(page):
        rest = re.sub(r"\d{4}Q\d|\d{4}-\d{2}(/\d{4}-\d{2})?|12m", "", sentence)
        rest = rest.partition("within the limits in force:")[0]  # the manual's numbers are no findings
        for number in re.findall(r"\d+(?:\.\d+)?", rest):
            assert number in allowed, sentence


@pytest.mark.long
def test_days_as_a_period():
    page = make_page("quarterly-review", fleet_tables(SMALL), since="2026-08-05", until="2026-09-20")
    run(page)
    assert page.frame("failing_by_period")["label"].iloc[-1].startswith("2026-08-05")


@pytest.mark.long
def test_one_site_only():
    page = make_page("quarterly-review", fleet_tables(), period="2026Q3", site="Ridge")
    run(page)
    assert set(page.frame("ventings")["site"]) == {"Ridge"}


def test_unfinished_period_is_provisional():
    page = make_page("quarterly-review", fleet_tables(SMALL), period="2026-10")
    assert page.period.provisional
    run(page)


def test_steps_of_a_period():
    quarter = choose_period("2026Q3", "", "", today=dt.date(2026, 10, 10))
    steps = data.make_steps(quarter, earliest=dt.date(2025, 11, 3))
    assert [s.label for s in steps] == ["2025Q4", "2026Q1", "2026Q2", "2026Q3"]
    year = choose_period("12m/2026-08", "", "", today=dt.date(2026, 10, 10))
    steps = data.make_steps(year, earliest=dt.date(2026, 1, 1))
    assert [s.label for s in steps] == ["2025-12/2026-02", "2026-03/2026-05", "2026-06/2026-08"]
    assert len(data.make_steps(quarter, earliest=dt.date(1990, 1, 1))) == data.MOST_STEPS


def test_findings_only_records_give_no_share():
    tables = dict(fleet_tables(SMALL))
    ventings = tables["ventings"].copy()
    ventings["recorded_because"] = "finding_only"
    tables["ventings"] = ventings
    page = make_page("quarterly-review", tables, period="2026Q3")
    review.answer(page)
    assert "no share is given" in told(page)[0]


def test_failing_ventings_by_cause_add_up_by_quarter(page):
    table = page.frame("failing_by_cause")
    whole = table.groupby("quarter")["ventings"].sum()
    failing = table.drop_duplicates("quarter").set_index("quarter")["failing"]
    assert whole.to_numpy() == pytest.approx(failing[whole.index].to_numpy(float), abs=1e-9)


def test_own_actions_are_read_beside_the_store(tmp_path):
    (tmp_path / "actions.toml").write_text(
        '[[action]]\nid = "A-1"\nsince = "2025-10-01"\nsite = "Ridge"\nwhat = "Lines <b>prefilled</b>"\n',
        "utf-8",
    )
    page = make_page("quarterly-review", fleet_tables(SMALL), period="2026Q3", store=str(tmp_path / "store"))
    shown = review.earlier_actions(page)
    assert "A-1" in shown.html and "<b>prefilled" not in shown.html
    assert "Not judged: say what it aims at" in shown.text
    assert page.frame("earlier_actions")["since"].tolist() == ["2025-10-01"]


def test_the_list_of_actions_that_comes_along_is_empty_and_explained():
    path = dictionary.DATA / "actions.toml"
    assert "action" not in tomllib.loads(path.read_text("utf-8"))
    assert "[[action]]" in path.read_text("utf-8")


def estimate(value, low, high, n=80, unit="share"):
    return Estimate(value, low, high, 0.95, unit, n, 0, "made up")


def test_sentences_of_the_first_page():
    now, before = estimate(0.2, 0.12, 0.3), estimate(0.125, 0.07, 0.2)
    assert words.status_sentence("2026Q3", now, [("2026Q2", before)]) == (
        "2026Q3: 16 of 80 ventings (20 %; plausible range 12 to 30 %) had at least one spongy lifter at the first check; "
        "10 of 80 (12 %) in 2026Q2."
    )
    assert words.open_sentence(0, 0, 80, provisional=False, label="2026Q3") == ""
    assert words.open_sentence(1, 2, 80, provisional=False, label="2026Q3") == (
        "1 of 80 ventings is still open, so the numbers are provisional: jobs with trouble close later. 2 ventings have no "
        "lifter check that gives a result."
    )
    assert (
        words.why_restated(["A", "B"], [], ["C"], most=4)
        == "2 ventings came later: A and B; 1 was corrected: C"
    )
    assert words.restated_number(
        "2026Q2", "Ventings", "12 %", "20 %", others=1, why="1 venting came later: A"
    ) == (
        "2026Q2 is restated: ventings 20 % now, 12 % when first reported (1 venting came later: A). 1 further number of it changed as well."
    )
    change = Estimate(0.031, -0.08, 0.14, 0.95, "share", 160, 0, "made up")
    assert words.change_text(change, ratio=False) == "+3 points (\u22128 to +14)"
    assert words.change_text(estimate(1.1, 0.8, 1.5, unit="1"), ratio=True) == "1.10 times (0.80 to 1.50)"


@pytest.mark.parametrize(
    ("series", "direction", "size", "begin"),
    [
        (trends.FAILING, "up", estimate(2.0, 1.2, 3.1, unit="1"), "More failing ventings than expected at Ridge since 2026Q1: 12 where 6.0"),
        (trends.FAILING, "down", estimate(0.4, 0.2, 0.8, unit="1"), "Fewer failing ventings than expected at Ridge"),
        ("time_to_pressure", "up", estimate(1.4, 1.2, 1.7, unit="1"), "Oil pressure came later at Ridge since 2026Q1: 1.40 times"),
        ("rotations_ratio", "down", estimate(0.8, 0.7, 0.9, unit="1"), "Fewer rotations than expected were needed at Ridge"),
        ("sound_lifter_gap", "up", estimate(0.03, 0.02, 0.04, unit="mm"), "Gaps read larger at Ridge since 2026Q1, on sound lifters too: by 0.030 mm"),
    ],
)  # fmt: skip
def test_sentences_of_signals(series, direction, size, begin):
    text = trend_words.signal_sentence(
        series, "Ridge", direction, since="2026Q1", current="2026Q3", size=size, observed=12, expected=6.0
    )
    assert text.startswith(begin)


def test_states_of_the_signal_log(page):
    known = {
        data.STILL,
        data.NOT_OVER,
        data.CLOSED,
        data.UNTOLD,
        "no longer a signal",
        "no ventings to follow it up",
    }
    assert set(page.frame("signal_log")["state"]) <= known
    assert (page.frame("signal_log")["basis"] == "reconstructed").all()  # no store, so no earlier snapshot


def test_signals_that_came_or_went_with_the_records(page):
    all_facts = data.load_data(page)
    watch = all_facts.watch
    loud = watch.series.assign(signal=False)
    loud.loc[
        (loud["series"] == trends.FAILING) & (loud["group"] == "Ridge") & (loud["direction"] == "up"),
        "signal",
    ] = True
    quiet = loud.assign(signal=False)

    with_signal, without = replace(watch, series=loud), replace(watch, series=quiet)
    went = data.compare_watches(page, all_facts, "2026Q2", with_signal, without, basis="snapshot")
    came = data.compare_watches(page, all_facts, "2026Q2", without, with_signal, basis="snapshot")
    at = data.COLUMNS.index("records")
    assert [row[at][:5] for row in (*went, *came)] == ["went:", "came:"]


def test_gauges_on_trial_without_a_signal_need_strong_evidence(page):
    shifts = signals.compare_all_gauges(data.load_data(page))
    assert [g.gauge for g in signals.find_odd_gauges(shifts)] == ["HG-3"]
    doubtful = [replace(g, p=evidence.load_budget().share("gauge.review")) for g in shifts]
    assert len(doubtful) > 1 and signals.find_odd_gauges(doubtful) == []
    assert signals.find_odd_gauges([]) == []


def test_what_failing_ventings_share_is_named_within_the_signals_share_or_asked_or_left_out(page):
    """The smallest of many p is no reason to look there first; a column whose blanks go with failing is a question."""
    share = evidence.load_budget().share(signals.FAMILY)
    gauge_signal = signals.read_signals(page)[0]
    common = pd.DataFrame(
        {
            "column": ["lifter_lot"],
            "level": ["L7"],
            "failing_with": [8],
            "with_level": [9],
            "failing_without": [4],
            "without_level": [40],
        }
    )
    signal = replace(gauge_signal, series=trends.FAILING, direction="up", gauges=(), common=common)
    for p_any, blank_z, said in (
        (share, 0.0, "Most of all the failing ventings share"), (share * 1.1, 0.0, ""), (share, -3.0, "These records can't say"),
    ):  # fmt: skip
        made = replace(signal, common=signal.common.assign(p=1e-5, p_any=p_any, blank_z=blank_z))
        text = " ".join(signals.explain_signal(made))
        assert ("Most of all the failing" in text) == said.startswith("Most")
        assert ("matter? These records can't say" in text) == said.startswith("These")
        said_so = [a.what for a in actions.act_on_signal(made, "metric")]
        assert any(what.startswith("Look at ") for what in said_so) == said.startswith("Most")


def test_period_before_and_a_year_earlier_may_be_the_same():
    page = make_page("quarterly-review", fleet_tables(SMALL), period="12m/2026-09")
    review.answer(page)
    assert "year" not in page.frame("five_numbers").columns
    assert isinstance(page.period, Period)


def test_us_units_reach_every_sentence():
    page = make_page("quarterly-review", fleet_tables(), period="2026Q3", units="us")
    shown = review.answer(page).text
    assert not re.search(r"\d mm", shown)
    assert re.search(r"by 0\.000\d in \(plausible range", shown)
    assert (
        next(f for f in page.findings if f["id"] == "gauge_difference")["unit"] == "mm"
    )  # files stay metric


def test_rare_failures_are_shown_by_the_run_between_them():
    tables = cut(fleet_tables(SMALL), lambda v: v["site"] == "Lake")
    page = make_page("quarterly-review", tables, period="2026Q3")
    shown = review.failing_by_period(page)
    jobs = data.load_data(page).jobs
    failing = int(jobs["failed_first"].sum())
    assert 0 < failing / 8 < 3
    assert "Since the last failing venting there were" in shown.text
    if failing >= 4:
        assert len(page.frame("between_failures")) == failing


def test_ventings_without_any_check_are_stated():
    tables = dict(fleet_tables(SMALL))
    for name in ("lifter_checks", "starts"):
        tables[name] = tables[name].iloc[:0]
    page = make_page("quarterly-review", tables, period="2026Q3")
    run(page)
    assert told(page)[0] == "2026Q3: no venting with a lifter check that gives a result."
    assert any("no venting with a result in the earlier periods" in said for said in told(page)[:3])


def test_jobs_that_are_never_closed_are_not_called_open():
    tables = dict(fleet_tables(SMALL))
    tables["ventings"] = tables["ventings"].assign(
        closed=pd.Series(pd.NaT, tables["ventings"].index, dtype="datetime64[us]")
    )
    page = make_page("quarterly-review", tables, period="2026Q3")
    review.answer(page)
    assert not any("still open" in sentence for sentence in page.answers)


def test_a_site_with_under_five_ventings_has_counts_and_no_share():
    def few(ventings):
        now = (ventings["site"] == "Lake") & (ventings["date"] >= "2026-07-01")
        return ~now | (now.cumsum() <= 3)

    tables = fleet_tables(SMALL)
    site = tables["ventings"]["site"].mode().iloc[0]
    tables = {**tables, "ventings": tables["ventings"].replace({"site": {site: "Lake"}})}
    page = make_page("quarterly-review", cut(tables, few), period="2026Q3")
    review.by_site(page)
    table = page.frame("failing_by_site").set_index("site")
    assert table.loc["Lake", "n"] <= 3
    assert table.loc["Lake", ["share", "low", "high"]].isna().all()
    assert table.loc[table["n"] >= 5, "share"].notna().all()
    found = [
        f for f in page.findings if f["id"] == "venting_failure_share" and f["group"] == {"site": "Lake"}
    ]
    assert [f["estimate"] for f in found] == [None]
    assert [f["state"] for f in found] == ["too_few"]


def test_one_stream_that_alarms_in_two_years_is_known_twice(monkeypatch):
    """A site with an open alarm of last year and one of this: the page names both, each by its year."""
    page = make_page("quarterly-review", fleet_tables(600))
    days = dt.date(2025, 3, 1), dt.date(2026, 2, 1)
    alarms = [
        Alarm(
            "site", "Ridge", day.year, ALARM, "air", day, f"V{day.year}", day, f"V{day.year}", 2,
            ("V1", "V2", "V3"), ("V1",), 0.4, 2.0, 1.1, 30.0, 20.0, True,
        )
        for day in days
    ]  # fmt: skip
    monkeypatch.setattr(known, "open_alarms", lambda page: (*alarms, replace(alarms[0], level="Lake")))
    known.say_known(page)
    found = [row["group"]["what"] for row in page.findings if row["id"] == "known_elsewhere"]
    assert found[:3] == ["site Ridge (2025)", "site Ridge (2026)", "site Lake"]
