"""The report on a trial and the planning of one: verdicts on planted outcomes, deviations, refusals, the command line."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from invented_fleet import fleet_tables, make_page
from invented_store import make_store
from test_dictionary import limit_row
from ventbook import tables
from ventbook.document.consistency import find_faults
from ventbook.errors import InputError
from ventbook.records import trials as kept
from ventbook.reports import trial as report
from ventbook.reports.trial.data import TrialState, load_state, read_state
from ventbook.reports.trial.page import say_verdict
from ventbook.reports.trial.planning import (
    Question,
    check_change,
    expect_outcome,
    give_assignment,
    plan_cautions,
    plan_trial,
)
from ventbook.run import cli
from ventbook.tables.limits import read_limits

START, TODAY = dt.date(2026, 1, 1), dt.date(2026, 10, 10)
SECTIONS = (
    "answer",
    "plan",
    "evidence",
    "methods",
    "ways_compared",
    "deviations",
    "engines_drawn",
    "what_it_takes",
)


def make_trial(folder: Path, engines: int, **planned) -> kept.Trial:
    """A trial in which so many engines were drawn, one a day, in one stratum."""
    places = kept.make_list(["all"], blocks=-(-engines // 4), seed=8)
    plan = kept.TrialPlan(
        name="hold", day=START.isoformat(), question="Fewer?", change="a longer hold", agreed="T-0123456789",
        list_sha256=kept.hash_places(places), strata=(), most=200,
        **{"outcome": "spongy_lifter", "planned": 0.25, "share": 0.4} | planned,
    )  # fmt: skip
    trial = kept.write_trial(folder / "store", plan, places)
    for number in range(engines):
        day = START + dt.timedelta(days=number)
        trial, _ = kept.draw_next(trial, engine_id=f"E{number:03d}", stratum="all", day=day)
    return trial


def make_jobs(trial: kept.Trial, outcome) -> pd.DataFrame:
    """A venting of each engine the day after its draw; ``outcome(changed, number)`` gives failing, None is missing."""
    rows = []
    for draw in trial.log:
        changed = draw.arm == "changed"
        value = outcome(changed, draw.number)
        rows.append({
            "venting_id": f"V{draw.number:03d}", "engine_id": draw.engine_id, "site": "Harbour", "engine_type": "flat4",
            "date": pd.Timestamp(draw.day) + pd.Timedelta(days=1), "trial": "hold", "trial_arm": draw.arm,
            "failed_first": value, "rotations_crank": value, "pressure_shown": value is not None,
        })  # fmt: skip
    jobs = pd.DataFrame(rows)
    jobs["failed_first"] = pd.array([None if v is None else bool(v) for v in jobs["failed_first"]], "boolean")
    return jobs.astype({"rotations_crank": float, "pressure_shown": "boolean", "trial_arm": "str"})


def read(trial: kept.Trial, jobs: pd.DataFrame, today: dt.date = TODAY) -> TrialState:
    return read_state(trial, jobs, today=today)


class TestVerdicts:
    def test_a_change_that_works(self, tmp_path) -> None:
        trial = make_trial(tmp_path, 80)
        state = read(trial, make_jobs(trial, lambda changed, n: not changed and n % 2 == 0))
        assert state.verdict == "works" and state.first.last("works") > 20
        assert list(state.steps[:2]) == [4, 8] and len(state.first) == 20

    def test_a_change_that_harms_and_one_that_does_nothing(self, tmp_path) -> None:
        trial = make_trial(tmp_path, 80)
        assert read(trial, make_jobs(trial, lambda changed, n: changed and n % 2 == 0)).verdict == "harm"
        assert read(trial, make_jobs(trial, lambda changed, n: n % 3 == 0)).verdict == "no_use"
        assert read(trial, make_jobs(trial, lambda changed, n: False)).verdict == "go_on"

    def test_failures_that_were_not_written_down_do_not_make_it_work(self, tmp_path) -> None:
        """Half of all fail both ways, and with the change the failing ones have no result on record."""
        trial = make_trial(tmp_path, 80)
        state = read(trial, make_jobs(trial, lambda changed, n: None if changed and n % 2 else bool(n % 2)))
        assert state.first.last("works") > 20 > 1 > state.against.last("works")
        assert state.verdict in ("works_unless_missing", "no_use")
        assert (state.drawn["state"] == "missing").sum() > 10

    def test_what_is_not_due_yet_waits_and_holds_its_block(self, tmp_path) -> None:
        trial = make_trial(tmp_path, 8)
        jobs = make_jobs(trial, lambda changed, n: False)
        jobs = jobs[jobs["venting_id"] != "V006"]
        state = read(trial, jobs, today=dt.date(2026, 1, 20))
        assert (
            state.drawn["state"].tolist()[5] == "waiting"
            and state.drawn["counted"].tolist() == [True] * 4 + [False] * 4
        )
        later = read(trial, jobs, today=dt.date(2026, 4, 1))
        assert later.drawn["state"].tolist()[5] == "missing" and later.drawn["counted"].all()
        early = read(trial, jobs, today=dt.date(2026, 1, 3))
        assert early.drawn["number"].tolist() == [1, 2, 3]

    def test_the_first_venting_counts_and_counts_as_drawn(self, tmp_path) -> None:
        trial = make_trial(tmp_path, 4)
        jobs = make_jobs(trial, lambda changed, n: False)
        jobs["trial_arm"] = "as_before"
        before = jobs.assign(
            venting_id="B" + jobs["venting_id"], date=pd.Timestamp("2025-12-01"), failed_first=True
        )
        again = jobs.assign(
            venting_id="A" + jobs["venting_id"], date=pd.Timestamp("2026-09-01"), failed_first=True
        )
        stranger = jobs.iloc[:1].assign(venting_id="S1", engine_id="Z9")
        state = read(trial, pd.concat([before, again, jobs, stranger], ignore_index=True))
        assert state.drawn["venting_id"].tolist() == ["V001", "V002", "V003", "V004"]
        assert state.drawn["value"].tolist() == [0.0] * 4
        assert state.drawn["changed"].sum() == 2 and set(state.drawn["done"]) == {"as_before"}
        why = state.strangers.set_index("venting_id")["why"]
        assert why["S1"] == "the engine was never drawn" and why["AV001"].startswith("not the engine's first")

    def test_numbers_in_pairs(self, tmp_path) -> None:
        trial = make_trial(tmp_path, 60, outcome="rotations", planned=0.85, share=None, spread=0.2)
        rng = np.random.default_rng(3)
        noise = rng.normal(0, 0.2, 61)
        state = read(trial, make_jobs(trial, lambda changed, n: float(np.exp(3 + noise[n] - 0.35 * changed))))
        assert state.verdict == "works" and list(state.steps[:2]) == [2, 4]
        given_up = make_jobs(trial, lambda changed, n: 40.0).assign(
            pressure_shown=pd.array([False] * 60, "boolean")
        )
        nothing = read(trial, given_up)
        assert nothing.verdict == "go_on" and nothing.drawn["value"].isna().all()


@pytest.fixture
def fleet_page(tmp_path):
    """A page on the demo fleet in which every engine vented in the last year was drawn, on the day before."""
    records = fleet_tables()
    (tmp_path / "store").mkdir()
    page = make_page("trial", records, store=str(tmp_path / "store"))
    asked = Question(
        "tank",
        "Does more pressure help Zebedee?",
        "1.0 bar on the tank",
        "Zebedee Quux",
        steps=("tank_overpressure=1.0 bar",),
    )
    plan_trial(page, asked, day=dt.date(2025, 10, 1))
    jobs = page.all_jobs[page.all_jobs["date"] >= "2025-10-01"].drop_duplicates("engine_id")
    trial = kept.read_trial(tmp_path / "store", "tank")
    for row in jobs.iloc[:60].itertuples():
        trial, _ = kept.draw_next(
            trial, engine_id=row.engine_id, stratum=f"{row.site} / {row.engine_type}", day=row.date.date()
        )
    return make_page("trial", records, store=str(tmp_path / "store"), out=str(tmp_path / "out"))


class TestPage:
    def test_without_a_trial_it_says_so_in_one_line_and_what_one_takes(self, tmp_path) -> None:
        page = make_page("trial", fleet_tables(), store=str(tmp_path / "store"))
        shown = {name: getattr(report, name)(page) for name in SECTIONS}
        assert (
            shown["answer"].text.count(
                "No trial is planned beside these records; ventbook trial plan starts one."
            )
            == 1
        )
        assert page.answers == ["No trial is planned beside these records; ventbook trial plan starts one."]
        sizes = page.frame("trial_sizes")
        assert {"a spongy lifter at the first check", "time to oil pressure at the first start"} <= set(
            sizes["outcome"]
        )
        assert (sizes["one_look"] <= sizes["four_looks"]).all() and sizes["year_power"].between(0, 1).all()

    def test_sections_of_a_trial(self, fleet_page, tmp_path) -> None:
        page, again = fleet_page, make_page("trial", fleet_tables(), store=fleet_page.parameters["store"])
        shown = {name: getattr(report, name)(page).text for name in SECTIONS}
        page.finish()
        state = load_state(page)
        assert len(state.drawn) == 60 and say_verdict(state) in shown["answer"]
        assert (
            "within the manual's limits on that day, Pressure on the tank, where put on: 1 bar"
            in shown["plan"]
        )
        assert "How the work was done is recorded of none of" in shown["deviations"]
        found = {
            f["id"]: f
            for f in json.loads((tmp_path / "out" / "findings.json").read_text("utf-8"))["findings"]
        }
        assert found["trial_evidence"]["estimate"] == pytest.approx(state.first.last("works"), rel=1e-6)
        assert found["trial_evidence"]["n"] == int(state.drawn["counted"].sum())
        assert {"trial_share", "trial_evidence_missing_against"} <= set(found)
        ways = page.frame("trial_ways")
        assert ways["drawn"].sum() == 60 and (ways["known"] + ways["missing"] + ways["waiting"]).sum() == 60
        for caution in ("Both ways of working", "sealed against accidental looking only"):
            assert any(caution in text for text in page.cautions())
        everything = " ".join(shown.values())
        blocks = [block for name in SECTIONS for block in getattr(report, name)(again)]
        assert find_faults(blocks) == []
        assert "no effect" not in everything and "Zebedee" not in everything

    def test_the_name_of_who_agreed_is_kept_as_a_code(self, fleet_page, tmp_path) -> None:
        plan = kept.read_trial(tmp_path / "store", "tank").plan
        assert plan.agreed.startswith("T-") and plan.cautions == tuple(plan_cautions())
        text = "".join(
            p.read_text("utf-8") for p in (tmp_path / "trials" / "tank").iterdir() if p.name[0] != "."
        )
        assert "Quux" not in text and "Zebedee" not in text

    def test_a_file_changed_by_hand_ends_the_report_in_one_line(self, fleet_page, tmp_path) -> None:
        log = tmp_path / "trials" / "tank" / kept.LOG
        log.write_text(log.read_text("utf-8").replace('"changed"', '"as_before"', 1), "utf-8")
        with pytest.raises(
            InputError, match=r"trial tank: log\.jsonl, line \d+ \(engine .*\) was edited by hand"
        ):
            report.answer(fleet_page)

    def test_deviations_and_arms_never_drawn_are_listed(self, fleet_page) -> None:
        jobs = fleet_page.all_jobs.copy()
        drawn = load_state(fleet_page).drawn
        first = jobs["venting_id"].isin(drawn["venting_id"])
        jobs["trial_arm"] = pd.Series(pd.NA, jobs.index, dtype="str").mask(first, "as_before")
        other = jobs.index[~jobs["engine_id"].isin(drawn["engine_id"])][0]
        jobs.loc[other, ["trial", "trial_arm"]] = ["tank", "changed"]
        page = make_page("trial", fleet_tables(), store=fleet_page.parameters["store"])
        page.all_jobs = jobs
        text = report.deviations(page).text
        changed = int(drawn["changed"].sum())
        assert f"Done otherwise than drawn: {changed} of 60 ventings" in text
        assert "1 venting of engines that were never drawn" in text
        assert len(page.frame("trial_deviations")) == changed + 1


MANUAL = "\n".join(
    [
        limit_row(high="1.1\nlow = 0.5", unit="bar").replace("lifter_gap", "tank_overpressure"),
        limit_row(high=0.9, unit="bar").replace("lifter_gap", "tank_overpressure_when_empty"),
        limit_row(high="92\nlow = 80\nreference = 85", unit="N").replace("lifter_gap", "check_force"),
        limit_row(high="1\nlow = 1", unit="1").replace("lifter_gap", "plugs_removed"),
    ]
)


class TestLimits:
    @pytest.fixture
    def limits(self, tmp_path):
        own = tmp_path / "own.toml"
        own.write_text(MANUAL)
        return read_limits([tables.DATA / "limits.toml", own])

    def check(self, limits, step: str, kinds=("flat4",)) -> tuple[str, ...]:
        return check_change(limits, [step], kinds, TODAY)

    def test_within_every_limit_it_passes_in_the_step_s_own_unit(self, limits) -> None:
        assert self.check(limits, "tank_overpressure=0.9 bar") == ("tank_overpressure = 0.9 bar",)
        assert self.check(limits, "tank_overpressure = 11.6 psi") == ("tank_overpressure = 0.8 bar",)
        assert self.check(limits, "plugs_removed=yes") == ("plugs_removed = yes",)

    @pytest.mark.parametrize(
        ("step", "said"),
        [
            ("tank_overpressure=1.2 bar", r"1\.2 bar is outside the limit in force for pressure on the tank.*0\.5 to 1\.1 bar \(own\.toml: row 1 .*revision A"),
            ("tank_overpressure=1.0 bar", r"outside the limit in force for pressure on the tank, line or cooler empty: at most 0\.9 bar \(own\.toml: row 2"),
            ("plugs_removed=no", r"no is outside the limit in force for plugs out while turning: yes"),
            ("check_force=70 N", r"70 N is outside"),
            ("pressure_threshold=0.4 bar", r"enter your manual's limit for .* first \(step pressure_threshold, engine type flat4; a placeholder doesn't count\)"),
            ("first_hold=60 s", r"enter your manual's limit for length of the first hold first \(step first_hold, engine type flat4\)"),
            ("time_to_pressure=2 s", r"'time_to_pressure' is not a step that can be set"),
            ("tank_overpressure=0.9", r"needs a number with its unit"),
            ("tank_overpressure=nan bar", r"needs a number with its unit"),
            ("tank_overpressure=0.9 s", r"needs a number with its unit"),
            ("plugs_removed=1", r"is yes or no"),
        ],
    )  # fmt: skip
    def test_what_leaves_the_limits_is_refused_with_their_row(self, limits, step: str, said: str) -> None:
        with pytest.raises(InputError, match=said) as caught:
            self.check(limits, step)
        assert "\n" not in str(caught.value)

    def test_every_engine_type_of_the_trial_needs_its_limit(self, limits) -> None:
        with pytest.raises(InputError, match="engine type flat6"):
            self.check(limits, "tank_overpressure=0.9 bar", kinds=("flat4", "flat6"))


class TestPlanning:
    GOOD = Question("hold", "Fewer?", "a longer rest", "A. Person", no_step=True, share=0.3)

    def plan(self, tmp_path, **change) -> list[str]:
        page = make_page("trial", fleet_tables(), store=str(tmp_path / "store"))
        return plan_trial(page, dataclasses.replace(self.GOOD, **change), day=TODAY)

    def test_what_it_takes_is_said_and_a_number_proposed_where_a_share_takes_too_long(self, tmp_path) -> None:
        (tmp_path / "store").mkdir()
        lines = self.plan(tmp_path, planned=0.5, share=0.05)
        text = "\n".join(lines)
        assert (
            "That can't be finished within a year; take a number as outcome instead: rotations_ratio" in text
        )
        assert sum(line.startswith("caution: ") for line in lines) >= 6
        assert kept.read_trial(tmp_path / "store", "hold").plan.share == 0.05

    def test_a_dry_run_writes_nothing(self, tmp_path) -> None:
        page = make_page("trial", fleet_tables(), store=str(tmp_path / "store"))
        assert plan_trial(page, self.GOOD, day=TODAY, dry_run=True)[0] == "dry run: nothing was written"
        assert not list(tmp_path.iterdir())

    @pytest.mark.parametrize(
        ("change", "said"),
        [
            ({"name": "Hold 1"}, "small letters, digits and hyphens"),
            ({"agreed": " "}, "the licensed person who agreed"),
            ({"outcome": "gaps"}, "outcome must be one of spongy_lifter, gap"),
            ({"no_step": False}, "name the steps that the change sets"),
            ({"change": "1.2 bar on the tank"}, "the change says '1.2 bar': name the step"),
            ({"planned": 1.5}, "--planned must lie between 0 and 1"),
            ({"share": 1.0}, "--share must lie between 0 and 1"),
            ({"strata": ("site", "technician")}, "strata are among site, engine_type"),
            ({"outcome": "rotations_ratio", "share": None, "no_step": False, "steps": ("tank_overpressure=1 bar",)}, "already corrected for tank_overpressure"),
        ],
    )  # fmt: skip
    def test_bad_plans_are_refused_in_one_line_and_write_nothing(self, tmp_path, change, said) -> None:
        with pytest.raises(InputError, match=said) as caught:
            self.plan(tmp_path, **change)
        assert "\n" not in str(caught.value) and not list(tmp_path.iterdir())

    def test_expected_of_the_last_year(self) -> None:
        page = make_page("trial", fleet_tables())
        jobs = page.all_jobs
        year = jobs[jobs["date"] > "2025-10-10"]
        expected = expect_outcome(jobs, tables.find_trial_outcome("spongy_lifter"), today=TODAY)
        assert expected.share == pytest.approx(float(year["failed_first"].dropna().astype(float).mean()))
        assert expected.engines == year["engine_id"].nunique()
        few = expect_outcome(jobs.iloc[:0], tables.find_trial_outcome("gap"), today=TODAY)
        assert not few.usable and few.engines == 0


@pytest.fixture
def shop(tmp_path):
    """A small store with a manual's limit for the tank, and a trial of it."""
    store = make_store(tmp_path / "store")
    (tmp_path / "limits.toml").write_text(
        limit_row(high=1.1, unit="bar").replace("lifter_gap", "tank_overpressure").replace("flat4", "*")
        + limit_row(high=1.1, unit="bar")
        .replace("lifter_gap", "tank_overpressure_when_empty")
        .replace("flat4", "*")
    )
    return store


