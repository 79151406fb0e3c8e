"""The trade's list of data faults: each has a detection, a handling and a test here or in test_intake.py.

Thresholds are those of data/checks.toml (common practice, no source); the records are invented.
"""

import datetime as dt
from shutil import copy

import numpy as np
import pytest

from check_values import TRADE_FILE
from ventbook.records import intake
from ventbook.records.intake import patterns
from ventbook.records.intake.columns import find_other_unit

TODAY = dt.date(2026, 10, 1)
V_HEAD = (
    "venting_id,engine_id,date,site,reason,rotations,rotations_counted_at,pressure_shown,lines_empty,"
    "oil_temperature [degC],ambient_temperature [degC],tank_overpressure [bar],turning_speed [rpm],"
    "rotations_after_pressure,pressure_at_stop [bar],closed,remarks,procedure_revision\n"
)


class Fleet:
    """Ventings of an invented site with one thing wrong at a time."""

    def __init__(self, seed=3):
        self.rng = np.random.default_rng(seed)
        self.rows = []

    def add(self, site="Harbour", day=None, **change):
        n = len(self.rows)
        rng = self.rng
        row = {
            "venting_id": f"V{n:04d}",
            "engine_id": f"E{n % 500:03d}",
            "date": day or str(dt.date(2026, 7, 1) + dt.timedelta(int(n) % 90)),
            "site": site,
            "reason": "oil_change",
            "rotations": int(rng.integers(20, 90)),
            "counted": "crankshaft",
            "shown": "yes",
            "lines_empty": "no",
            "oil": round(float(rng.uniform(10, 30)), 1),
            "ambient": round(float(rng.uniform(8, 29)), 1),
            "over": round(float(rng.uniform(0.3, 0.9)), 2),
            "speed": int(rng.integers(24, 36)),
            "after": int(rng.integers(5, 25)),
            "stop": round(float(rng.uniform(0.5, 2)), 2),
            "closed": "2026-09-30",
            "remarks": "",
            "revision": "C",
        }
        assert not set(change) - set(row)
        self.rows.append(row | change)
        return self

    def take(self, tmp_path, **tables):
        engines = "engine_id,engine_type,cylinders,propeller_blades\n"
        (tmp_path / "engines.csv").write_text(engines + "".join(f"E{n:03d},flat4,4,\n" for n in range(500)))
        copy(TRADE_FILE, tmp_path / "limits.toml")
        text = "".join(",".join(map(str, row.values())) + "\n" for row in self.rows)
        (tmp_path / "ventings.csv").write_text(V_HEAD + text)
        files = [tmp_path / "engines.csv", tmp_path / "ventings.csv"]
        for name, content in tables.items():
            (tmp_path / f"{name}.csv").write_text(content)
            files.append(tmp_path / f"{name}.csv")
        return intake.ingest(files, store=tmp_path / "store", today=TODAY)


def notes(result, code):
    return result.issues[result.issues["code"] == code]


def fleet(n=60, **change):
    made = Fleet()
    for _ in range(n):
        made.add(**change)
    return made


def test_innocent_records_raise_no_note(tmp_path):
    result = fleet().take(tmp_path)
    assert result.issues.empty, result.issues[["code", "what"]].to_string()


def test_heaped_counts(tmp_path):
    made = fleet()
    for row in made.rows:
        row["rotations"] = round(row["rotations"] / 10) * 10
    found = notes(made.take(tmp_path), "heaped_values")
    assert len(found) == 2  # tens, and so fives as well
    assert "100 % of 60 values of rotations at Harbour end on 0; by chance it would be about 10 %" in set(
        found["what"]
    )


def test_digit_preference_test_is_the_exact_binomial():
    """60 of 120 against 1/5: p 2.256e-13 (closed form, computed with exact fractions and by scipy.stats)."""
    assert patterns.share_p_value(60, 120, 0.2) == pytest.approx(2.256e-13, rel=5e-4)
    assert patterns.share_p_value(0, 10, 0.2) == 1.0


