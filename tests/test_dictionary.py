"""The tables of data/ are right, and a wrong one is refused with file and row."""

import datetime as dt

import pytest

from ventbook import tables as dictionary
from ventbook.tables import TableError
from ventbook.tables.dictionary import read_issues, read_tables
from ventbook.tables.engine_types import read_engine_types
from ventbook.tables.limits import read_limits
from ventbook.tables.parameters import read_parameters

LIMIT = """
[[limit]]
step = "lifter_gap"
engine_type = "{engine_type}"
high = {high}
unit = "{unit}"
status = "{status}"
revision = "{revision}"
effective_from = {start}
{end}
source = "invented for this test"
"""

SHIPPED_GAP = dictionary.load_limits().find("lifter_gap", "*", dt.date(2026, 1, 1)).high


def limit_row(
    *,
    engine_type="flat4",
    high=0.5,
    unit="mm",
    status="manual",
    revision="A",
    start="2025-01-01",
    end="",
):
    return LIMIT.format(
        engine_type=engine_type,
        high=high,
        unit=unit,
        status=status,
        revision=revision,
        start=start,
        end=end and f"effective_to = {end}",
    )


def test_tables_are_those_of_the_record_format():
    tables = dictionary.record_tables()
    assert list(tables) == [
        "engines",
        "ventings",
        "starts",
        "lifter_checks",
        "samples",
        "planned",
        "gauge_readings",
    ]
    assert tables["lifter_checks"].key == ("venting_id", "check_no", "cylinder", "valve")
    assert tables["ventings"].column("cooler_volume").stored == "cooler_volume_L"
    assert tables["engines"].column("plunger_spring_rate").stored == "plunger_spring_rate_N_per_mm"


def test_planned_ventings_carry_no_outcome_and_may_lie_ahead():
    names = [c.name for c in dictionary.record_tables()["planned"].columns]
    assert "rotations" not in names
    assert "cooler_empty" in names
    assert dictionary.record_tables()["planned"].column("date").high == "9999-12-31"


def test_a_wrong_column_is_named(tmp_path):
    path = tmp_path / "dictionary.toml"
    path.write_text(
        '[tables.x]\ntitle = "x"\ncolumns = [\n{ name = "gap", kind = "quantity", unit = "furlong", low = 0, high = 1, meaning = "m" },\n]\n'
    )
    with pytest.raises(TableError, match=r"dictionary\.toml: table x, column 1 \(gap\): unit 'furlong'"):
        read_tables(path)


def test_every_placeholder_step_is_found_for_any_engine_type():
    day = dt.date(2026, 7, 1)
    for step in dictionary.load_limits().steps:
        row = dictionary.load_limits().find(step, "a type nobody knows", day)
        assert row is not None
        assert row.status == "placeholder"


