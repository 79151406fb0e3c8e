"""The investigation of spongy lifters on the demo fleet, whose causes are known, and on next to nothing."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from invented_fleet import fleet_tables, make_page
from run_pages import run_page
from ventbook import tables as dictionary
from ventbook.document.blocks import Answer
from ventbook.reports import account
from ventbook.reports import spongy_lifters as report
from ventbook.reports.parameters import find_report
from ventbook.reports.quarterly_review import data as review_data
from ventbook.reports.spongy_lifters import words
from ventbook.reports.spongy_lifters.data import load_data
from ventbook.reports.spongy_lifters.venting import is_by_hand, label_choices, list_choices, show_again
from ventbook.statistics import causes as contexts

SECTIONS = (
    "answer", "failures_by_cause", "all_effects", "cannot_tell", "findings", "failure_modes", "returning_engines", "one_venting",
    "case_comparison", "next_checks", "not_recorded", "more_ventings", "methods", "limitations",
)  # fmt: skip


def without_traces() -> dict[str, pd.DataFrame]:
    """The fleet's tables; no start was logged."""
    tables = dict(fleet_tables())
    tables.pop("start_features", None)
    return tables


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, dict[str, Any], Path]:
    out = tmp_path_factory.mktemp("spongy")
    page = make_page("spongy-lifters", without_traces(), out=str(out))
    parts = {name: getattr(report, name)(page) for name in SECTIONS}
    page.finish()
    return page, parts, out


def test_every_planted_cause_is_named_and_nothing_else(shown: Any) -> None:
    """Planted in the demo: a leaking lot, coolers empty without tank pressure, a worsening site; HG-3 causes no failure alone."""
    named = {row["name"] for row in account.list_named(load_data(shown[0]).account)}
    assert named == {"lifter_lot=LL-2505", "empty_cooler_unpressurised", "Ridge growing"}
    answer = shown[1]["answer"].text
    for words_of in (
        "lifter lot LL-2505",
        "cooler empty and tank not pressurised",
        "Ridge getting worse quarter by quarter",
    ):
        assert words_of in answer
    assert "HG-3" not in answer
    assert len(shown[1]["answer"].text.strip().split("\n\n")) <= 7


def test_the_account_stands_in_findings_and_tables_and_adds_up(shown: Any) -> None:
    document = json.loads((shown[2] / "findings.json").read_text(encoding="utf-8"))
    by_cause = [f for f in document["findings"] if f["id"] == "failures_by_cause"]
    failing = load_data(shown[0]).account.failing
    assert sum(f["estimate"] for f in by_cause) == pytest.approx(failing, abs=1e-6)
    assert all(f["low"] <= f["estimate"] <= f["high"] for f in by_cause)
    assert by_cause[-1]["group"] == {"cause": "unexplained"}
    shares = pd.read_csv(shown[2] / "tables" / "failure_shares.csv", dtype={"venting_id": str})
    assert shares.groupby("venting_id")["share"].sum().to_numpy() == pytest.approx(np.ones(failing), abs=1e-6)
    assert {"context_effects", "lifter_findings", "failure_causes", "next_checks"} <= set(document["tables"])


def test_the_review_speaks_from_the_same_account(shown: Any) -> None:
    """The review reads fewer columns of the lifters; what came from what is the same to the last digit."""
    review = make_page("quarterly-review", without_traces())
    review_data.load_data(review)
    pd.testing.assert_frame_equal(account.load_account(review).terms, load_data(shown[0]).account.terms)


def test_circumstances_one_by_one_name_nothing(shown: Any) -> None:
    assert "Nothing is named here" in shown[1]["all_effects"].text
    table = pd.read_csv(shown[2] / "tables" / "failure_causes.csv")
    assert table["cause"].tolist()[-1] == "unexplained" and table["refute"][:-1].notna().all()