def test_heaping_at_a_prescribed_number(tmp_path):
    made = fleet()
    for row in made.rows[:30]:
        row["rotations"] = 43
    assert "are exactly 43" in notes(made.take(tmp_path), "heaped_at_value")["what"].iloc[0]


def lifters(ventings, gap, extra=""):
    rows = [
        f"{v},1,{c},{valve},{gap(i, v, c)}{extra}\n"
        for i, (v, c, valve) in enumerate(
            (v, c, valve) for v in ventings for c in range(1, 5) for valve in ("inlet", "exhaust")
        )
    ]
    return "".join(rows)


L_HEAD = "venting_id,check_no,cylinder,valve,gap [mm],force [N],hold [s],oil_temperature [degC],gauge\n"
USUAL = ",70,3,50,G1"


def test_few_readings_just_above_the_limit(tmp_path):
    made = fleet(10)
    ids = [row["venting_id"] for row in made.rows]
    rng = np.random.default_rng(1)
    text = L_HEAD + lifters(ids, lambda *_: round(float(rng.uniform(0.45, 0.5)), 3), USUAL)
    found = notes(made.take(tmp_path, lifter_checks=text), "few_above_limit")
    assert len(found) == 1
    assert "only 0 just over it" in found["what"].iloc[0]


def test_a_gauge_stuck_at_one_value(tmp_path):
    made = fleet(4)
    ids = [row["venting_id"] for row in made.rows]
    text = L_HEAD + lifters(ids, lambda i, v, c: 0.31 if 5 <= i < 20 else round(0.2 + i / 100, 2), USUAL)
    assert (
        "gauge G1 read 0.31 mm on 15 lifters in a row"
        in notes(made.take(tmp_path, lifter_checks=text), "value_stuck")["what"].iloc[0]
    )


def test_checks_that_are_never_warm(tmp_path):
    made = fleet(5)
    ids = [row["venting_id"] for row in made.rows]
    text = L_HEAD + lifters(ids, lambda i, *_: round(0.1 + i / 100, 2), ",70,3,21,G1")
    assert len(notes(made.take(tmp_path, lifter_checks=text), "check_temperature_cold")) == 1


def test_missing_zeros_only_bad_lifters_written_down(tmp_path):
    made = fleet(2)
    text = L_HEAD + "V0000,1,1,inlet,0.8,70,3,50,G1\n"
    found = notes(made.take(tmp_path, lifter_checks=text), "lifters_missing")
    assert found["what"].tolist() == ["the first check has 1 lifters of 8"]


def test_every_job_a_finding(tmp_path):
    made = fleet(9)
    ids = [row["venting_id"] for row in made.rows]
    text = L_HEAD + lifters(ids, lambda i, v, c: 0.9 if c == 1 else round(0.1 + i / 500, 3), USUAL)
    assert len(notes(made.take(tmp_path, lifter_checks=text), "every_job_a_finding")) == 1


def test_gaps_read_without_force_or_at_another(tmp_path):
    made = fleet(2)
    text = L_HEAD + "V0000,1,1,inlet,0.3,,3,50,G1\nV0000,1,1,exhaust,0.31,30,3,50,G1\n"
    result = made.take(tmp_path, lifter_checks=text)
    assert len(notes(result, "force_not_recorded")) == 1
    assert len(notes(result, "force_off_reference")) == 1


def test_gaps_that_no_lifter_can_have_or_that_close_under_force(tmp_path):
    made = fleet(1)
    head = L_HEAD.strip() + ",gap_at_once [mm]\n"
    text = head + "V0000,1,1,inlet,8,70,3,50,G1,\nV0000,1,1,exhaust,0.3,70,3,50,G1,0.5\n"
    result = made.take(tmp_path, lifter_checks=text)
    assert len(notes(result, "gap_over_travel")) == 1
    assert len(notes(result, "gap_shrinks")) == 1
    assert result.quarantine.empty


