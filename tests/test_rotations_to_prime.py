"""The report on rotations to prime: the ratio found, long ventings named with what to check, sparse records stated."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from invented_fleet import fleet_tables, make_page
from ventbook.physics import priming
from ventbook.reports import rotations_to_prime as report
from ventbook.reports.rotations_to_prime.page import find_far
from ventbook.tables.suggestions import load_suggestions

SECTIONS = (
    "answer",
    "against_expected",
    "by_group",
    "far_longer",
    "stop_rule",
    "could_show",
    "does_physics_pay",
    "methods",
    "limitations",
)


def run(page) -> dict[str, object]:
    return {name: getattr(report, name)(page) for name in SECTIONS}


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    out = tmp_path_factory.mktemp("rotations")
    page = make_page("rotations-to-prime", fleet_tables(), period="2026Q3", out=str(out))
    parts = run(page)
    page.finish()
    return page, parts, out


def changed(ids: dict[str, dict[str, object]]) -> dict[str, pd.DataFrame]:
    """The fleet's tables with some ventings' columns changed."""
    tables = dict(fleet_tables())
    ventings = tables["ventings"].copy()
    for venting, values in ids.items():
        for column, value in values.items():
            ventings.loc[ventings["venting_id"] == venting, column] = value
    return tables | {"ventings": ventings}


class TestShown:
    def test_every_section_says_something(self, shown) -> None:
        _, parts, _ = shown
        assert all(part.html and part.text for part in parts.values())

    def test_findings_are_stable_and_agree_with_the_library(self, shown) -> None:
        page, _, out = shown
        found = json.loads((out / "findings.json").read_text("utf-8"))["findings"]
        keys = {(f["id"], tuple(sorted(f["group"]))) for f in found}
        assert keys == {
            *(("rotations_ratio", group) for group in [(), ("site",), ("engine_type",), ("reason",)]),
            ("pressurised_suction_ratio", ()),
        }
        overall = next(f for f in found if f["id"] == "rotations_ratio" and not f["group"])
        now, _ = report.counted(page)
        ratio = priming.estimate_ratio(now, level=page.level)
        assert overall["estimate"] == pytest.approx(ratio.estimate)
        assert overall["n"] == ratio.n == len(priming.usable_counts(now))
        # half of the fleet's pumps let air through, which the fleet's own counts tell: its ratio is near 1
        assert 0.9 < overall["low"] < overall["high"] < 1.2

    def test_terms_add_up_in_the_table(self, shown) -> None:
        table = pd.read_csv(shown[2] / "tables" / "rotations_terms.csv")
        total = table["expected_suction"] - table["expected_tank_saving"] + table["expected_pressure_side"]
        np.testing.assert_allclose(total, table["expected_rotations"], atol=1e-6)

    def test_the_physics_wins_on_engines_left_out(self, shown) -> None:
        errors = pd.read_csv(shown[2] / "tables" / "prediction_errors.csv").set_index("method")["log_error"]
        assert errors["physics"] < errors["regression"] < errors["raw_mean"]
        assert "The physics predicts an engine it has not seen best" in shown[1]["does_physics_pay"].text

    def test_stop_rule_holds_on_the_records(self, shown) -> None:
        table = pd.read_csv(shown[2] / "tables" / "stop_and_look.csv")
        held = np.average(table["had_pressure"], weights=table["n"])
        assert held == pytest.approx(0.95, abs=0.01)
        assert "no permission to go on past it" in shown[1]["stop_rule"].text

    def test_the_same_again_byte_for_byte(self, shown, tmp_path) -> None:
        page = make_page("rotations-to-prime", fleet_tables(), period="2026Q3", out=str(tmp_path))
        run(page)
        page.finish()
        for path in [
            *shown[2].glob("tables/*.csv"),
            *shown[2].glob("figures/*.svg"),
            shown[2] / "findings.json",
        ]:
            assert (tmp_path / path.relative_to(shown[2])).read_bytes() == path.read_bytes()


class TestFarLonger:
    CASES = (
        ({}, "suction"),
        ({"tank_overpressure_bar": 0.0, "lines_empty": True}, "suction_unpressurised"),
        ({"pressure_steady": "flickered"}, "flickered"),
        ({"tank_ran_low": True}, "ran_low"),
        ({"turned_backwards": True}, "backwards"),
        ({"lines_empty": False, "cooler_empty": False}, "suction_filled"),
        ({"oil_temperature_degC": 60.0, "pressure_threshold_bar": 1.5}, "too_warm"),
    )

    @pytest.mark.parametrize(("values", "name"), CASES)
    def test_what_to_check_first(self, values: dict[str, object], name: str) -> None:
        plain = {
            "pressure_steady": None, "tank_ran_low": False, "turned_backwards": False, "lines_empty": True, "cooler_empty": True,
            "tank_overpressure_bar": 0.5, "oil_temperature_degC": 15.0, "rotations": 900, "rotations_counted_at": "crankshaft",
            "pressure_shown": True, "pressure_threshold_bar": 0.6,
        }  # fmt: skip
        ventings = fleet_tables()["ventings"]
        venting = ventings.loc[
            (ventings["date"] >= "2026-07-01") & (ventings["site"] == "Harbour"), "venting_id"
        ].iloc[0]
        page = make_page("rotations-to-prime", changed({venting: plain | values}), period="2026Q3")
        found = find_far(page).set_index("venting_id")
        start = load_suggestions().suggestions[name].text.split("{")[0]
        assert found.loc[venting, "check_first"].startswith(start)
        assert venting in report.far_longer(page).text

    def test_a_count_in_another_unit_is_recognised(self) -> None:
        jobs = make_page("rotations-to-prime", fleet_tables(), period="2026Q3").all_jobs
        geared = jobs[
            (jobs["propeller_reduction"] > 2)
            & (jobs["date"] >= "2026-07-01")
            & (jobs["rotations_counted_at"] == "propeller")
        ]
        row = geared.iloc[0]
        # crankshaft rotations written down as propeller rotations
        count = int(row["expected_rotations"])
        page = make_page(
            "rotations-to-prime", changed({row["venting_id"]: {"rotations": count}}), period="2026Q3"
        )
        found = find_far(page).set_index("venting_id")
        assert "if they were crankshaft rotations" in found.loc[row["venting_id"], "check_first"]

    def test_usual_lengths_are_left_alone(self, shown) -> None:
        # 99 of 100 keep under the line: of 90 ventings more than 5 would be chance once in 400
        assert len(find_far(shown[0])) <= 5


class TestSparse:
    def test_few_ventings_are_stated(self) -> None:
        tables = dict(fleet_tables())
        keep = tables["ventings"]["venting_id"].iloc[-4:]
        tables["ventings"] = tables["ventings"][tables["ventings"]["venting_id"].isin(keep)].reset_index(
            drop=True
        )
        page = make_page("rotations-to-prime", tables, period="2026Q3")
        parts = run(page)
        page.finish()
        assert "too few records" in parts["answer"].text
        assert all(f["estimate"] is None for f in page.findings)
        assert "Too few counts to compare" in parts["does_physics_pay"].text

    def test_nothing_recorded_but_the_counts(self) -> None:
        tables = dict(fleet_tables())
        blank = tables["ventings"].copy()
        for column in (
            "suction_line_length_m",
            "suction_line_bore_mm",
            "cooler_volume_L",
            "lines_empty",
            "cooler_empty",
            "filter_new",
        ):
            blank[column] = blank[column].where(pd.Series(False, index=blank.index))
        page = make_page("rotations-to-prime", tables | {"ventings": blank}, period="2026Q3")
        parts = run(page)
        assert "usual value taken for" in parts["against_expected"].text

    def test_all_given_up(self) -> None:
        tables = dict(fleet_tables())
        ventings = tables["ventings"].copy()
        ventings["pressure_shown"] = pd.array([False] * len(ventings), dtype="boolean")
        page = make_page("rotations-to-prime", tables | {"ventings": ventings}, period="2026Q3")
        parts = run(page)
        page.finish()
        assert all(f["state"] == "too_few" for f in page.findings)
        assert "given up" in parts["could_show"].text
