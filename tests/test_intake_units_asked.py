"""A whole column in a wrong but plausible unit is asked about: against the shop's own past, else against the usual.

Factors are exact (NIST SP 811, appendix B): 1 psi = 6894.757 Pa, 1 in = 25.4 mm, degF = 1.8 degC + 32.
"""

import datetime as dt

import numpy as np
import pyarrow as pa
import pytest

from ventbook.errors import InputError
from ventbook.records import intake, readers
from ventbook.records import store as stores
from ventbook.records.intake.columns import find_recent
from ventbook.records.intake.context import thresholds

TODAY = dt.date(2026, 10, 1)
HEAD = "venting_id,engine_id,date,site,reason,rotations,rotations_counted_at,pressure_shown"
TRUE = {  # column: unit, what a shop has, spread evenly; wrong header over the same numbers
    "tank_overpressure": ("bar", (0.4, 1.4), "psi"),
    "oil_temperature": ("degC", (12, 34), "degF"),
    "ambient_temperature": ("degC", (10, 30), "degF"),
}


def ventings(first, n, column, unit, values):
    rows = [
        f"V{first + k},E{(first + k) % 5},2026-0{1 + (first + k) % 9}-{1 + (first + k) % 27:02d},Harbour,oil_change,40,crankshaft,yes,{v:g}"
        for k, v in zip(range(n), values, strict=True)
    ]
    return "\n".join([f"{HEAD},{column} [{unit}]", *rows]) + "\n"


def checks(first, values, unit):
    rows = [f"V{first + k // 4},1,{1 + k % 4},inlet,{v:g}" for k, v in enumerate(values)]
    return "\n".join([f"venting_id,check_no,cylinder,valve,gap [{unit}]", *rows]) + "\n"


class Box:
    def __init__(self, folder):
        self.folder, self.files = folder, 0
        engines = "engine_id,engine_type,cylinders\n" + "".join(f"E{n},flat4,4\n" for n in range(5))
        self.take("engines.csv", engines)

    def take(self, name, text, *, mapping=None):
        self.files += 1
        folder = self.folder / str(self.files)
        folder.mkdir()
        (folder / name).write_text(text)
        options = {}
        if mapping is not None:
            (folder / "mapping.toml").write_text(mapping)
            options["mapping"] = folder / "mapping.toml"
        return intake.ingest([folder / name], store=self.folder / "store", today=TODAY, **options)

    def read(self, table):
        return stores.open_store(self.folder / "store").snapshot().read(table)


@pytest.fixture
def box(tmp_path):
    return Box(tmp_path)


@pytest.fixture
def shop(box):
    """A shop with fifty ventings, and two hundred gaps from small to large."""
    for column, (unit, (low, high), _) in TRUE.items():
        box.take("ventings.csv", ventings(100, 50, column, unit, np.linspace(low, high, 50)))
    box.take("lifter_checks.csv", checks(100, np.linspace(0.1, 0.9, 200), "mm"))
    assert box.read("quarantine").empty
    return box


@pytest.mark.parametrize("column", TRUE)
def test_a_wrong_header_is_asked_about_before_a_row_is_taken(shop, column):
    unit, (low, high), wrong = TRUE[column]
    values = np.linspace(low, high, 12)
    result = shop.take("ventings.csv", ventings(300, 12, column, wrong, values))
    assert result.counts.loc["ventings", ["accepted", "quarantined"]].tolist() == [0, 12]
    (what,) = result.issues[result.issues["code"] == "column_unit_off_past"]["what"]
    assert f"in {unit} it would be" in what and wrong in what and f"{np.median(values):.3g}" in what
    right = shop.take(
        "ventings.csv", ventings(300, 12, column, unit, values)
    )  # one answer: the header mended
    assert right.counts.loc["ventings", "accepted"] == 12
    assert shop.read("quarantine").empty


def test_gaps_under_inches_are_asked_about(shop):
    result = shop.take("lifter_checks.csv", checks(130, np.linspace(0.08, 0.16, 12), "in"))
    assert result.counts.loc["lifter_checks", "quarantined"] == 12


