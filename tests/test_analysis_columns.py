"""The description of the two analysis tables against the tables of the demo."""

import re

import pytest

import ventbook
from ventbook.tables import TableError, dictionary, units
from ventbook.tables.analysis_columns import describe_columns, read_analysis_columns

READ = {"ventings": ventbook.read_ventings, "lifters": ventbook.read_lifters}


@pytest.fixture(scope="module", params=READ)
def described(request, demo_store):
    return describe_columns(request.param), READ[request.param](demo_store)


def test_every_column_is_described_and_no_other(described):
    columns, frame = described
    assert sorted(columns.index) == sorted(frame.columns)
    assert columns["meaning"].str.len().gt(3).all()


def test_the_unit_ends_the_name(described):
    """Exceptions by name: a reading of a trace's clock (_t) and the seconds of a trace, of all or in a band."""
    columns, frame = described
    wrong = []
    for name, unit in columns["unit"].items():
        clock = re.fullmatch(r"trace_(turning_)?(.*_t|seconds(_\w+)?)", name)
        if clock:
            assert unit == "s", name
        elif unit and not name.endswith(dictionary.stored_name("", unit)):
            wrong.append(f"{name} has {unit}")
        elif not unit and frame[name].dtype == float and units.known(name.rpartition("_")[2]):
            wrong.append(f"{name} ends in a unit and has none")
    assert not wrong


def test_a_unit_belongs_to_numbers_and_words_have_none(described):
    columns, frame = described
    numbers = frame.select_dtypes("float64").columns
    with_unit = columns.index[columns["unit"].ne("")]
    assert set(with_unit) <= set(numbers)


@pytest.mark.parametrize(
    "text, told",
    [
        ("", "missing recorded, made"),
        (
            'made = []\n[[recorded]]\ntable = "ventings"\nfrom = "starts"\ncolumns = ["gap_mm"]',
            "gap_mm is no col",
        ),
        ('made = []\n[[recorded]]\ntable = "jobs"\nfrom = "starts"\ncolumns = []', "table must be one of"),
        (
            'recorded = []\n[[made]]\ntable = "lifters"\ncolumns = [{name = "x_ell", unit = "ell", meaning = "m", from = "f"}]',
            "'ell' is not in units.toml",
        ),
        (
            'recorded = []\n[[made]]\ntable = "lifters"\ncolumns = [{name = "x", unit = "", meaning = "m"}]',
            "missing from",
        ),
    ],
)
def test_a_wrong_table_is_told_in_one_line(tmp_path, text, told):
    path = tmp_path / "analysis_columns.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(TableError, match=told) as caught:
        read_analysis_columns(path)
    assert "\n" not in str(caught.value)
