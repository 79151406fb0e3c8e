"""Scatter of rotations and pressure while turning: intervals and probabilities of one law, by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, special, stats
from tests.test_priming import RECORD

from ventbook import tables
from ventbook.numerics import factorize
from ventbook.physics import oil, priming
from ventbook.physics.priming import calibrate
from ventbook.physics.priming import constants as fitting
from ventbook.physics.priming.inputs import RECORDED_U, shared_u_log
from ventbook.physics.priming.interval_fit import fit_interval
from ventbook.physics.priming.ratio import RatioScale
from ventbook.tables.priming import load_priming_rules, load_priming_terms, load_scatter_terms


def make_scale(counts: int, **changes: object) -> RatioScale:
    """``counts`` places, evenly apart by .01 about nought, none given up unless said."""
    places = tuple((np.arange(counts) - (counts - 1) / 2) / 100)
    fields = {
        "middles": {"six": 0.3},
        "middle": 0.1,
        "scatter": 0.2,
        "n": counts,
        "engines": 8,
        "known": True,
        "wider": 1.5,
        "places": places,
        "under": tuple(np.arange(1, counts + 1) / counts),
    }
    return RatioScale(**fields | changes)  # type: ignore[arg-type]


def test_places_are_the_normals_until_there_are_forty_counts() -> None:
    """39 counts: the normal quantile, 1.5 times as wide; in the logarithm of a usual job that is its scatter of .2."""
    few = make_scale(39)
    assert few.place(0.95) == pytest.approx(1.5 * 1.6448536)
    assert few.quantile(0.95) == pytest.approx(0.2 * 1.6448536)
    # 49 counts: the 49 of 50 shares between which the next one falls evenly, 1/50, 2/50, ...
    many = make_scale(49)
    assert many.place(0.9) == pytest.approx(0.20) and many.place(0.5) == pytest.approx(0.0)
    assert many.quantile(0.9) == pytest.approx(0.20 * 0.2 / 1.5)


def test_what_was_given_up_keeps_the_far_quantile_open() -> None:
    """40 counts of 50 jobs, the rest given up: beyond 40 / 51 the normal's place, which is longer than any that showed."""
    lost = make_scale(40, under=tuple(np.arange(1, 41) / 50), stopped=10)
    assert lost.place(0.95) == pytest.approx(1.5 * 1.6448536)
    assert lost.place(0.4) == pytest.approx(np.interp(0.4, np.arange(1, 41) / 51, lost.places))


def test_a_type_has_its_own_middle_where_it_has_one() -> None:
    assert make_scale(5).of(pd.Series(["six", "four", None])).tolist() == [0.3, 0.1, 0.1]


def test_pressure_while_turning_has_limits_and_a_probability_of_one_law() -> None:
    """Log-normal: both ends as far from the middle, by normal quantiles; the threshold's probability from the same error."""
    record = pd.DataFrame([RECORD | {"pressure_threshold_bar": 1.2, "oil_temperature_degC": 25.0}])
    wide, narrow = (priming.cranking_pressure(record, level=level).iloc[0] for level in (0.9, 0.5))
    middle, low, high = np.log([wide[f"hand_{name}_bar"] for name in ("pressure", "low", "high")])
    error = (high - middle) / stats.norm.ppf(0.95)
    assert middle - low == pytest.approx(high - middle)
    assert np.log(narrow["hand_high_bar"]) - middle == pytest.approx(error * stats.norm.ppf(0.75))
    assert wide["hand_shows_probability"] == pytest.approx(stats.norm.cdf((middle - np.log(1.2)) / error))
    # twice the speed is twice the oil through the bearings, and twice the pressure
    twice = record.assign(turning_speed_rpm=2 * record["turning_speed_rpm"])
    fast = priming.cranking_pressure(twice).iloc[0]["hand_pressure_bar"]
    assert fast == pytest.approx(2 * wide["hand_pressure_bar"])


# ---- the expectation against small changes of the plain formula ------------------------------------------------

