"""The page: what it refuses before anything runs, what it keeps, and what it leaves behind."""

from __future__ import annotations

import datetime as dt
import json

import pandas as pd
import pytest

from ventbook import reports
from ventbook.document import columns as tables
from ventbook.document.blocks import Column
from ventbook.document.values import safe_name
from ventbook.reports.groups import split_groups
from ventbook.reports.page import Page, once_a_page
from ventbook.reports.parameters import check_parameters, find_report, pick_parameters
from ventbook.results import Estimate, no_estimate

NASTY = "<script>alert('x')</script> =1+1 \u202egnp.exe \x07 \U0001f527 " + "long " * 2000


class InventedSnapshot:
    """Three ventings at two sites, in the shape that a store's snapshot has."""

    number = 3
    path = None
    today = dt.date(2026, 10, 7)

    def __init__(self) -> None:
        self.ventings = pd.DataFrame(
            {
                "venting_id": ["v1", "v2", "v3"],
                "engine_id": ["007", "007", "8"],
                "date": pd.to_datetime(["2026-06-30", "2026-07-01", "2026-09-30"]).astype("datetime64[us]"),
                "site": ["Harbour", "Harbour", 'Ridge/"North" <b>'],
            }
        )
        self.engines = pd.DataFrame({"engine_id": ["007", "8"], "engine_type": ["flat4", "flat6"]})

    def read(self, table: str, columns: list[str] | None = None) -> pd.DataFrame:
        frame = {"ventings": self.ventings, "engines": self.engines}[table]
        return frame[columns] if columns else frame

    @property
    def engine_types(self) -> list[str]:
        return sorted(self.engines["engine_type"].dropna().unique())

    def records(self) -> dict[str, pd.DataFrame]:
        return {"ventings": self.ventings, "engines": self.engines}

    def sources(self) -> pd.DataFrame:
        return pd.DataFrame({"intake": [1], "file": ["ventings.csv"], "sha256": ["ab" * 32]})


def make_page(name: str = "quarterly-review", **given: object) -> Page:
    spec = find_report(name)
    checked = check_parameters(spec, given)
    snapshot = InventedSnapshot()
    period = reports.choose_period(
        checked["period"], checked["since"], checked["until"], today=snapshot.today
    )
    page = Page(spec=spec, parameters=checked, snapshot=snapshot, period=period)  # type: ignore[arg-type]
    page.all_jobs = snapshot.ventings.merge(snapshot.engines, on="engine_id")
    return page


def estimate(value: float = 0.25, unit: str = "share") -> Estimate:
    return Estimate(value, value / 2, value * 2, 0.95, unit, 20, 12, "made up")


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [
        ("2026Q3", "2026-07-01", "2026-10-01"),
        ("2026q4", "2026-10-01", "2027-01-01"),
        ("2026-Q1", "2026-01-01", "2026-04-01"),
        ("2026-07", "2026-07-01", "2026-08-01"),
        ("2026-12", "2026-12-01", "2027-01-01"),
        ("2026", "2026-01-01", "2027-01-01"),
        ("2026-07/2026-09", "2026-07-01", "2026-10-01"),
        ("12m/2026-09", "2025-10-01", "2026-10-01"),
        ("1m/2024-02", "2024-02-01", "2024-03-01"),
    ],
)
def test_period_covers_the_days_it_names(text: str, start: str, end: str) -> None:
    period = reports.choose_period(text, "", "", today=dt.date(2027, 6, 1))
    assert (period.start.isoformat(), period.end.isoformat()) == (start, end)
    assert not period.provisional


@pytest.mark.parametrize(
    "text", ["2026Q5", "Q3", "2026-13", "26Q3", "2026-09/2026-07", "0m/2026-09", "1900", "x"]
)
def test_unreadable_period_is_refused_with_the_forms(text: str) -> None:
    with pytest.raises(ValueError, match="period"):
        reports.choose_period(text, "", "", today=dt.date(2026, 10, 7))


def test_default_period_is_the_last_quarter_over_on_the_snapshots_day() -> None:
    def label(day: dt.date) -> str:
        return reports.choose_period("", "", "", today=day).label

    assert label(dt.date(2026, 10, 1)) == "2026Q3"
    assert label(dt.date(2026, 9, 30)) == "2026Q2"
    assert label(dt.date(2027, 1, 1)) == "2026Q4"


def test_since_is_inclusive_and_until_exclusive() -> None:
    page = make_page(since="2026-07-01", until="2026-09-30")
    assert list(page.jobs["venting_id"]) == ["v2"]
    with pytest.raises(ValueError, match="must be after since"):
        reports.choose_period("", "2026-07-01", "2026-07-01", today=dt.date(2026, 10, 7))


def test_period_before_and_year_earlier() -> None:
    period = reports.choose_period("2026Q1", "", "", today=dt.date(2026, 2, 1))
    assert period.provisional
    assert (period.before().label, period.year_earlier().label) == ("2025Q4", "2025Q1")
    days = reports.choose_period("", "2026-03-05", "2026-03-12", today=dt.date(2027, 1, 1))
    assert days.before().end == days.start
    assert days.before().end - days.before().start == dt.timedelta(days=7)


