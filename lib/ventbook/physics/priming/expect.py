"""Expected rotations of each venting with interval, from a frame of records.

Every input carries a standard uncertainty: its own where recorded, the engine type's where not. 64 points of a
scrambled Sobol sequence (seeded, the same for every row) go through the formula. Rows that took the same
values from elsewhere share their relative draws, so that the work over a million rows is two small matrix
products and one partial sort.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from ventbook.physics.oil import read_oils
from ventbook.physics.priming.formula import Floats, head_bar, rotations_to_prime
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
from ventbook.tables import EngineTypeValues

POINTS = 64
SEED = 20260
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
    *OPEN_COLUMNS,
)
_DIMENSIONS = 16
_CHUNK = 8192
_STALLED, _SLOWER, _UNKNOWN, _STALLS_ALONE = (1 << FLAGS + i for i in range(4))
_EXTRA = {
    _STALLED: "the oil stands lower than a dry pump can lift it at this tank pressure",
    _SLOWER: "oil too thick for this line at this speed: turn slower",
    _UNKNOWN: "neither the engine nor its lines are on record",
    _STALLS_ALONE: "would not prime without tank pressure",
}


@lru_cache(maxsize=8)
def _points(seed: int) -> Floats:
    """Uniform points, shape (64, 16), clear of 0 and 1."""
    draws = stats.qmc.Sobol(_DIMENSIONS, scramble=True, rng=seed).random_base2(6)
    return np.clip(draws, 1e-4, 1.0 - 1e-4)


def expected_rotations(frame: pd.DataFrame, *, level: float = 0.9, seed: int = SEED) -> pd.DataFrame:
    """Crankshaft rotations until pressure shows that each venting should take, by physics alone.

    Parameters
    ----------
    frame : DataFrame
        One row a venting with the ventings' and engines' columns under their stored names
        (``suction_line_length_m``, ``cooler_empty``, ``pump_displacement_cm3``, ...). What is absent or
        missing falls back to the engine type's usual value, is named in ``expected_note`` and widens the
        interval.
    level : float
        Confidence level of the interval, 0.9 = 90 %.
    seed : int
        Seed of the quasi-random points that the uncertainties are drawn with.

    Returns
    -------
    DataFrame
        Of the same index:

        - ``expected_rotations``, ``expected_low``, ``expected_high``: central value and interval of ``level``
        - ``expected_suction`` - ``expected_tank_saving`` + ``expected_pressure_side`` =
          ``expected_rotations``
        - ``expected_state``: ``primes``; ``not_primed_by_this_push`` (static lift over what a dry pump can
          pull); ``turn_slower`` (line drop takes the inlet under its floor); ``not_recorded``. Numbers only
          in the first.
        - ``expected_note``: usual values taken, and what is special
        - ``expected_u_log``: standard uncertainty of the log of the expectation (from the interval's width)
        - ``expected_least``, ``expected_stake_lines``, ``_cooler``, ``_filter``, ``expected_u_sizes``: what
          blanks leave open

    Raises
    ------
    ValueError
        For a level outside (0, 1).

    Notes
    -----
    :func:`rotations_to_prime` at 64 points of a scrambled Sobol sequence over the standard uncertainties of
    all inputs. The interval is that of the expectation, not of one job's count, which scatters by some 14 %
    more.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import priming
    >>> venting = pd.DataFrame(
    ...     {"engine_type": ["flat4"], "lines_empty": [True], "suction_line_length_m": [2.0], "suction_line_bore_mm": [12.0]}
    ... )
    >>> expected = priming.expected_rotations(venting)
    >>> expected[["expected_low", "expected_rotations", "expected_high"]].round().astype(int).values.tolist()
    [[65, 113, 188]]
    >>> expected["expected_state"].tolist()
    ['primes']
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must be between 0 and 1; got {level!r}")
    inputs = read_inputs(frame)
    v = inputs.value
    terms = rotations_to_prime(
        line_length_m=v["suction_line_length_m"],
        line_bore_mm=v["suction_line_bore_mm"],
        displacement_cm3=v["pump_displacement_cm3"],
        lines_empty=v["lines_empty"],
        cooler_cm3=v["cooler_volume_L"] * 1e3,
        cooler_empty=v["cooler_empty"],
        gallery_cm3=v["gallery_volume_cm3"],
        filter_cm3=v["filter_volume_L"] * 1e3,
        filter_new=v["filter_new"],
        tank_overpressure_bar=v["tank_overpressure_bar"],
        head_m=v["tank_head_m"],
        viscosity_Pa_s=v["viscosity_Pa_s"],
        density_kg_per_m3=v["density_kg_per_m3"],
        ambient_bar=v["ambient_bar"],
        speed_rpm=v["turning_speed_rpm"],
        air_efficiency=v["air_efficiency"],
        oil_efficiency=v["oil_efficiency"],
        floor_bar=v["suction_floor_bar"],
    )
    air, floor = terms["air_cm3"] > 0, v["suction_floor_bar"]
    lift = -terms["head_bar"]
    stalled = air & (lift - v["tank_overpressure_bar"] > v["dry_pump_suction_bar"])
    slower = ~stalled & air & (terms["inlet_bar"] < floor)
    good = inputs.enough & ~stalled & ~slower
    low, high, u_log = _spread(inputs, terms, np.flatnonzero(good), level, seed)
    flags = inputs.taken.copy()
    flags &= ~TANK_VENTED
    alone = good & air & (lift > v["dry_pump_suction_bar"])
    for mask, flag in (
        (stalled, _STALLED),
        (slower, _SLOWER),
        (~inputs.enough, _UNKNOWN),
        (alone, _STALLS_ALONE),
    ):
        flags[mask] |= flag

    def shown(values: Floats) -> Floats:
        return np.where(good, values, np.nan)

    state = np.select([~inputs.enough, stalled, slower], [3, 1, 2], 0)
    return pd.DataFrame(
        {
            "expected_rotations": shown(terms["rotations"]),
            "expected_low": low,
            "expected_high": high,
            "expected_suction": shown(terms["suction"]),
            "expected_pressure_side": shown(terms["pressure_side"]),
            "expected_tank_saving": shown(terms["tank_saving"]),
            "expected_state": pd.Series(
                np.array(STATES, dtype=object)[state], index=frame.index, dtype="str"
            ),
            "expected_note": pd.Series(write_notes(flags, _EXTRA), index=frame.index, dtype="str"),
            "expected_u_log": u_log,
            **{name: shown(part) for name, part in open_parts(inputs, terms).items()},
        },
        index=frame.index,
    )


def _spread(
    inputs: Inputs, terms: dict[str, Floats], rows: npt.NDArray[np.intp], level: float, seed: int
) -> tuple[Floats, Floats, Floats]:
    """Lower and upper end of the interval and the sd of the log, for ``rows``; missing elsewhere."""
    v = inputs.value
    swept_air = v["air_efficiency"] * v["pump_displacement_cm3"]
    swept_oil = v["oil_efficiency"] * v["pump_displacement_cm3"]
    cooler = v["cooler_empty"] * v["cooler_volume_L"] * 1e3
    ambient = v["ambient_bar"]
    # columns meet the rows of the matrices of _relative_draws
    parts = np.stack(
        [
            (terms["air_cm3"] - cooler) / swept_air,
            cooler / swept_air,
            v["gallery_volume_cm3"] / swept_oil,
            v["filter_new"] * v["filter_volume_L"] * 1e3 / swept_oil,
            terms["head_bar"] / ambient,
            v["tank_overpressure_bar"] / ambient,
            1.0 / ambient,
            terms["line_drop_bar"] / ambient,
            v["suction_floor_bar"] / ambient,
        ],
        axis=1,
    ).astype(np.float32)
    types = len(inputs.types)
    group, patterns = pd.factorize(inputs.taken[rows] * types + inputs.type_code[rows])
    order = rows[np.argsort(group, kind="stable")]
    ends = np.cumsum(np.bincount(group, minlength=len(patterns)))
    out = np.full((3, len(v["air_efficiency"])), np.nan)
    start = 0
    for pattern, end in zip(patterns, ends, strict=True):
        matrices = _relative_draws(int(pattern) // types, inputs.types[int(pattern) % types], seed)
        for first in range(start, end, _CHUNK):
            chunk = order[first : min(first + _CHUNK, end)]
            out[:, chunk] = _interval(parts[chunk], matrices, level)
        start = end
    return out[0], out[1], out[2]


def _interval(
    parts: npt.NDArray[np.float32], matrices: tuple[Floats, Floats, Floats], level: float
) -> Floats:
    air, fill, squeeze = (m.astype(np.float32) for m in matrices)
    inlet = _combine(parts[:, 4:8], squeeze)
    inlet += 1.0
    np.maximum(inlet, parts[:, 8:9], out=inlet)
    draws = _combine(parts[:, 0:2], air)
    draws /= inlet
    draws += _combine(parts[:, 2:4], fill)
    tail = (1.0 - level) / 2.0
    # plotting positions (k + 1/2) / 64; below the first point the first point
    at_low = max(POINTS * tail - 0.5, 0.0)
    k = int(at_low)
    share = np.float32(at_low - k)
    ends = (k, min(k + 1, POINTS - 1), max(POINTS - 2 - k, 0), POINTS - 1 - k)
    draws.sort(axis=1)  # rows of 64 single floats: many times faster than a partition
    low = draws[:, ends[0]] * (1 - share) + draws[:, ends[1]] * share
    high = draws[:, ends[3]] * (1 - share) + draws[:, ends[2]] * share
    deviation = np.log(high / low) / (2.0 * stats.norm.ppf(1.0 - tail))
    return np.stack([low, high, deviation]).astype(np.float64)


def _combine(parts: npt.NDArray[np.float32], draws: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """parts (n, k) times draws (k, 64), term by term: for so few terms a threaded product spends more on its threads."""
    out = parts[:, :1] * draws[0]
    more = np.empty_like(out)
    for k in range(1, len(draws)):
        np.multiply(parts[:, k : k + 1], draws[k], out=more)
        out += more
    return out


def _relative_draws(bits: int, usual: EngineTypeValues, seed: int) -> tuple[Floats, Floats, Floats]:
    """Draws relative to the central values for rows that took ``bits`` from elsewhere.

    Returns matrices (2, 64) for the line's and the cooler's air, (2, 64) for galleries and filter, (4, 64) for
    head, tank pressure, absolute shifts in bar and line drop, all over ambient pressure.
    """
    points = _points(seed)
    z = stats.norm.ppf(points)

    def relative(name: str) -> float:
        if bits & BIT.get(name, 0):
            return usual.u(name) / usual[name] if usual[name] else 0.0
        return RECORDED_U[name]

    def scale(column: int, u: float) -> Floats:
        return np.exp(u * z[:, column])

    def share(column: int, name: str) -> Floats:
        """Filled or empty, unknown: 0 or 1 over the share taken."""
        if not bits & BIT[name] or not 0.0 < usual[name] < 1.0:
            return np.ones(POINTS)
        return (points[:, column] < usual[name]) / usual[name]

    pump = scale(0, relative("pump_displacement_cm3"))
    on_air = np.clip(
        1.0 + usual.u("air_efficiency") / usual["air_efficiency"] * z[:, 1], 0.3, 1 / usual["air_efficiency"]
    )
    on_oil = np.clip(
        1.0 + usual.u("oil_efficiency") / usual["oil_efficiency"] * z[:, 2], 0.3, 1 / usual["oil_efficiency"]
    )
    length, bore = scale(4, relative("suction_line_length_m")), scale(5, relative("suction_line_bore_mm"))
    air = np.stack(
        [
            length * bore**2 * share(12, "lines_empty"),
            scale(6, relative("cooler_volume_L")) * share(13, "cooler_empty"),
        ]
    ) / (pump * on_air)
    gallery = scale(3, usual.u("gallery_volume_cm3") / usual["gallery_volume_cm3"])
    fill = np.stack([gallery, scale(7, relative("filter_volume_L")) * share(14, "filter_new")]) / (
        pump * on_oil
    )

    grade_u = float(read_oils().u_relative[0 if bits & BIT["oil_grade"] else 1])
    kelvin = usual.u("oil_temperature_degC") if bits & BIT["oil_temperature_degC"] else RECORDED_TEMPERATURE_U
    kelvin = max(kelvin, 5.0) if bits & AIR_TEMPERATURE else kelvin
    thick = scale(8, float(np.hypot(grade_u, VISCOSITY_U_PER_K * kelvin)))
    speed_u = (
        usual.u("hand_speed_rpm") / usual["hand_speed_rpm"]
        if bits & BIT["turning_speed_rpm"]
        else RECORDED_U["turning_speed_rpm"]
    )
    drop = thick * length * pump * on_air * scale(11, speed_u) / bore**4
    tank, shift = np.ones(POINTS), np.zeros(POINTS)
    if bits & BIT["tank_overpressure_bar"]:
        drawn = usual["tank_overpressure_bar"] + usual.u("tank_overpressure_bar") * z[:, 9]
        shift = np.maximum(drawn, 0.0) - usual["tank_overpressure_bar"]
    elif not bits & TANK_VENTED:
        tank = scale(9, RECORDED_U["tank_overpressure_bar"])
    head_u = usual.u("tank_head_m") if bits & BIT["tank_head_m"] else RECORDED_U["tank_head_m"]
    shift = shift + head_bar(870.0, head_u) * z[:, 10]
    elevation_u = usual.u("elevation_m") * 1.2e-4 if bits & BIT["elevation_m"] else 0.0  # 12 % a km
    ambient = scale(15, float(np.hypot(RECORDED_U["ambient"], elevation_u)))
    squeeze = np.stack([np.ones(POINTS), tank, shift, -drop]) / ambient
    return air, fill, squeeze


__all__ = ["COLUMNS", "STATES", "TYPE_UNKNOWN", "expected_rotations"]