THIN_OIL = {
    "oil_temperature_degC": 60.0,
    "turning_speed_rpm": 25.0,
    "tank_head_m": -0.3,
    "tank_overpressure_bar": 0.3,
    "pressurised_before_turning_s": 6.0,
    "filter_new": True,
    "gallery_drained": False,
    "elevation_m": 400.0,
}
BLANK = dict.fromkeys((
    "pump_displacement_cm3", "suction_line_length_m", "suction_line_bore_mm", "cooler_volume_L", "filter_volume_L", "lines_empty",
    "cooler_empty", "filter_new", "tank_overpressure_bar", "tank_head_m", "elevation_m", "oil_grade", "oil_temperature_degC",
    "turning_speed_rpm",
))  # fmt: skip


def known_constants(*, unsealed: float) -> priming.Constants:
    """Nothing fitted; what is not known of the constants goes together, and oil slips back enough to count."""
    spread = np.array([0.12, 0.08, 0.3, 0.5, 0.4])
    together = 0.4 * np.ones((5, 5)) + 0.6 * np.eye(5)
    shift = fitting._hold_usual({"unsealed": unsealed, "slip": 0.004, "let_through": 3.0})
    return priming.Constants(shift=shift, shift_covariance=spread[:, None] * together * spread)


def list_inputs(record: dict[str, object]) -> dict[str, tuple[float, float, float]]:
    """Each number that the formula takes with its standard uncertainty as it stands, and as it would be on record."""
    usual = tables.engine_type_values("flat4")
    inputs = {}
    for name, of, times in (
        ("displacement_cm3", "pump_displacement_cm3", 1.0),
        ("line_length_m", "suction_line_length_m", 1.0),
        ("line_bore_mm", "suction_line_bore_mm", 1.0),
        ("cooler_cm3", "cooler_volume_L", 1e3),
        ("filter_cm3", "filter_volume_L", 1e3),
        ("pressurised_s", "pressurised_before_turning_s", 1.0),
        ("tank_overpressure_bar", "tank_overpressure_bar", 1.0),
    ):
        value = usual[of] if record[of] is None else record[of]
        written = RECORDED_U[of] * value * times
        inputs[name] = value * times, usual.u(of) * times if record[of] is None else written, written
    for name, of in (("head_m", "tank_head_m"), ("speed_rpm", "turning_speed_rpm")):
        own = "hand_speed_rpm" if name == "speed_rpm" else of
        value = usual[own] if record[of] is None else record[of]
        written = RECORDED_U[of] * (value if name == "speed_rpm" else 1.0)
        inputs[name] = value, usual.u(own) if record[of] is None else written, written
    blank = record["elevation_m"] is None
    height = usual["elevation_m"] if blank else record["elevation_m"]
    ambient = float(oil.ambient_pressure_bar(height))
    # what a metre of height takes of the air's pressure (ISO 2533)
    metre = ambient - float(oil.ambient_pressure_bar(height + 1.0))
    weather = RECORDED_U["ambient"] * ambient
    inputs["ambient_bar"] = ambient, np.hypot(weather, usual.u("elevation_m") * metre * blank), weather
    warm = (
        usual["oil_temperature_degC"]
        if record["oil_temperature_degC"] is None
        else record["oil_temperature_degC"]
    )
    rows, _ = oil.find_grades([record["oil_grade"]])
    viscosity, _ = (float(values[0]) for values in oil.viscosity_of_rows(rows, np.array([warm])))
    grades = oil.read_oils().u_relative
    kelvin = 2.0 if record["oil_temperature_degC"] is not None else usual.u("oil_temperature_degC")
    written = viscosity * np.hypot(grades[1], 0.05 * 2.0)
    own = viscosity * np.hypot(grades[0 if record["oil_grade"] is None else 1], 0.05 * kelvin)
    inputs["viscosity_Pa_s"] = viscosity, own, written
    full, left = usual["gallery_volume_cm3"], usual["gallery_left_empty"]
    part = record.get("gallery_drained") is False
    inputs["gallery_cm3"] = full * (left if part else 1.0), full * usual.u("gallery_left_empty") * part, 0.0
    for name in ("lines_empty", "cooler_empty", "filter_new"):
        p = 0.5 if record[name] is None else float(record[name])
        inputs[name] = p, np.sqrt(p * (1 - p)), 0.0
    return inputs