def test_all_faults_of_a_call_come_in_one_line() -> None:
    with pytest.raises(reports.ParameterError) as caught:
        reports.open_page(
            "quarterly-review", {"perod": "2026Q3", "level": "high", "units": "SI", "as_of": True}
        )
    message = str(caught.value)
    assert "\n" not in message
    assert "unknown parameter 'perod' (did you mean period?)" in message
    assert "level must be a number; got 'high'" in message
    assert "units must be metric or us; got 'SI'" in message
    assert "as_of must be a whole number; got True" in message


def test_a_notebooks_namespace_hands_on_what_the_report_declares() -> None:
    spec = find_report("quarterly-review")
    space: dict[str, object] = {"__name__": "__main__", "json": json, "perod": "2026Q3", "_1": 1}
    exec("period = '2026Q3'\nlevel = 0.9", space)
    assert pick_parameters(spec, space) == {"period": "2026Q3", "level": 0.9}
    space["units"] = json
    with pytest.raises(reports.ParameterError, match="units must be text; got <module 'json'"):
        reports.open_page("quarterly-review", space)
    by_hand = {"perod": "2026Q3", "__name__": "x"}
    assert pick_parameters(spec, by_hand) is by_hand


def test_unknown_report_names_the_nearest() -> None:
    with pytest.raises(reports.ParameterError, match=r"did you mean quarterly-review\?"):
        reports.open_page("quaterly_review")


def test_unknown_filter_and_empty_period_are_refused() -> None:
    with pytest.raises(
        reports.ParameterError, match=r"site 'Harbor' is not in the records \(did you mean Harbour\?\)"
    ):
        make_page(site="Harbor").check_scope()
    with pytest.raises(reports.ParameterError, match="no venting in 2024Q1"):
        make_page(period="2024Q1").check_scope()
    make_page("records", period="2024Q1").check_scope()


def test_filters_and_history() -> None:
    page = make_page(engine="007", period="2026Q3")
    assert list(page.jobs["venting_id"]) == ["v2"]
    assert list(page.history_jobs["venting_id"]) == ["v1", "v2"]
    assert len(page.all_jobs) == 3
    assert "engine 007" in page.scope_words


def test_finding_key_is_unique_and_values_are_checked() -> None:
    page = make_page()
    page.add_finding("lifter_failure_share", estimate(), tier="describe", sentence="One in four.")
    page.add_finding(
        "lifter_failure_share", estimate(), tier="describe", sentence="x", group={"site": "Harbour"}
    )
    with pytest.raises(ValueError, match="stands already"):
        page.add_finding("lifter_failure_share", estimate(), tier="describe", sentence="again")
    with pytest.raises(ValueError, match="tier must be one of"):
        page.add_finding("other", estimate(), tier="sure", sentence="x")
    with pytest.raises(ValueError, match="verdict must be one of"):
        page.add_finding("other", estimate(), tier="list", verdict="fine", sentence="x")
    with pytest.raises(ValueError, match="never about one technician"):
        page.add_finding("other", estimate(), tier="list", group={"technician": "t1"}, sentence="x")


def test_files_left_behind(tmp_path) -> None:
    def leave(out) -> dict[str, bytes]:
        page = make_page(out=str(out))
        page.answer("One in four.")
        page.add_finding("lifter_failure_share", estimate(1 / 3), tier="describe", sentence="One in three.")
        nothing = no_estimate("too_few", level=0.95, unit="s", n=2)
        page.add_finding("median_time_to_pressure", nothing, tier="list", sentence="Too few to say.")
        frame = pd.DataFrame(
            {"site": ["=cmd|'/c calc'!A0", NASTY], "gap_mm": [0.5, float("nan")], "n": [3, 4]}
        )
        page.add_table("sites", frame, title="By site")
        from ventbook.document.plotting import new_figure

        figure, ax = new_figure()
        ax.plot([1, 2], [3, 4])
        page.add_figure("trend", figure, alt="Rises from 3 to 4.", caption="A rise.")
        shown = page.finish()
        assert "does not release an engine" in shown.html
        return {str(p.relative_to(out)): p.read_bytes() for p in sorted(out.rglob("*")) if p.is_file()}

    first, second = leave(tmp_path / "a"), leave(tmp_path / "b")
    assert first == second
    assert set(first) == {"findings.json", "tables/sites.csv", "figures/trend.svg"}
    made = json.loads(first["findings.json"])
    assert made["version"] == 1 and made["snapshot"] == 3
    assert made["tables"] == {"sites": "tables/sites.csv"}
    assert made["findings"][0]["estimate"] == 0.3333333333
    assert made["findings"][1]["estimate"] is None and made["findings"][1]["state"] == "too_few"
    table = first["tables/sites.csv"].decode()
    assert "'=cmd|" in table and "\x07" not in table and "\u202e" not in table
    assert b"http://www.w3.org/Graphics" not in first["figures/trend.svg"]
    assert b"<dc:date>" not in first["figures/trend.svg"]