def test_gaps_as_wide_as_real_ones_are_held_against_earlier_files(box):
    """From firm to spongy real gaps span two powers of ten, so that mm under in stay inside the span; middles don't."""
    box.take("ventings.csv", ventings(100, 60, "oil_temperature", "degC", np.full(60, 20)))
    rng = np.random.default_rng(3)
    for n in range(5):
        text = checks(100 + 10 * n, np.exp(rng.normal(np.log(0.09), 1.1, 40)).clip(0.01, 2).round(2), "mm")
        assert box.take("lifter_checks.csv", text).counts.loc["lifter_checks", "accepted"] == 40
    values = np.exp(rng.normal(np.log(0.09), 1.1, 40)).clip(0.01, 0.3).round(2)
    wrong = box.take("lifter_checks.csv", checks(150, values, "in"))
    assert wrong.counts.loc["lifter_checks", "quarantined"] == 40
    assert "column_unit_off_past" in set(wrong.issues["code"])
    assert (
        box.take("lifter_checks.csv", checks(150, values, "mm")).counts.loc["lifter_checks", "accepted"] == 40
    )


def test_few_ventings_tell_more_of_the_engines_than_of_the_unit(shop):
    result = shop.take("lifter_checks.csv", checks(130, np.full(8, 2.2), "mm"))  # two spongy engines
    assert result.counts.loc["lifter_checks", "quarantined"] == 0


def test_a_few_picked_rows_tell_more_of_the_picking(shop):
    values = [*np.linspace(0.1, 0.9, 30), *np.full(10, 2.2)]
    text = checks(130, values, "mm").splitlines()
    head, rows = text[0].replace("gap [mm]", "gap [mm],gap_at_once [mm]"), text[1:]
    rows = [row + ("," if n < 30 else ",2.1") for n, row in enumerate(rows)]
    result = shop.take("lifter_checks.csv", "\n".join([head, *rows]) + "\n")
    assert result.counts.loc["lifter_checks", ["rows", "quarantined"]].tolist() == [40, 0]


@pytest.mark.parametrize("column", TRUE)
def test_the_same_column_in_its_right_unit_passes(shop, column):
    unit, (low, high), _ = TRUE[column]
    result = shop.take("ventings.csv", ventings(300, 12, column, unit, np.linspace(low, high, 12)))
    assert result.counts.loc["ventings", "accepted"] == 12
    assert not result.issues["code"].str.startswith("column_unit").any()


def test_converted_by_the_book_passes_too(shop):
    values = np.linspace(0.5, 1.3, 12) * 1e5 / 6894.757293168
    assert (
        shop.take("ventings.csv", ventings(300, 12, "tank_overpressure", "psi", values)).counts.loc[
            "ventings", "accepted"
        ]
        == 12
    )
    values = np.linspace(15, 30, 12) * 1.8 + 32
    assert (
        shop.take("ventings.csv", ventings(400, 12, "oil_temperature", "degF", values)).counts.loc[
            "ventings", "accepted"
        ]
        == 12
    )


def test_an_unusual_day_without_another_unit_to_blame_passes(shop):
    result = shop.take(
        "ventings.csv", ventings(300, 12, "ambient_temperature", "degC", np.linspace(-18, -5, 12))
    )
    assert result.counts.loc["ventings", "accepted"] == 12


CONFIRMED = '[[source]]\nfiles = "ventings.csv"\nunits_confirmed = ["ambient_temperature"]\n'


def test_a_person_can_say_that_the_header_is_right(shop):
    text = ventings(
        300, 12, "ambient_temperature", "degF", np.linspace(15, 27, 12)
    )  # a winter as cold as that
    held = shop.take("ventings.csv", text)
    assert held.counts.loc["ventings", "quarantined"] == 12
    assert "units_confirmed" in held.issues[held.issues["code"] == "column_unit_off_past"]["do"].iloc[0]
    told = shop.take("ventings.csv", text, mapping=CONFIRMED)
    assert told.counts.loc["ventings", "accepted"] == 12
    assert shop.read("quarantine").empty
    rows = shop.read("ventings").set_index("venting_id")
    assert rows.loc["V300", "ambient_temperature_degC"] == pytest.approx((15 - 32) / 1.8)