@pytest.mark.parametrize("unsealed", [0.0, 1.0])
@pytest.mark.parametrize("record", [RECORD | THIN_OIL, RECORD | THIN_OIL | BLANK], ids=["written", "blank"])
def test_uncertainty_is_that_of_small_changes_of_each_input(record, unsealed) -> None:
    """First order (JCGM 100, 5.1 and 5.2): slopes of the log by central differences of the plain formula, constants with covariances."""
    constants = known_constants(unsealed=unsealed)
    found = priming.expected_rotations(pd.DataFrame([record]), constants=constants).iloc[0]
    inputs = list_inputs(record)
    theta, covariance = (values[0] for values in constants.of_types([tables.engine_type_values("flat4")]))
    names = {"air_efficiency": fitting.AIR, "oil_efficiency": fitting.OIL, "slip": fitting.SLIP}
    if unsealed:
        names["let_through"] = fitting.THROUGH
    at = {name: value for name, (value, _, _) in inputs.items()}
    at |= {name: float(np.exp(theta[k])) for name, k in names.items()}
    rows, _ = oil.find_grades([record["oil_grade"]])
    warm = 20.0 if record["oil_temperature_degC"] is None else record["oil_temperature_degC"]
    at["density_kg_per_m3"] = (
        870.0 if not rows.size else float(oil.viscosity_of_rows(rows, np.array([warm]))[1][0])
    )

    def log_rotations(**changes: float) -> float:
        return float(np.log(priming.rotations_to_prime(**at | changes)["rotations"]))

    def slope(name: str) -> float:
        step = 1e-5 * max(abs(at[name]), 0.1)
        return (log_rotations(**{name: at[name] + step}) - log_rotations(**{name: at[name] - step})) / (
            2 * step
        )

    terms = priming.rotations_to_prime(**at)
    whole = "expected_let_through" if unsealed else "expected_sealed"
    assert found[whole] == pytest.approx(float(terms["rotations"]), rel=1e-6)
    slopes = {name: slope(name) for name in inputs}
    carried = sum((slopes[name] * u) ** 2 for name, (_, u, _) in inputs.items())
    written = sum((slopes[name] * u) ** 2 for name, (_, _, u) in inputs.items())
    by_constant = np.zeros(5)
    for name, k in names.items():
        by_constant[k] = slope(name) * at[name]
    known = by_constant @ covariance @ by_constant
    # what a bar takes of an unsealed pump's draw is held at its value without line drop: a percent
    near = 0.015 if unsealed else 5e-5
    assert found["expected_u_log"] == pytest.approx(np.sqrt(carried + known), rel=near)
    # a count scatters by both sides, by what engines of a type differ by in let-through, and by what blanks add to its inputs
    share = 1 - float(terms["pressure_side"] / terms["rotations"])
    side, suction, pressed, thin = (term.value for term in load_scatter_terms())
    rules = load_priming_rules()
    thinness = np.clip(np.log(rules.thick_Pa_s / at["viscosity_Pa_s"]) / np.log(1.5), 0, 1)
    own = (
        rules.least_scatter**2
        + share**2 * np.exp(2 * (suction + pressed))
        + (1 - share) ** 2 * np.exp(2 * (side + thin * thinness))
        + (rules.engine_through * by_constant[fitting.THROUGH]) ** 2
    )
    spread = found["expected_spread_let_through" if unsealed else "expected_spread_sealed"]
    assert spread == pytest.approx(np.sqrt(own + carried - written + known), rel=near)


def test_suction_and_saving_are_those_of_the_plain_formula() -> None:
    record = RECORD | {"tank_overpressure_bar": 0.5}
    found = priming.expected_rotations(
        pd.DataFrame([record]),
        constants=priming.fit_constants(pd.DataFrame(), fixed={"unsealed": 0.0, "slip": 0.0}),
    ).iloc[0]
    inputs = {name: value for name, (value, _, _) in list_inputs(record).items()}
    rows, _ = oil.find_grades(["15W-50"])
    density = float(oil.viscosity_of_rows(rows, np.array([20.0]))[1][0])
    terms = priming.rotations_to_prime(
        **inputs, density_kg_per_m3=density, air_efficiency=0.60, oil_efficiency=0.92, floor_bar=0.4
    )
    assert found["expected_suction"] == pytest.approx(float(terms["suction"]), rel=1e-6)
    assert found["expected_tank_saving"] == pytest.approx(float(terms["tank_saving"]), rel=1e-6)
    assert found["expected_pressure_side"] == pytest.approx(float(terms["pressure_side"]), rel=1e-6)