def test_readings_of_one_press_that_no_lifter_gives(tmp_path):
    made = fleet(1)
    head = (
        L_HEAD.strip()
        + ",gap_at_once [mm],gap_at_once_force [N],late_gap [mm],late_gap_time [s],gap_released [mm]\n"
    )
    text = (
        head
        + "V0000,1,1,inlet,0.3,70,3,50,G1,0.5,90,,,\n"  # the force was eased: the gap may shrink
        + "V0000,1,1,exhaust,0.3,70,3,50,G1,0.2,35,0.1,20,0.02\n"
        + "V0000,1,2,inlet,0.3,70,3,50,G1,0.2,35,0.4,,0.9\n"
        + "V0000,1,2,exhaust,0.3,70,8,50,G1,0.2,35,0.4,6,0.1\n"
        + "V0000,1,3,inlet,0.3,70,3,50,G1,0.2,700,0.4,20,0.1\n"
    )
    result = made.take(tmp_path, lifter_checks=text)
    assert notes(result, "gap_shrinks").empty
    assert notes(result, "late_gap_shrinks")["line"].tolist() == [3]
    assert notes(result, "late_gap_unused")["line"].tolist() == [4, 5]
    assert notes(result, "released_over_gap")["line"].tolist() == [4]
    assert result.quarantine[["line", "code"]].to_numpy().tolist() == [[6, "out_of_range"]]


def test_a_second_look_is_no_cure(tmp_path):
    made = fleet(1)
    text = (
        "venting_id,check_no,cylinder,valve,gap [mm],after_start\n"
        "V0000,1,1,inlet,0.6,1\nV0000,2,1,inlet,0.4,1\nV0000,3,1,inlet,0.2,2\nV0000,2,1,exhaust,0.4,2\n"
    )
    result = made.take(tmp_path, lifter_checks=text)
    assert notes(result, "second_look")["line"].tolist() == [3]
    assert notes(result, "check_number_missing")["line"].tolist() == [5]


def test_positions_that_the_engine_does_not_have(tmp_path):
    made = fleet(1)
    text = "venting_id,check_no,cylinder,valve,gap [mm]\nV0000,1,5,inlet,0.3\nV0000,1,1,inlet_1,0.3\n"
    result = made.take(tmp_path, lifter_checks=text)
    assert sorted(result.quarantine["code"]) == ["cylinder_above_count", "valve_not_on_engine"]


def test_copied_days_and_rows(tmp_path):
    made = fleet(6)
    for row in made.rows[:3]:
        row["date"] = "2026-07-03"
    for n, row in enumerate(made.rows[3:]):
        row |= {k: made.rows[n][k] for k in row if k not in ("venting_id", "engine_id")}
        row["date"] = "2026-07-10"
    found = notes(made.take(tmp_path), "copied_day")
    assert found["what"].tolist() == [
        "3 ventings of Harbour on 2026-07-10 equal those of 2026-07-03 in every measured column"
    ]


def test_a_template_filled_in_beforehand(tmp_path):
    made = fleet(5)
    for row in made.rows[1:]:
        row |= {k: v for k, v in made.rows[0].items() if k not in ("venting_id", "engine_id", "date")}
    assert len(notes(made.take(tmp_path), "copied_rows")) == 1


def test_values_that_never_vary(tmp_path):
    made = fleet(15, oil=20.0)
    for n, row in enumerate(made.rows):
        row["date"] = f"2026-07-{n + 1:02d}"
    assert (
        "oil_temperature never varied at Harbour in 2026-07"
        in notes(made.take(tmp_path), "no_spread")["what"].iloc[0]
    )


def test_a_tachometer_that_reads_a_multiple(tmp_path):
    made = Fleet()
    for site in ("Harbour", "Ridge", "Plain"):
        for _ in range(16):
            made.add(site=site)
    for row in made.rows[:16]:
        row["speed"] *= 2
    found = notes(made.take(tmp_path), "speed_multiple")
    assert found["site"].tolist() == ["Harbour"]
    assert "2 times that of the other sites" in found["what"].iloc[0]


def test_ambient_written_for_oil(tmp_path):
    made = fleet(25)
    for row in made.rows:
        row["oil"] = row["ambient"]
    assert len(notes(made.take(tmp_path), "temperature_is_ambient")) == 1


