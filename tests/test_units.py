"""Unit factors against the definitions of the SI Brochure and the printed factors of NIST SP 811."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventbook.tables import units


def test_every_factor_is_what_pint_makes_of_it(tmp_path):
    text = units.TABLE.read_text("utf-8")
    assert units.check_factors() == text.count("[[unit]]")
    wrong = tmp_path / "units.toml"
    wrong.write_text(text.replace('factor = "127/5000"', 'factor = "129/5000"', 1), "utf-8")
    with pytest.raises(ValueError, match="unit in: the factor is 129/5000, but inch is 127/5000"):
        units.check_factors(wrong)
    wrong.write_text(text.replace('pint = "inch"', 'pint = "pound"', 1), "utf-8")
    with pytest.raises(ValueError, match="unit in: pound is not a length"):
        units.check_factors(wrong)


def test_temperatures_carry_their_offset():
    got = units.convert(np.array([-40.0, 32.0, 212.0]), "degF", "degC")
    np.testing.assert_allclose(units.convert(got, "degC", "K"), [233.15, 273.15, 373.15], rtol=1e-12)


def test_conventional_mercury_is_not_the_torr():
    assert units.convert(1.0, "mmHg", "torr") - 1 == pytest.approx(1.4e-7, rel=0.1)


@pytest.mark.parametrize(
    ("a", "b", "message"),
    [
        ("bar abs", "bar", "pressure absolute"),
        ("degF difference", "degC", "temperature difference"),
        ("mm", "L", "length"),
        ("lbf", "lb mass", "force"),
        ("rpm", "1", "rotation speed"),
    ],
)
def test_dimensions_are_kept_apart(a, b, message):
    with pytest.raises(ValueError, match=message):
        units.convert(1.0, a, b)


@pytest.mark.parametrize("spelling", ["F", "C", "lb", "kg", "T", "turns", "", "Mm", "BAR"])
def test_ambiguous_spellings_are_refused(spelling):
    assert units.known(spelling) is None
    with pytest.raises(ValueError, match="not in the list of spellings"):
        units.convert(1.0, spelling, "mm")


def test_nearest_spelling_is_named():
    with pytest.raises(ValueError, match=r"near:.*degC"):
        units.find_unit("degc")


PAIRS = [
    (unit.spellings[0], other.spellings[0])
    for d in ("length", "volume", "pressure_gauge", "temperature", "force", "spring_rate", "time")
    for unit in {units.find_unit(s) for s in units.spellings(d)}
    for other in {units.find_unit(s) for s in units.spellings(d)}
]


@given(st.sampled_from(PAIRS), st.floats(-1e6, 1e6))
def test_there_and_back_is_the_same(pair, value):
    a, b = pair
    there = units.convert(value, a, b)
    assert units.convert(there, b, a) == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_arrays_keep_shape_and_nan():
    got = units.convert(np.array([[1.0, np.nan]]), "in", "mm")
    assert got.shape == (1, 2)
    assert got[0, 0] == 25.4
    assert np.isnan(got[0, 1])


@given(st.floats(0.4, 0.6), st.sampled_from(["metric", "us"]))
def test_rounding_never_turns_a_fail_into_a_pass(value, system):
    limit = 0.5
    shown = float(units.show(value, "mm", system, limit=limit))
    bound, how = units.display(limit, "mm", system)
    decimals = len(units.show(value, "mm", system, limit=limit).split(".")[1])
    assert (shown > round(bound, decimals)) == (value > limit) or abs(value - limit) < 1e-11
    assert how.decimals <= decimals


def test_limit_in_inches_is_said_closely_enough():
    assert units.show_limit(0.5, "mm", "us") == "0.0197"
    assert units.show_limit(0.04, "mm", "us") == "0.001575"  # 0.04 / 25.4 = 0.0015748; 0.00157 is 0.3 % off
    assert units.show_limit(0.5, "mm") == "0.50"
    assert units.show(0.508, "mm", "us", limit=0.5) == "0.0200"