def test_turn_slower_is_said_where_the_inlet_comes_under_its_floor() -> None:
    """The speed at which the plain formula's inlet pressure is .4 bar."""
    record = RECORD | {"oil_temperature_degC": 5.0, "tank_overpressure_bar": 0.0, "suction_line_bore_mm": 9.0}
    at = {name: value for name, (value, _, _) in list_inputs(record).items()}
    rows, _ = oil.find_grades(["15W-50"])
    density = float(oil.viscosity_of_rows(rows, np.array([5.0]))[1][0])

    def inlet(speed: float) -> float:
        terms = priming.rotations_to_prime(
            **at | {"speed_rpm": speed}, density_kg_per_m3=density, air_efficiency=0.60
        )
        return float(terms["inlet_bar"]) - 0.4

    assert inlet(1000.0) == -0.4
    speed = optimize.brentq(inlet, 1.0, 1000.0)
    sealed = priming.fit_constants(pd.DataFrame(), fixed={"unsealed": 0.0})
    for times, state in ((0.99, "primes"), (1.01, "turn_slower")):
        frame = pd.DataFrame([record | {"turning_speed_rpm": times * speed}])
        assert priming.expected_rotations(frame, constants=sealed)["expected_state"].tolist() == [state]


def test_an_inlet_at_nought_takes_rotations_without_end_and_warns_of_nothing() -> None:
    """Oil so thick that the line takes all pressure: infinite, as the docstring says (warnings are errors here)."""
    terms = priming.rotations_to_prime(
        line_length_m=2.0, line_bore_mm=8.0, displacement_cm3=8.0, viscosity_Pa_s=50.0, speed_rpm=300.0
    )
    assert np.isinf(terms["rotations"])


def test_a_pump_is_weighed_by_its_type_and_its_engines_other_ventings() -> None:
    """Log odds add: the type's, and the engine's evidence less the venting's own; a blank for the pump counts its share of dry ones."""
    constants = replace(
        known_constants(unsealed=0.3),
        by_engine=pd.Series({"E1": 2.0}),
        by_venting=pd.Series({"V1": 1.5}),
        dry=0.4,
    )
    frame = pd.DataFrame([RECORD | {"venting_id": name, "pump_wetted": False} for name in ("V1", "V2")])
    types = [tables.engine_type_values("flat4")]
    odds = constants.open_log_odds(*constants.of_types(types))[0]
    said = priming.expected_rotations(frame, constants=constants)["expected_unsealed"]
    assert special.logit(said).tolist() == pytest.approx([odds + 0.5, odds + 2.0])
    blank = priming.expected_rotations(frame.assign(pump_wetted=None), constants=constants)[
        "expected_unsealed"
    ]
    assert blank.tolist() == pytest.approx([0.4 * one for one in said])
    # averaged over what is not known of the odds (normal), to the second decimal: MacKay 1992, Neural Computation 4:720
    theta, covariance = constants.of_types(types)
    wide = stats.norm(theta[0, fitting.OPEN], np.sqrt(covariance[0, fitting.OPEN, fitting.OPEN]))
    assert special.expit(odds) == pytest.approx(wide.expect(special.expit), abs=0.01)