PLAN = ["--question", "Fewer?", "--change", "0.9 bar", "--agreed", "A. Person", "--step", "tank_overpressure=0.9 bar",
        "--share", "0.3", "--strata", "engine_type", "--today", "2026-10-08"]  # fmt: skip


class TestCommandLine:
    @staticmethod
    def call(capsys, *words) -> tuple[int, str, str]:
        code = cli.main(["trial", *map(str, words)])
        said = capsys.readouterr()
        return code, said.out, said.err

    def test_from_plan_to_assignment(self, capsys, shop) -> None:
        code, out, err = self.call(capsys, "plan", "tank", *PLAN, "--store", shop)
        assert (code, err) == (0, "") and "the list is sealed" in out and "caution: " in out
        code, out, err = self.call(
            capsys, "next", "tank", "--engine", "001", "--store", shop, "--today", "2026-10-09"
        )
        assert code == 2 and "say --committed once engine 001 stands ready" in err and out == ""
        words = ("--committed", "--store", shop, "--today", "2026-10-09")
        code, out, err = self.call(capsys, "next", "tank", "--engine", "001", *words)
        assert (code, err) == (0, "")
        draw = kept.read_trial(shop, "tank").log[0]
        assert (
            f"engine 001 (flat4): {draw.arm}: " in out
            and f"code {draw.hash[:8]}" in out
            and "caution: " in out
        )
        for engine, said in (
            ("001", "was drawn on 2026-10-09"),
            ("0011", "'0011' is not in the records (did you mean 00"),
        ):
            code, out, err = self.call(capsys, "next", "tank", "--engine", engine, *words)
            assert code == 2 and said in err and err.count("\n") == 1 and out == ""
        assert len(kept.read_trial(shop, "tank").log) == 1

    def test_one_venting_can_not_serve_two_trials(self, capsys, shop) -> None:
        for name in ("tank", "rest"):
            assert self.call(capsys, "plan", name, *PLAN, "--store", shop)[0] == 0
        words = ("--engine", "001", "--committed", "--store", shop)
        assert self.call(capsys, "next", "tank", *words, "--today", "2026-10-09")[0] == 0
        code, _, err = self.call(capsys, "next", "rest", *words, "--today", "2026-10-10")
        assert code == 2 and "engine 001 was drawn in trial tank on 2026-10-09 and is not vented yet" in err
        assert self.call(capsys, "next", "rest", *words, "--today", "2027-01-10")[0] == 0

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (["plan", "tank"], "--question"),
            (["plan", "tank", *PLAN, "--step", "tank_overpressure=1.2 bar"], "outside the limit in force"),
            (["plan", "tank", *PLAN, "--today", "soon"], "--today must be a date"),
            (["next", "tank", "--engine", "001"], "there is no such trial"),
        ],
    )
    def test_bad_calls(self, capsys, shop, words, said) -> None:
        code, out, err = self.call(capsys, *words, "--store", shop)
        assert code == 2 and said in err and err.count("\n") == 1 and out == ""
        assert not (shop.parent / "trials").exists()

    def test_harm_stops_the_draw(self, tmp_path) -> None:
        page = make_page("trial", fleet_tables(), store=str(tmp_path / "store"))
        trial = make_trial(tmp_path, 80)
        jobs = make_jobs(trial, lambda changed, n: changed and n % 2 == 0)
        page.all_jobs = jobs
        engine = page.records["engines"]["engine_id"].iloc[0]
        with pytest.raises(InputError, match="the draw is stopped, work as before"):
            give_assignment(page, "hold", engine_id=engine, committed=True, day=TODAY, site="Harbour")
        assert len(kept.read_trial(tmp_path / "store", "hold").log) == 80