def test_a_person_can_say_that_the_header_is_wrong(shop):
    text = ventings(300, 12, "ambient_temperature", "degF", np.linspace(12, 27, 12))
    mapping = CONFIRMED + '[source.units]\nambient_temperature = "degC"\n'
    assert shop.take("ventings.csv", text, mapping=mapping).counts.loc["ventings", "accepted"] == 12
    rows = shop.read("ventings").set_index("venting_id")
    assert rows.loc["V300", "ambient_temperature_degC"] == 12
    with pytest.raises(InputError, match="let them agree"):  # without the confirmation nobody has looked
        shop.take("ventings.csv", text, mapping=mapping.replace('["ambient_temperature"]', "[]"))


def test_only_quantities_can_be_confirmed(tmp_path):
    (tmp_path / "m.toml").write_text(CONFIRMED.replace("ambient_temperature", "remarks"))
    with pytest.raises(InputError, match="units_confirmed: 'remarks' is not a quantity"):
        readers.load_mapping(tmp_path / "m.toml")


@pytest.mark.parametrize("column", TRUE)
def test_a_first_delivery_is_taken_with_a_question(box, column):
    unit, (low, high), wrong = TRUE[column]
    result = box.take("ventings.csv", ventings(300, 12, column, wrong, np.linspace(low + 0.2, high, 12)))
    assert result.counts.loc["ventings", "accepted"] == 12
    (what,) = result.issues[result.issues["code"] == "column_unit_asked"]["what"]
    assert f"in {unit} it would be" in what
    fine = box.take("ventings.csv", ventings(400, 12, column, unit, np.linspace(low + 0.2, high, 12)))
    assert "column_unit_asked" not in set(fine.issues["code"])


def test_small_gaps_of_one_engine_pass_where_the_shop_has_had_such(box):
    box.take("ventings.csv", ventings(100, 50, "oil_temperature", "degC", np.full(50, 20)))
    tiny = np.tile([0.01, 0.02, 0.03, 0.02], 2)
    held = box.take("lifter_checks.csv", checks(100, tiny, "mm"))
    assert (
        held.counts.loc["lifter_checks", "quarantined"] == 8
    )  # as inches they would be usual ones: nobody knows yet
    box.take(
        "lifter_checks.csv", checks(110, np.concatenate([np.linspace(0.1, 0.9, 150), np.full(6, 0.02)]), "mm")
    )
    passed = box.take("lifter_checks.csv", checks(100, tiny, "mm"))
    assert passed.counts.loc["lifter_checks", "accepted"] == 8
    assert box.read("quarantine").empty


def test_a_median_told_by_counting_is_the_one_told_by_sorting():
    from ventbook.records.intake.columns import is_middle_within

    rng = np.random.default_rng(5)
    for n in (1, 2, 3, 4, 7, 10):
        for _ in range(300):
            values, (low, high) = rng.integers(0, 6, n) / 2, np.sort(rng.integers(0, 6, 2) / 2)
            assert is_middle_within(values, (low, high)) == (low <= np.median(values) <= high)


@pytest.mark.parametrize(
    ("most_rows", "min_files", "expected"),
    [
        (1, 1, {9}),
        (2, 2, {9}),
        (3, 1, {4, 9}),
        (1, 5, {2, 4, 9}),
        (99, 1, {1, 2, 4, 9}),
        (1, 99, {1, 2, 4, 9}),
    ],
)
def test_the_past_is_that_of_the_newest_intakes_each_whole(monkeypatch, most_rows, min_files, expected):
    monkeypatch.setitem(thresholds()["past"], "most_rows", most_rows)
    monkeypatch.setitem(thresholds()["past"], "min_files", min_files)
    intakes, files = [4, 1, 9, 2, 4, 9, 1, 2], list("abcdefaa")
    recent = find_recent(pa.table({"_intake": intakes, "_file": files}))
    rows = recent.rows.to_pylist()
    assert rows == [row for row, intake in enumerate(intakes) if intake in expected]
    told = {(intakes[row], files[row]): code for row, code in zip(rows, recent.files, strict=True)}
    assert len(set(told.values())) == len(told)
    empty = find_recent(pa.table({"_intake": pa.array([], pa.int64()), "_file": pa.array([], pa.string())}))
    assert len(empty.rows) == len(empty.files) == 0