def test_absolute_pressure_is_asked_about_and_nothing_subtracted(tmp_path):
    made = fleet(12)
    for row in made.rows:
        row["over"] = round(row["over"] + 1.0, 2)
    result = made.take(tmp_path)
    assert len(notes(result, "absolute_pressure_suspected")) == 1
    from ventbook.records.store import open_store

    assert open_store(tmp_path / "store").snapshot().read("ventings")["tank_overpressure_bar"].min() > 1.2


def test_the_same_job_twice(tmp_path):
    made = Fleet().add(day="2026-07-01").add(day="2026-07-03", engine_id="E000")
    found = notes(made.take(tmp_path), "same_engine_soon")
    assert found["key"].tolist() == ["V0001"] and "V0000" in found["what"].iloc[0]


def test_words_in_remarks_propose_and_never_fill_in(tmp_path):
    result = Fleet().add(remarks="propeller swung back once").take(tmp_path)
    found = notes(result, "remark_says_more")
    assert found["column"].tolist() == ["turned_backwards"]
    from ventbook.records.store import open_store

    assert open_store(tmp_path / "store").snapshot().read("ventings")["turned_backwards"].isna().all()


def test_order_of_dates(tmp_path):
    made = Fleet().add(day="2026-07-10", closed="2026-07-01").add(day="2026-07-10")
    text = "venting_id,start_no,pressure_shown,started_at\nV0001,1,yes,2026-07-09 23:59\nV0001,2,yes,2026-07-10 08:00\n"
    result = made.take(tmp_path, starts=text)
    assert sorted(result.quarantine["code"]) == ["closed_before_venting", "start_before_venting"]


def test_first_start_overwritten_and_times_too_short(tmp_path):
    made = Fleet().add()
    text = "venting_id,start_no,pressure_shown,time_to_pressure [s]\nV0000,2,yes,0.1\n"
    result = made.take(tmp_path, starts=text)
    assert len(notes(result, "start_number_missing")) == 1
    assert len(notes(result, "time_too_short")) == 1


def test_blades_counted_without_their_number_and_pressure_without_turning(tmp_path):
    result = Fleet().add(counted="blade").add(rotations=0, lines_empty="yes").take(tmp_path)
    assert len(notes(result, "blades_unknown")) == 1
    assert len(notes(result, "too_many_rotations")) == 1


def test_revisions_and_open_jobs(tmp_path):
    made = Fleet()
    for day in ("2026-03-01", "2026-03-02", "2026-03-03"):
        made.add(day=day)
    made.rows[2]["revision"] = "D"
    made.rows[0]["closed"] = ""
    result = made.take(tmp_path)
    assert "goes from C to D on 2026-03-03" in notes(result, "revision_changed")["what"].iloc[0]
    assert "1 ventings of Harbour are older than 120 days" in notes(result, "jobs_open")["what"].iloc[0]


@pytest.mark.parametrize(
    ("name", "values", "unit", "fits"),
    [
        ("gap", np.linspace(0.006, 0.03, 20), "mm", "in in it would be"),
        ("force", np.linspace(6, 8, 20), "N", "in kgf it would be 68.6 N"),
        ("tank_overpressure", np.linspace(5, 12, 20), "bar", "in psi it would be"),
        ("ambient_temperature", np.linspace(62, 80, 20), "degC", "in degF it would be"),
        ("suction_line_length", np.linspace(900, 2000, 20), "m", "in mm it would be"),
        ("gap", np.linspace(0.05, 0.9, 20), "mm", ""),
        ("gap", np.full(20, 0.0), "mm", ""),
        ("tank_overpressure", np.linspace(0.2, 1.5, 20), "bar", ""),
    ],
)
def test_a_column_is_explained_by_one_exact_conversion(name, values, unit, fits):
    """Factors are exact: 25.4 mm, 9.80665 N, 6894.757 Pa, 1.8 and 32."""
    from ventbook.tables import record_tables

    column = next(c for t in record_tables().values() for c in t.columns if c.name == name)
    answer = find_other_unit(values, column, unit)
    assert (fits in answer) if fits else answer == ""
