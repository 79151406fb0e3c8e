"""Expected rotations of each venting with interval, from a frame of records and the formula's constants.

Every input carries a standard uncertainty: its own where recorded, the engine type's where not; so do the constants. They are carried to
the logarithm of the rotations by its derivatives, once for a sealed pump and once for one that lets air through; the interval is that of
the two together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import expit, ndtr

from ventbook import distributions as stats
from ventbook.numerics import Floats
from ventbook.physics.oil import read_oils
from ventbook.physics.priming.constants import (
    AIR,
    OIL,
    SLIP,
    THROUGH,
    Constants,
    Rows,
    add_scatter,
    lay_out,
    scatter_parts,
)
from ventbook.physics.priming.formula import LEAST_DRAW, Course, head_bar, line_volume_cm3
from ventbook.physics.priming.inputs import (
    AIR_TEMPERATURE,
    BIT,
    FLAGS,
    RECORDED_TEMPERATURE_U,
    RECORDED_U,
    TANK_VENTED,
    TYPE_UNKNOWN,
    VISCOSITY_U_PER_K,
    Inputs,
    open_parts,
    read_inputs,
    write_notes,
)
from ventbook.physics.priming.inputs import COLUMNS as OPEN_COLUMNS
from ventbook.physics.priming.spread import SPREAD_COLUMNS, Spread
from ventbook.tables.priming import load_priming_rules

__all__ = ["COLUMNS", "STATES", "TYPE_UNKNOWN", "expected_rotations"]

STATES = ("primes", "not_primed_by_this_push", "turn_slower", "not_recorded")
COLUMNS = (
    "expected_rotations",
    "expected_low",
    "expected_high",
    "expected_suction",
    "expected_pressure_side",
    "expected_tank_saving",
    "expected_state",
    "expected_note",
    "expected_u_log",
    *SPREAD_COLUMNS,
    *OPEN_COLUMNS,
)
_CHUNK = 32_768
_STALLED, _SLOWER, _UNKNOWN, _STALLS_ALONE, _MAY_STALL = (1 << FLAGS + i for i in range(5))
MAY_STALL = "a pump that lets air through may not lift the oil this high"
_EXTRA = {
    _STALLED: "the oil stands lower than a pump that lets air through lifts it at this speed and tank pressure",
    _SLOWER: "oil too thick for this line at this speed: turn slower",
    _UNKNOWN: "neither the engine nor its lines are on record",
    _STALLS_ALONE: "would not prime without tank pressure if the pump lets air through",
    _MAY_STALL: MAY_STALL,
}
_FOUND = (
    "expected", "low", "high", "u_log", "alone", "side", "sealed", "through", "spread_sealed", "spread_through",
    "stalls", "stalls_alone", "inlet", "efficiency",
)  # fmt: skip


def expected_rotations(
    frame: pd.DataFrame, *, constants: Constants | None = None, level: float = 0.9
) -> pd.DataFrame:
    """Crankshaft rotations until pressure shows that each venting should take, by physics.

    Parameters
    ----------
    frame : DataFrame
        One row a venting with the ventings' and engines' columns under their stored names
        (``suction_line_length_m``, ``cooler_empty``, ``pump_displacement_cm3``, ...). What is absent or
        missing falls back to the engine type's usual value, is named in ``expected_note`` and widens the
        interval.
    constants : Constants, optional
        As :func:`fit_constants` finds them in a fleet's counts; default the engine types' usual values. A venting that is
        among those counts is expected from its engine's others.
    level : float
        Confidence level of the interval, 0.9 = 90 %.

    Returns
    -------
    DataFrame
        Of the same index:

        - ``expected_rotations``, ``expected_low``, ``expected_high``: central value and interval of ``level``
        - ``expected_suction`` - ``expected_tank_saving`` + ``expected_pressure_side`` =
          ``expected_rotations``
        - ``expected_state``: ``primes``; ``not_primed_by_this_push`` (a pump that lets air through would stall at this lift, and
          can't be ruled out); ``turn_slower`` (line drop takes the inlet under its floor); ``not_recorded``. Numbers only
          in the first.
        - ``expected_note``: usual values taken, and what is special
        - ``expected_u_log``: standard uncertainty of the log of the expectation (from the interval's width)
        - ``expected_sealed``, ``expected_let_through``: the rotations if the pump is sealed, and if it lets air through (missing where it
          would stall), which it does with probability ``expected_unsealed``; ``expected_spread_sealed`` and ``_let_through``: standard
          deviation of the log of one count about each
        - ``expected_least``, ``expected_stake_lines``, ``_cooler``, ``_filter``, ``expected_u_sizes``: what
          blanks leave open

    Raises
    ------
    ValueError
        For a level outside (0, 1).

    Notes
    -----
    The formula of :func:`rotations_to_prime` twice. The central value is the geometric mean of the two by their probabilities, so that the
    log of recorded over expected is nought on the whole. Uncertainties of inputs and constants by first derivatives of the logarithm.
    The interval is that of the expectation, not of one job's count, which scatters more.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import priming
    >>> venting = pd.DataFrame(
    ...     {"engine_type": ["flat4"], "lines_empty": [True], "suction_line_length_m": [2.0], "suction_line_bore_mm": [12.0],
    ...      "tank_overpressure_bar": [0.5]}
    ... )
    >>> expected = priming.expected_rotations(venting)
    >>> expected[["expected_sealed", "expected_let_through"]].round().astype(int).values.tolist()
    [[95, 39]]
    >>> expected["expected_state"].tolist()
    ['primes']
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must be between 0 and 1; got {level!r}")
    constants = Constants() if constants is None else constants
    inputs = read_inputs(frame)
    rows = lay_out(inputs)
    theta, covariance = constants.of_types(inputs.types)
    unsealed = _weigh_pumps(frame, inputs, constants, theta, covariance)
    n = len(frame)
    found = {name: np.empty(n) for name in _FOUND}
    for first in range(0, n, _CHUNK):
        place = np.arange(first, min(first + _CHUNK, n))
        part = _expect_part(rows, inputs, place, theta, covariance, constants.scatter, unsealed, level)
        for name, values in part.items():
            found[name][place] = values
    rules = load_priming_rules()
    air, good_floor = rows.air_cm3 > 0, rows.floor_bar
    stalls = found["stalls"]
    stalled = air & ((stalls >= rules.stall_chance) | (rows.ambient_bar + rows.push_bar < good_floor))
    slower = ~stalled & air & (found["inlet"] < good_floor)
    good = inputs.enough & ~stalled & ~slower
    flags = inputs.taken.copy()
    flags &= ~TANK_VENTED
    alone = good & air & (found["stalls_alone"] >= rules.stall_chance)
    for mask, flag in (
        (stalled, _STALLED),
        (slower, _SLOWER),
        (~inputs.enough, _UNKNOWN),
        (alone, _STALLS_ALONE),
        (good & air & (stalls >= rules.mention_chance), _MAY_STALL),
    ):
        flags[mask] |= flag

    def shown(values: Floats) -> Floats:
        return np.where(good, values, np.nan)

    state = np.select([~inputs.enough, stalled, slower], [3, 1, 2], 0)
    total = found["expected"]
    return pd.DataFrame(
        {
            "expected_rotations": shown(total),
            "expected_low": shown(found["low"]),
            "expected_high": shown(found["high"]),
            "expected_suction": shown(np.where(air, found["alone"] - found["side"], 0.0)),
            "expected_pressure_side": shown(found["side"]),
            "expected_tank_saving": shown(np.where(air, found["alone"] - total, 0.0)),
            "expected_state": pd.Series(
                np.array(STATES, dtype=object)[state], index=frame.index, dtype="str"
            ),
            "expected_note": pd.Series(write_notes(flags, _EXTRA), index=frame.index, dtype="str"),
            "expected_u_log": shown(found["u_log"]),
            "expected_sealed": shown(found["sealed"]),
            "expected_let_through": shown(found["through"]),
            "expected_unsealed": shown(unsealed),
            "expected_spread_sealed": shown(found["spread_sealed"]),
            "expected_spread_let_through": shown(found["spread_through"]),
            **{
                name: shown(part)
                for name, part in open_parts(
                    inputs,
                    total=total,
                    side=found["side"],
                    air_cm3=rows.air_cm3,
                    efficiency=found["efficiency"],
                ).items()
            },
        },
        index=frame.index,
    )


def _weigh_pumps(
    frame: pd.DataFrame, inputs: Inputs, constants: Constants, theta: Floats, covariance: Floats
) -> Floats:
    """Chance of each row that its pump is not sealed: the type's share, and what its engine's other counts say."""
    odds = constants.open_log_odds(theta, covariance)[inputs.type_code]
    if len(constants.by_engine) and "engine_id" in frame.columns:
        said = frame["engine_id"].astype("str").map(constants.by_engine).to_numpy(float)
        if len(constants.by_venting) and "venting_id" in frame.columns:
            own = frame["venting_id"].astype("str").map(constants.by_venting).to_numpy(float)
            said = said - np.nan_to_num(own)
        odds = odds + np.nan_to_num(said)
    return expit(odds) * np.where(np.isnan(inputs.value["pump_wetted"]), constants.dry, 1.0)


def _expect_part(
    rows: Rows,
    inputs: Inputs,
    place: npt.NDArray[np.intp],
    theta: Floats,
    covariance: Floats,
    scatter: Floats,
    unsealed: Floats,
    level: float,
) -> dict[str, Floats]:
    """All that the answer holds for the rows at ``place``."""
    part, code = rows.take(place), inputs.type_code[place]
    by_row, chance = theta[code], unsealed[place]
    shares = _read_shares(inputs, place, part)
    log_u = _read_uncertainties(inputs, place)
    ends = []
    for sealed in (True, False):
        course = part.run(by_row, sealed=sealed)
        total = course.suction + course.side
        share = course.suction / total
        carried, recorded = _carry_inputs(course, part, share, shares, log_u)
        known = _carry_constants(course, share, by_row, covariance[code], sealed=sealed)
        own = add_scatter(share, *scatter_parts(part, course, scatter, sealed=sealed))
        ends.append(
            (
                course,
                total,
                np.sqrt(carried + known),
                np.sqrt(own + np.maximum(carried - recorded, 0.0) + known),
            )
        )
    (sealed_, total, u, spread), (through, total_through, u_through, spread_through) = ends
    air = part.air_cm3 > 0
    through_stalls = air & (through.draw <= LEAST_DRAW)
    weight = np.where(through_stalls, 0.0, chance)
    middle = Spread(np.log(total), u, np.log(total_through), u_through, weight)
    z = float(stats.norm.ppf(0.5 + level / 2.0))
    low, high = np.exp(middle.place(-z)), np.exp(middle.place(z))
    sd = np.sqrt(np.maximum(covariance[code, THROUGH, THROUGH], 1e-6))
    alone, alone_stalls = _run_alone(part, by_row, chance, sd)
    expected = np.exp(middle.middle + weight * (middle.other - middle.middle))
    side = sealed_.side
    return {
        "expected": expected,
        "low": low,
        "high": high,
        "u_log": np.log(high / low) / (2.0 * z),
        "alone": np.where(part.pressed > 0, alone, expected),
        "side": side,
        "sealed": total,
        "through": np.where(through_stalls, np.nan, total_through),
        "spread_sealed": spread,
        "spread_through": spread_through,
        "stalls": np.where(air, _stall_chance(through, chance, sd), 0.0),
        "stalls_alone": np.where(air, alone_stalls, 0.0),
        "inlet": part.ambient_bar + part.push_bar - part.drop_bar * np.exp(by_row[:, AIR]),
        "efficiency": sealed_.efficiency,
    }


def _stall_chance(course: Course, chance: Floats, sd: Floats) -> Floats:
    """Chance that the pump lets through so much that it draws nothing, from what the lift takes at the middle of what is known of that."""
    with np.errstate(divide="ignore"):
        beyond = np.where(course.taken > 0, np.log(np.maximum(course.taken, 1e-300)), -np.inf)
    return chance * ndtr(beyond / sd)


def _run_alone(part: Rows, theta: Floats, chance: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Rotations without tank pressure, and the chance that the pump would stall then."""
    bare = part.without_tank()
    sealed, through = (bare.run(theta, sealed=sealed) for sealed in (True, False))
    weight = np.where((part.air_cm3 > 0) & (through.draw <= LEAST_DRAW), 0.0, chance)
    logs = [np.log(course.suction + course.side) for course in (sealed, through)]
    return np.exp(logs[0] + weight * (logs[1] - logs[0])), _stall_chance(through, chance, sd)


@dataclass(frozen=True)
class _Shares:
    """Parts of the air (line, cooler) and of the filling (filter, galleries), and what a blank could add to each, over the part itself."""

    line: Floats
    filter: Floats
    line_blank: Floats
    cooler_blank: Floats
    filter_blank: Floats


def _read_shares(inputs: Inputs, place: npt.NDArray[np.intp], part: Rows) -> _Shares:
    v = {name: values[place] for name, values in inputs.value.items()}
    air = np.maximum(part.air_cm3, 1e-9)
    line = v["lines_empty"] * line_volume_cm3(v["suction_line_length_m"], v["suction_line_bore_mm"]) / air
    cooler = v["cooler_empty"] * v["cooler_volume_L"] * 1e3 / air
    filtered = v["filter_new"] * v["filter_volume_L"] * 1e3 / part.fill_cm3

    def blank(name: str, share: Floats) -> Floats:
        """Standard deviation of a yes/no taken as ``p``, over p: sqrt((1 - p) / p)."""
        p = v[name]
        return np.where((p > 0) & (p < 1), share * np.sqrt((1.0 - p) / np.maximum(p, 1e-9)), 0.0)

    return _Shares(
        line,
        filtered,
        blank("lines_empty", line),
        blank("cooler_empty", cooler),
        blank("filter_new", filtered),
    )


def _read_uncertainties(
    inputs: Inputs, place: npt.NDArray[np.intp]
) -> dict[str, tuple[Floats, Floats | float]]:
    """Standard uncertainty of each input as it stands, and as it would be if it were recorded: relative, tank in bar over itself, head in m."""
    taken, code = inputs.taken[place], inputs.type_code[place]

    def usual(name: str, *, relative: bool = True) -> Floats:
        return np.array([t.u(name) / t[name] if relative and t[name] else t.u(name) for t in inputs.types])[
            code
        ]

    def pick(bit: str, own: Floats, recorded: float) -> tuple[Floats, Floats | float]:
        return np.where((taken & BIT[bit]) != 0, own, recorded), recorded

    found = {
        name: pick(name, usual(name), RECORDED_U[name])
        for name in (
            "pump_displacement_cm3",
            "suction_line_length_m",
            "suction_line_bore_mm",
            "cooler_volume_L",
            "filter_volume_L",
            "pressurised_before_turning_s",
        )
    }
    found["tank_head_m"] = pick(
        "tank_head_m", usual("tank_head_m", relative=False), RECORDED_U["tank_head_m"]
    )
    tank = inputs.value["tank_overpressure_bar"][place]
    own = usual("tank_overpressure_bar", relative=False)
    recorded = RECORDED_U["tank_overpressure_bar"] * tank
    found["tank_bar"] = np.where((taken & BIT["tank_overpressure_bar"]) != 0, own, recorded), recorded
    # the volume itself is one with the efficiency on oil; only what a gallery that wasn't drained holds is each job's own
    found["gallery"] = inputs.value["gallery_u"][place], 0.0
    found["turning_speed_rpm"] = pick(
        "turning_speed_rpm", usual("hand_speed_rpm"), RECORDED_U["turning_speed_rpm"]
    )
    grades = read_oils().u_relative
    kelvin = np.where(
        (taken & BIT["oil_temperature_degC"]) != 0,
        usual("oil_temperature_degC", relative=False),
        np.where((taken & AIR_TEMPERATURE) != 0, 5.0, RECORDED_TEMPERATURE_U),
    )
    grade = np.where((taken & BIT["oil_grade"]) != 0, grades[0], grades[1])
    found["viscosity"] = (
        np.hypot(grade, VISCOSITY_U_PER_K * kelvin),
        float(np.hypot(grades[1], VISCOSITY_U_PER_K * RECORDED_TEMPERATURE_U)),
    )
    height = np.where((taken & BIT["elevation_m"]) != 0, usual("elevation_m", relative=False) * 1.2e-4, 0.0)
    found["ambient"] = np.hypot(RECORDED_U["ambient"], height), RECORDED_U["ambient"]  # 12 % a km
    return found


def _carry_inputs(
    course: Course,
    part: Rows,
    share: Floats,
    shares: _Shares,
    log_u: dict[str, tuple[Floats, Floats | float]],
) -> tuple[Floats, Floats]:
    """Variance of the log of the rotations from the inputs as they stand, and as it would be with all of them recorded."""
    side = 1.0 - share
    left = 1.0 + course.gone
    a_bar = share * (
        course.per_bar - np.where(part.standing_s > 0, course.gone * course.standing_per_bar, 0.0)
    )
    resisted = share * course.by_line
    line = share * left * shares.line
    slopes = {
        "pump_displacement_cm3": resisted - share * left - side,
        "suction_line_length_m": line + resisted,
        "suction_line_bore_mm": 2.0 * line - 4.0 * resisted,
        "cooler_volume_L": share * left * (1.0 - shares.line),
        "filter_volume_L": side * shares.filter,
        "gallery": side * (1.0 - shares.filter),
        "tank_bar": a_bar,
        "tank_head_m": a_bar * float(head_bar(870.0, 1.0)),
        "turning_speed_rpm": share * course.by_speed - side * course.slip,
        "viscosity": resisted - side * course.slip,
        "pressurised_before_turning_s": share * course.gone,
        "ambient": share * (1.0 - part.ambient_bar / course.inlet),
    }
    carried, recorded = np.zeros_like(share), np.zeros_like(share)
    for name, slope in slopes.items():
        u, full = log_u[name]
        square = slope * slope
        carried += square * (u * u)
        recorded += square * (full * full)
    blanks = (share * left) ** 2 * (shares.line_blank**2 + shares.cooler_blank**2)
    return carried + blanks + (side * shares.filter_blank) ** 2, recorded


def _carry_constants(
    course: Course, share: Floats, theta: Floats, covariance: Floats, *, sealed: bool
) -> Floats:
    """Variance of the log of the rotations from what is not known of the constants."""
    slopes = {
        AIR: share * course.by_air,
        OIL: (1.0 - share) * course.by_oil(np.exp(theta[:, OIL])),
        SLIP: (1.0 - share) * course.slip,
    }
    if not sealed:
        slopes[THROUGH] = share * (course.by_leak - course.gone)
    out = np.zeros_like(share)
    for one, slope in slopes.items():
        for other, second in slopes.items():
            out += slope * second * covariance[:, one, other]
    return np.maximum(out, 0.0)