def test_shown_html_is_escaped_everywhere() -> None:
    page = make_page()
    frame = pd.DataFrame({NASTY[:40]: [NASTY], "b": ["</td>"]})
    pieces = [
        page.text(NASTY),
        page.answer(NASTY),
        page.add_table("t", frame, title=NASTY, note=NASTY),
        page.add_finding("x", estimate(), tier="list", group={"site": NASTY}, sentence=NASTY),
    ]
    for piece in [*pieces, page.finish()]:
        assert "<script" not in piece.html
        assert "\u202e" not in tables.cell_text(NASTY, Column("x", "x"), "metric")


def test_table_shows_units_and_cuts_with_a_word() -> None:
    page = make_page(units="us")
    frame = pd.DataFrame({"gap_mm": [0.5] * 80, "share": [0.25] * 80, "ok": pd.array([True] * 80)})
    made = page.add_table(
        "gaps",
        frame,
        title="Gaps",
        columns=["gap_mm", "share", Column("ok", "Seen")],
    )
    assert "Gap [in]" in made.html and ">0.0197<" in made.html
    assert "Share [%]" in made.html and ">25<" in made.html and ">yes<" in made.html
    assert "First 60 of 80 rows" in made.html
    assert made.html.count("<tr>") == 61


def test_a_pages_data_are_worked_out_once() -> None:
    calls = []

    @once_a_page
    def load(page: Page) -> dict[str, int]:
        calls.append(page.period.label)
        return {"n": len(calls)}

    @once_a_page
    def nothing(page: Page) -> None:
        calls.append("nothing")

    one, other = make_page(period="2026Q3"), make_page(period="2026Q2")
    assert load(one) is load(one) and load(one) is not load(other)
    assert nothing(one) is nothing(one) is None
    assert calls == ["2026Q3", "2026Q2", "nothing"]


def test_a_page_opens_again_with_other_parameters_on_the_same_records() -> None:
    page = make_page(period="2026Q3")
    page.records, page.all_lifters = {}, pd.DataFrame()
    other = page.reopen({"period": "", "since": "2026-05-01", "level": 0.9})
    assert (other.period.start, other.level) == (dt.date(2026, 5, 1), 0.9)
    assert other.all_jobs is page.all_jobs and page.period.label == "2026Q3"
    with pytest.raises(reports.ParameterError, match="unknown parameter 'perod'"):
        page.reopen({"perod": "2026Q2"})


def test_groups_come_by_grouping_in_alphabetical_order_and_leave_blanks_out() -> None:
    jobs = pd.DataFrame(
        {
            "site": ["Ridge", "Lake", None, "Lake"],
            "cooler_empty": pd.array([True, None, False, True], "boolean"),
        }
    )
    found = [(g.title, g.name, list(g.rows.index)) for g in split_groups(jobs, ["site", "cooler_empty"])]
    assert found == [
        ("Site", "Lake", [1, 3]), ("Site", "Ridge", [0]), ("Cooler empty", "no", [2]), ("Cooler empty", "yes", [0, 3])
    ]  # fmt: skip
    every = [g.name for g in split_groups(jobs, ["site"], blanks=True)]
    assert every == ["Lake", "Ridge", "not recorded"]


def test_table_refuses_technicians_and_unknown_columns() -> None:
    page = make_page()
    with pytest.raises(ValueError, match="technician codes stay out"):
        page.add_table("a", pd.DataFrame({"technician": ["t"]}), title="x")
    with pytest.raises(ValueError, match="columns z are not in the frame"):
        page.add_table("a", pd.DataFrame({"b": [1]}), title="x", columns=["z"])
    with pytest.raises(ValueError, match="letters, digits"):
        page.add_table("a/../b", pd.DataFrame({"b": [1]}), title="x")


def test_figure_needs_words() -> None:
    from ventbook.document.plotting import new_figure

    figure, _ = new_figure()
    with pytest.raises(ValueError, match="alt must say"):
        make_page().add_figure("a", figure, alt=" ", caption="x")


def test_explanation_sets_formulas_as_mathml() -> None:
    made = make_page().explain("the rate", "A share $k/n$ & more.\n\n$$G = r (x_a + v t)$$")
    assert made.html.count("<math") == 2 and "&amp; more" in made.html and "$" not in made.html


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("Harbour", True),
        ("2026Q3", True),
        ("a/b", False),
        ("..", False),
        ("", False),
        ("CON", False),
        ("é", False),
    ],
)
def test_names_safe_for_file_systems(text: str, same: bool) -> None:
    made = safe_name(text)
    assert (made == text) is same
    assert made and not set(made) & set('/\\:*?"<>| \0') and made not in (".", "..")


def test_unsafe_names_stay_unique() -> None:
    names = ["a/b", "a:b", "a b", "a_b", "A/B", "a" * 300, "a" * 301, "日本", "中国"]
    assert len({safe_name(name).casefold() for name in names}) == len(names)


def test_every_report_has_its_notebook_name_and_common_parameters() -> None:
    specs = reports.report_specs()
    assert len({spec.notebook for spec in specs.values()}) == len(specs) == 11
    for spec in specs.values():
        assert {"store", "out", "period", "since", "until", "site", "units", "level"} <= set(spec.parameters)