def test_a_manual_goes_before_a_placeholder_from_its_day_on(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text(limit_row(high=0.4))
    both = read_limits([dictionary.DATA / "limits.toml", own])
    assert both.find("lifter_gap", "flat4", dt.date(2024, 12, 31)).high == SHIPPED_GAP
    found = both.find("lifter_gap", "flat4", dt.date(2025, 1, 1))
    assert (found.high, found.revision, found.status) == (0.4, "A", "manual")
    assert both.find("lifter_gap", "flat6", dt.date(2025, 1, 1)).status == "placeholder"
    assert both.revision() == "A"


def test_a_limit_in_another_unit_is_converted(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text(limit_row(high=0.020, unit="in"))
    both = read_limits([dictionary.DATA / "limits.toml", own])
    assert both.find("lifter_gap", "flat4", dt.date(2026, 1, 1)).high == pytest.approx(0.508, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (limit_row() + limit_row(start="2025-06-01", revision="B"), r"own\.toml: row 2 .*overlaps.*row 1"),
        (limit_row(revision=""), r"row 1 .*needs its revision"),
        (limit_row(status="final"), r"row 1 .*status must be one of placeholder, manual"),
        (limit_row(unit="bar"), r"row 1 .*pressure gauge"),
        (limit_row(start="2025-01-01", end="2024-01-01"), r"row 1 .*not before effective_to"),
        (limit_row() + "colour = 1\n", r"row 1: unknown colour"),
        ("[[limit]\n", r"own\.toml: not a TOML file"),
        (
            limit_row().replace("lifter_gap", "lifter_gpa"),
            r"row 1 .*'lifter_gpa' stands nowhere.*mean lifter_gap",
        ),
        (limit_row().replace("flat4", "flat44"), r"row 1 .*engine type 'flat44' stands nowhere.*mean flat4"),
        (limit_row(high="nan"), r"row 1 .*high must be a number; got nan"),
        (limit_row(high="inf"), r"row 1 .*high must be a number; got inf"),
        (limit_row(high="'0.4'"), r"row 1 .*high must be a number; got '0.4'"),
        (limit_row(high="true"), r"row 1 .*high must be a number; got True"),
        (limit_row(high="0.1\nlow = 0.2"), r"row 1 .*low 0.2 is over high 0.1"),
        (
            limit_row() + "reference = 1\n",
            r"row 1 .*reference and tolerance belong to check_force and check_hold",
        ),
        (limit_row(unit="N").replace("lifter_gap", "check_force"), r"row 1 .*needs reference"),
        (
            limit_row(high=60, unit="N").replace("lifter_gap", "check_force") + "reference = 70\n",
            r"row 1 .*outside low to high",
        ),
    ],
)
def test_a_wrong_limit_is_refused_with_file_and_row(tmp_path, text, message):
    own = tmp_path / "own.toml"
    own.write_text(text)
    with pytest.raises(TableError, match=message):
        read_limits([dictionary.DATA / "limits.toml", own])


def test_limits_that_follow_each_other_do_not_overlap(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text(limit_row(end="2025-06-01") + limit_row(start="2025-06-01", revision="B", high=0.45))
    both = read_limits([own])
    assert both.find("lifter_gap", "flat4", dt.date(2025, 5, 31)).revision == "A"
    assert both.find("lifter_gap", "flat4", dt.date(2025, 6, 1)).revision == "B"


def test_limits_for_many_ventings_at_once():
    frame = dictionary.load_limits().frame("lifter_gap", ["flat4", "flat6"], [dt.date(2026, 1, 1), None])
    assert frame["high"].tolist()[0] == SHIPPED_GAP
    assert frame["high"].isna().tolist() == [False, True]
    assert frame["status"].tolist() == ["placeholder", ""]


def test_an_unknown_engine_type_falls_back_and_says_so():
    known, unknown = dictionary.engine_type_values("flat4"), dictionary.engine_type_values("nobody's")
    assert known.known
    assert not unknown.known
    assert set(known.values) == set(unknown.values)
    assert unknown.u("pump_displacement_cm3") > 0


def test_wrong_engine_types_issues_and_parameters_are_refused(tmp_path):
    path = tmp_path / "t.toml"
    path.write_text('[[engine_type]]\nname = "flat4"\n')
    with pytest.raises(TableError, match="row 1 must be the fallback"):
        read_engine_types(path)
    path.write_text('[[issue]]\ncode = "a"\nseverity = "loud"\nwhat = "w"\ndo = "d"\n')
    with pytest.raises(TableError, match=r"row 1 \(a\): severity must be one of note, set_aside"):
        read_issues(path)
    path.write_text(
        '[[parameter]]\nname = "level"\ntype = "float"\ndefault = 1\nhelp = "h"\nreports = ["*"]\n'
    )
    with pytest.raises(TableError, match="default 1 is not of type float"):
        read_parameters(path)
    path.write_text("[a]\nb = 1\n")
    with pytest.raises(TableError, match="no such file"):
        read_issues(tmp_path / "none.toml")