def test_a_type_without_records_has_its_usual_values_and_what_types_differ_by() -> None:
    """Relative errors of sizes by the slopes of the plain formula in their logarithms, variances added."""
    usual, terms = tables.engine_type_values("flat4"), load_priming_terms()
    theta, covariance = (values[0] for values in priming.Constants().of_types([usual]))
    size = [usual[name] for name in ("pump_clearance_um", "pump_leak_ratio", "pump_displacement_cm3")]
    through = np.log(priming.let_through_per_s_bar(*size))
    slopes = [
        (np.log(priming.let_through_per_s_bar(*np.array(size) * grown)) - through) / 1e-6
        for grown in ([1 + 1e-6, 1, 1], [1, 1 + 1e-6, 1])
    ]

    def relative(name: str) -> float:
        return usual.u(name) / usual[name]

    by_hand = [
        relative("air_efficiency"),
        np.hypot(relative("oil_efficiency"), relative("gallery_volume_cm3")),
        np.hypot(slopes[0] * relative("pump_clearance_um"), slopes[1] * relative("pump_leak_ratio")),
    ]
    for k, term in enumerate(terms):
        spread = term.spread or by_hand[k]
        assert covariance[k, k] == pytest.approx(spread**2 + term.between**2, rel=1e-5)
    assert theta[: fitting.OPEN] == pytest.approx([np.log(0.60), np.log(0.92), through])
    assert special.expit(theta[fitting.OPEN]) == pytest.approx(terms[fitting.OPEN].usual)
    # what the fleet differs by holds for it too, as far as that is known
    fleet = priming.Constants(shift=np.arange(5) / 10, shift_covariance=0.01 * np.eye(5))
    moved, left = (values[0] for values in fleet.of_types([usual]))
    assert moved - theta == pytest.approx(np.arange(5) / 10)
    assert np.diag(left) == pytest.approx([0.01 + term.between**2 for term in terms])


def test_likelihoods_of_a_wet_and_a_dry_pump_are_added_by_their_chances() -> None:
    sealed, through, dry = np.log([0.2, 0.5]), np.log([0.6, 0.1]), np.array([0.3, 1.0])
    joined, shows = fitting._join(sealed, through, dry)
    assert np.exp(joined).tolist() == pytest.approx([0.3 * 0.6 + 0.7 * 0.2, 0.1])
    assert shows.tolist() == pytest.approx([0.18 / 0.32, 1.0])


def test_an_interval_has_the_normals_probability_and_its_slopes_are_differences() -> None:
    """Counts shown, given up and far out in either tail; slopes by central differences."""
    low, high = np.array([3.9, 4.1, 6.0, 2.0]), np.array([4.0, np.inf, 6.1, 2.1])
    mean, sigma = np.full(4, 4.02), np.full(4, 0.2)
    p, by_mean, by_sigma = fitting._weigh_interval(low, high, mean, sigma, 0.98)
    assert p == pytest.approx(
        0.98 * (stats.norm.cdf(high, 4.02, 0.2) - stats.norm.cdf(low, 4.02, 0.2)), abs=1e-15
    )

    def weigh(mean: float, log_sigma: float) -> np.ndarray:
        return fitting._weigh_interval(low, high, np.full(4, mean), np.full(4, np.exp(log_sigma)), 0.98)[0]

    step, at = 1e-5, np.log(0.2)
    assert by_mean == pytest.approx((weigh(4.02 + step, at) - weigh(4.02 - step, at)) / (2 * step), abs=1e-8)
    assert by_sigma == pytest.approx((weigh(4.02, at + step) - weigh(4.02, at - step)) / (2 * step), abs=1e-8)


def test_what_is_said_of_constants_is_their_normal_interval() -> None:
    """Log constants and log odds with one standard deviation each: exp and expit of the ends, and the verdicts' thresholds."""
    rules, usual = load_priming_rules(), fitting.usual_theta(tables.engine_type_values("flat4"))
    between = np.array([term.between for term in load_priming_terms()])
    wide = np.hypot(usual[1], between)
    sd = wide * np.array([0.49, 0.51, 0.3, 0.1, 0.1])
    theta = usual[0] + np.array([0.1, -0.1, 0.2, 3.0, 0.0])
    theta[fitting.SLIP] = np.log(rules.thin_hand_Pa * rules.seen_slip) + 1.9 * sd[fitting.SLIP]

    def describe(theta: np.ndarray, level: float = 0.95) -> pd.DataFrame:
        constants = priming.Constants(
            types=("flat4",),
            theta=theta[None],
            covariance=np.diag(sd**2)[None],
            ventings=(90,),
            engines=(30,),
        )
        return priming.describe_constants(constants, level=level).set_index("term")

    found = describe(theta)
    z = stats.norm.ppf(0.975)
    for k, name in enumerate(fitting.NAMES):
        back = special.expit if name == "unsealed" else np.exp
        row = found.loc[name]
        ends = back(np.array([theta[k], theta[k] - z * sd[k], theta[k] + z * sd[k]]))
        before = back(np.array([usual[0][k], usual[0][k] - z * wide[k], usual[0][k] + z * wide[k]]))
        assert row[["estimate", "low", "high"]].tolist() == pytest.approx(ends)
        assert row[["usual", "usual_low", "usual_high"]].tolist() == pytest.approx(before)
    # half as wide as before or less is seen; the share by its lower end over .1; the slip's lower end is just under what is worth seeing
    assert found["verdict"].tolist() == ["seen", "can't tell", "seen", "seen", "can't tell"]
    assert describe(theta, level=0.9)["verdict"]["slip"] == "seen"
    few = theta.copy()
    few[fitting.OPEN] = special.logit(rules.seen_share) - 2.0 * sd[fitting.OPEN]
    few[fitting.SLIP] = np.log(rules.thin_hand_Pa * rules.seen_slip) - 2.0 * sd[fitting.SLIP]
    assert describe(few)["verdict"].tolist() == ["seen", "can't tell", "not seen", "not seen", "not seen"]