def test_stable_tables_keep_their_columns(shown: Any) -> None:
    effects = pd.read_csv(shown[2] / "tables" / "context_effects.csv")
    wanted = [
        "outcome",
        "factor",
        "level",
        "reference",
        "adjusted",
        "effect",
        "low",
        "high",
        "p",
        "q",
        "ventings",
        "failures",
        "note",
    ]
    assert effects.columns.tolist() == wanted
    assert set(effects["outcome"]) == {"lifter_failure", "time_to_pressure", "rotations_to_prime"}
    assert (effects["adjusted"].value_counts() == len(effects) // 2).all()
    assert np.isfinite(effects["effect"].dropna()).all()
    lifters = pd.read_csv(shown[2] / "tables" / "lifter_findings.csv", dtype={"venting_id": str})
    first = "venting_id cylinder valve gap_mm over_limit_probability air_probability leak_down_probability trapped_air_mm3"
    assert lifters.columns[:8].tolist() == first.split()
    assert len(lifters) == int(shown[0].jobs["lifters_over_first"].sum())


def test_findings_of_the_leaking_lot_are_not_called_air(shown: Any) -> None:
    page = make_page(
        "spongy-lifters", without_traces(), since="2025-04-01", until="2026-02-01", lot="LL-2505"
    )
    facts = load_data(page)
    assert len(facts.signs) > 20
    counts = contexts.count_modes(facts.matched).set_index("name")["best"]
    wear = counts[["check valve not seating", "worn plunger or bore"]].sum()
    assert wear > 2 * counts["air shut in under the plunger"]
    assert set(facts.lifters["lifter_lot"]) == {"LL-2505"}
    assert "Lifters of lot LL-2505: " in report.answer(page).text


def test_next_checks_go_from_cheap_to_dear_with_their_warnings(shown: Any) -> None:
    table = pd.read_csv(shown[2] / "tables" / "next_checks.csv")
    assert table["cost"].is_monotonic_increasing
    text = shown[1]["next_checks"].text
    assert "ignition off and grounded" in text
    assert "no release" in text


def test_nothing_reads_like_a_release_or_names_a_person(shown: Any) -> None:
    text = " ".join(part.text for part in shown[1].values()).lower()
    for never in ("airworthy", "released to service", "safe to fly", "technician", "not significant"):
        assert never not in text


def test_one_venting_shows_its_record_and_ventings_like_it(shown: Any) -> None:
    page = shown[0]
    worst = int(page.jobs["lifters_over_first"].max())
    assert f"{worst} of" in shown[1]["one_venting"].text.split("\n")[0]
    timeline = pd.read_csv(shown[2] / "tables" / "engine_timeline.csv")
    assert timeline["event"].str.startswith("venting (").sum() >= 1
    assert timeline["event"].str.startswith("check").any()
    asked = make_page("spongy-lifters", without_traces(), venting="nowhere")
    assert "There is no venting 'nowhere'" in report.one_venting(asked).text


@pytest.mark.parametrize("kept", [0, 3])
def test_next_to_nothing_gives_a_page_that_says_so(kept: int, tmp_path: Path) -> None:
    tables = without_traces()
    ventings = tables["ventings"].head(kept)
    for name in ("ventings", "starts", "lifter_checks"):
        tables[name] = tables[name][tables[name]["venting_id"].isin(ventings["venting_id"])].reset_index(
            drop=True
        )
    day = ventings["date"].max().date().isoformat() if kept else "2026-07-01"
    page = make_page("spongy-lifters", tables, out=str(tmp_path), since="2024-01-01", until="2026-10-01")
    text = " ".join(getattr(report, name)(page).text for name in SECTIONS)
    page.finish()
    assert ("nothing can be said about causes" if kept == 0 else "no cause is named from so few") in text
    assert "Widen the period" in text
    assert day
    findings = json.loads((tmp_path / "findings.json").read_text(encoding="utf-8"))["findings"]
    assert not [f for f in findings if f["id"] == "failures_by_cause"]


def test_drop_downs_refilter_for_a_person_and_stay_away_from_a_report(
    shown: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = make_page("spongy-lifters", without_traces())
    assert not is_by_hand(shown[0])
    assert report.open_by_hand(page) is None
    monkeypatch.setenv("VENTBOOK_CONTROLS", "1")
    assert is_by_hand(page)
    assert not is_by_hand(shown[0]), "a page that writes a report never shows them"
    choices = list_choices(page)
    assert set(choices) == {"period", "site", "engine_type", "engine", "lot", "venting"}
    assert all(values[0] == "" for values in choices.values())
    labels = label_choices(page)
    assert labels["period"][0] == (f"{page.period.label} (as opened)", ""), (
        "an empty period is a quarter, not all"
    )
    assert labels["site"][0] == ("all", "")
    again = show_again(page, {"site": "Lake", "period": "2026Q2"})
    assert "2026Q2" in again.text
    assert "site Lake" in again.text
    box = report.open_by_hand(page)
    assert len(box.children) == 3
    half = make_page("spongy-lifters", without_traces(), period="2026-04/2026-09")
    assert label_choices(half)["period"][:2] == [
        ("last complete quarter", ""),
        ("2026-04/2026-09", "2026-04/2026-09"),
    ]
    assert report.open_by_hand(half).children[0].children[0].value == "2026-04/2026-09"


def test_the_notebook_asks_for_every_section_once_with_all_parameters() -> None:
    path = dictionary.DATA.parent / "notebooks" / "05_spongy_lifters.ipynb"
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    sources = ["".join(cell["source"]) for cell in cells]
    for name in SECTIONS:
        assert sum(f"spongy.{name}(page)" in source for source in sources) == 1, name
    asked = next(source for source in sources if source.startswith("store:"))
    wanted = set(find_report("spongy-lifters").parameters)
    assert {line.split(":")[0] for line in asked.splitlines()} == wanted
    assert 'open_page("spongy-lifters", locals())' in sources[2]


@pytest.mark.parametrize(
    ("value", "told"),
    [(31.4, "31"), (9.96, "10"), (6.69, "6.7"), (2.01, "2"), (0.3, "0.3"), (0.0, "0"), (9.5, "9.5")],
)
def test_sums_of_shares_read_as_counts(value: float, told: str) -> None:
    assert account.round_ventings(value) == told


def test_a_drift_whose_start_is_open_says_which_steps_fit_as_well() -> None:
    row = {
        "title": "Ridge getting worse",
        "site": "Ridge",
        "rivals": "Ridge worse since 2025Q4; Ridge worse since 2026Q1",
    }
    assert account.doubt_sentence(row) == "Ridge getting worse: a step up in 2025Q4 or 2026Q1 fits as well."


class TestWords:
    @pytest.mark.parametrize(
        ("value", "said"),
        [
            (0.364, "0.36"),
            (1.43, "1.4"),
            (9.96, "10"),
            (250.0, "over 100"),
            (0.001, "under 0.01"),
            (float("nan"), "not known"),
        ],
    )
    def test_ratio(self, value: float, said: str) -> None:
        assert words.ratio(value) == said

    def test_pairs_that_came_together(self) -> None:
        pair = {"both": 17, "only_first": 1, "only_second": 4, "neither": 30, "n_first": 18}
        said = words.together_sentence("tank pressurised", "lines empty", pair)
        assert "17 of 18 ventings with the first also had the second" in said
        assert "The records do not say which" in said

    def test_smallest_difference_that_could_be_seen(self) -> None:
        assert "10 % against 50 %" in words.detect_sentence(22, 25, 0.1, 0.5)
        assert "no difference would be noticed" in words.detect_sentence(2, 3, 0.1, None)


def test_a_page_of_one_engine_answers_for_it_and_names_nothing_it_never_met(demo_store, tmp_path):
    """The newest quarter of the engine is the default; a period given goes first and says what lies outside it."""
    run = run_page("spongy-lifters", demo_store, tmp_path, engine="R-009")
    told = " ".join(run.closing.answers)
    assert run.page.period.label == "2026Q3" and run.faults == []
    assert run.closing.answers[0].startswith(
        "Venting R26-044 of engine R-009, 2026-09-08, Ridge: 6 of 8 lifters"
    )
    assert "2 were present here: cooler empty and tank not pressurised and Ridge getting worse" in told
    assert "not recorded for this job: lifter lot LL-2505" in told
    assert (
        "Its readings over the limit fit air at 6" in told and "Ask whoever closed this job at Ridge" in told
    )
    assert not re.search(r"\b(HG|LF|PG)-\d|Harbour|Plain|Lake", told)
    old = run_page("spongy-lifters", demo_store, tmp_path, engine="R-009", period="2025Q3")
    scope = next(block.scope for shown in old.shown for block in shown if isinstance(block, Answer))
    assert scope.endswith("1 newer venting, to 2026-09-08, lies outside this period.")