def test_speed_is_that_of_the_crankshaft_wherever_it_was_counted() -> None:
    """45 passes a minute of one of three blades, two crankshaft rotations a propeller's: 30 rpm. Not on record: the hand's or the starter's."""

    def sealed(**changes: object) -> float:
        return priming.expected_rotations(pd.DataFrame([RECORD | changes]))["expected_sealed"].item()

    usual = tables.engine_type_values("flat4")
    blades = {
        "rotations_counted_at": "blade",
        "propeller_reduction": 2.0,
        "propeller_blades": 3,
        "turning_speed_rpm": 45.0,
    }
    thick = {"oil_temperature_degC": 2.0}
    assert sealed(**thick, **blades) == pytest.approx(sealed(**thick, turning_speed_rpm=30.0), rel=1e-12)
    assert sealed(**thick, turning_speed_rpm=60.0) > 1.001 * sealed(**thick, turning_speed_rpm=30.0)
    for turned_by in ("hand", "starter"):
        blank = sealed(turned_by=turned_by, turning_speed_rpm=None)
        assert blank == pytest.approx(sealed(turning_speed_rpm=usual[f"{turned_by}_speed_rpm"]), rel=1e-12)


def test_sizes_that_types_share_add_by_their_share_of_the_ventings() -> None:
    used = pd.DataFrame({"engine_type": ["a", "a", "a", "b"], "expected_u_sizes": [0.1, 0.1, 0.1, 0.2]})
    assert shared_u_log(used) == pytest.approx(np.hypot(0.75 * 0.1, 0.25 * 0.2))


@pytest.mark.parametrize(
    "name", ["suction_line_bore_mm", "suction_line_length_m", "cooler_volume_L", "filter_volume_L"]
)
def test_a_usual_size_leaves_open_what_its_small_change_makes(name: str) -> None:
    """Thin oil, so that the line resists next to nothing: the slope of the log by differences, times the relative uncertainty."""
    usual = tables.engine_type_values("flat4")
    blank = RECORD | THIN_OIL | {"elevation_m": 0.0, name: None}
    sealed = priming.fit_constants(pd.DataFrame(), fixed={"unsealed": 0.0})
    records = [blank, *(blank | {name: usual[name] * times} for times in (0.999, 1.001))]
    found = priming.expected_rotations(pd.DataFrame(records), constants=sealed)
    less, more = np.log(found["expected_rotations"].iloc[1:])
    open_ = abs(more - less) / 0.002 * usual.u(name) / usual[name]
    assert found["expected_u_sizes"].tolist() == pytest.approx([open_, 0.0, 0.0], rel=0.06)


def test_pressure_shows_may_show_or_does_not_by_the_ends_of_its_interval() -> None:
    record = RECORD | {"oil_temperature_degC": 25.0}
    row = priming.cranking_pressure(pd.DataFrame([record | {"pressure_threshold_bar": 1.0}])).iloc[0]
    low, high = row["hand_low_bar"], row["hand_high_bar"]
    for threshold, state in ((0.99 * low, "shows"), (1.01 * low, "may_not_show"), (0.99 * high, "may_not_show"), (1.01 * high, "does_not_show")):  # fmt: skip
        frame = pd.DataFrame([record | {"pressure_threshold_bar": threshold}])
        assert priming.cranking_pressure(frame)["hand_state"].tolist() == [state]


# ---- observed against expected over a fleet --------------------------------------------------------------------


def make_fleet(rng: np.random.Generator) -> pd.DataFrame:
    """Six engines of one type with 36 counts, read so finely that their middle is the count."""
    engine = np.repeat(np.arange(6), [10, 8, 7, 5, 4, 2])
    expected = np.exp(rng.normal(4.0, 0.3, 36))
    count = expected * np.exp(0.2 + 0.1 * rng.standard_normal(36) + 0.1 * rng.standard_normal(6)[engine])
    return pd.DataFrame(
        {
            "engine_id": engine.astype(str),
            "engine_type": "flat4",
            "rotations_low": count * (1 - 1e-3),
            "rotations_high": count * (1 + 1e-3),
            "expected_rotations": expected,
            "expected_state": "primes",
        }
    )


def test_multiplier_and_errors_of_fine_counts_are_those_of_means() -> None:
    """Normal logs: the multiplier is exp of their mean, limits t on engines less one of the jackknife; errors from means of the other engines."""
    fleet = make_fleet(np.random.default_rng(8))
    found = priming.calibrate_fleet(fleet, level=0.9)
    count = (fleet["rotations_low"] + fleet["rotations_high"]) / 2
    ratio = np.log(count / fleet["expected_rotations"]).to_numpy()
    engine = fleet["engine_id"].to_numpy()
    left_out = np.array([ratio[engine != name].mean() for name in np.unique(engine)])
    error = np.sqrt(5 / 6 * ((left_out - ratio.mean()) ** 2).sum())
    half = stats.t.ppf(0.95, 5) * error
    row = found.multipliers.iloc[0]
    assert row["estimate"] == pytest.approx(np.exp(ratio.mean()), rel=1e-3)
    # one step of the fit without each engine, where the mean's is exact
    assert row[["low", "high"]].tolist() == pytest.approx(
        np.exp(ratio.mean() + np.array([-half, half])), rel=0.1
    )
    logs = np.log(count).to_numpy()
    errors = found.errors.set_index("method")
    for method, values in (("physics", ratio), ("raw_mean", logs)):
        off = np.array([values[k] - values[engine != engine[k]].mean() for k in range(36)])
        assert errors.loc[method, "log_error"] == pytest.approx(np.sqrt(np.mean(off**2)), rel=0.1)
    assert found.best == errors["log_score"].idxmax() == "physics"


def test_a_count_between_wide_ends_is_taken_at_their_middle() -> None:
    fleet = make_fleet(np.random.default_rng(8))
    count = fleet["rotations_high"] / (1 + 1e-3)
    fleet = fleet.assign(rotations_low=0.6 * count, rotations_high=1.4 * count)
    errors = priming.calibrate_fleet(fleet).errors.set_index("method")
    low, high = (np.log(fleet[name].to_numpy()) for name in ("rotations_low", "rotations_high"))
    cluster, names = factorize(fleet["engine_id"])
    fit = fit_interval(low, high, np.ones((36, 1)), cluster, len(names))
    off = np.log(count) - fit.left_out[cluster, 0]
    assert errors.loc["raw_mean", "log_error"] == pytest.approx(np.sqrt(np.mean(off**2)), rel=1e-9)


def test_engines_are_predicted_by_constants_they_had_no_part_in(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet = make_fleet(np.random.default_rng(8)).assign(lines_empty=True, tank_overpressure_bar=0.0)
    asked = []

    def predict(rows: pd.DataFrame, *, constants: set[str]) -> pd.DataFrame:
        assert constants and not constants & set(rows["engine_id"])
        asked.extend(rows["engine_id"])
        return rows[["expected_rotations"]]

    monkeypatch.setattr(calibrate, "fit_constants", lambda rows: set(rows["engine_id"]))
    monkeypatch.setattr(calibrate, "expected_rotations", predict)
    priming.calibrate_fleet(fleet)
    assert sorted(asked) == sorted(fleet["engine_id"])
