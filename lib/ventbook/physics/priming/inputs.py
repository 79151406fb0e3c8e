"""What a venting's record gives the expectation, what stays open of it, and the cranking pressure of a primed engine.

The engine type's usual value stands in where the record gives none. Values that can't be used (a bore of 0, a negative volume)
count as not recorded, and a value is missing only where it would be used: with filled lines and cooler nothing of the suction
side is asked for. A blank "empty?" is not half an empty line: it is a full one or an empty one, and a site that leaves it blank
mostly leaves the same answer blank; so the expectation is kept with all blanks as "no", beside what each "yes" would add.

When a primed engine is turned by hand, oil through the bearings is laminar and pressure goes with viscosity times flow, so that
one running point of the engine type (some bar at some flow, hot) gives every other::

    p = p_hot (mu Q) / (mu_hot Q_hot),   Q = eo D n

A warm engine may then be well primed and still never show its threshold: "not shown" means nothing there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook import distributions as stats
from ventbook import tables
from ventbook.numerics import Floats, read_numbers
from ventbook.physics import oil
from ventbook.physics.oil import find_grades, read_oils, viscosity_of_rows
from ventbook.physics.priming.formula import line_volume_cm3

# Standard uncertainties of recorded values, relative (common practice, no source), except head in m. The two line
# values together give 10 % on the line's volume; the barometer moves 2 % with the weather.
RECORDED_U = {
    "pump_displacement_cm3": 0.03,
    "suction_line_length_m": 0.03,
    "suction_line_bore_mm": 0.045,
    "cooler_volume_L": 0.10,
    "filter_volume_L": 0.10,
    "tank_overpressure_bar": 0.05,
    "tank_head_m": 0.05,
    "turning_speed_rpm": 0.20,
    "pressurised_before_turning_s": 0.15,
    "ambient": 0.02,
}
VISCOSITY_U_PER_K = 0.05  # relative change of viscosity a kelvin, near 20 degC
RECORDED_TEMPERATURE_U = 2.0  # K

# name in the record -> words in the note, in the order of the bits of Inputs.taken
TAKEN = {
    "pump_displacement_cm3": "pump displacement",
    "suction_line_length_m": "suction line length",
    "suction_line_bore_mm": "suction line bore",
    "cooler_volume_L": "cooler volume",
    "filter_volume_L": "filter volume",
    "lines_empty": "lines empty or filled",
    "cooler_empty": "cooler empty or filled",
    "filter_new": "filter new or not",
    "tank_overpressure_bar": "tank overpressure",
    "tank_head_m": "oil level over the pump",
    "elevation_m": "elevation",
    "oil_temperature_degC": "oil temperature",
    "oil_grade": "oil grade",
    "turning_speed_rpm": "turning speed",
    "pressurised_before_turning_s": "time under tank pressure",
}
BIT = {name: 1 << i for i, name in enumerate(TAKEN)}
TANK_VENTED = 1 << len(TAKEN)  # recorded as not pressurised: nothing uncertain about it
AIR_TEMPERATURE = 1 << len(TAKEN) + 1  # the air's temperature stands in for the oil's
EXTRAPOLATED = 1 << len(TAKEN) + 2
TYPE_UNKNOWN = 1 << len(TAKEN) + 3
FLAGS = len(TAKEN) + 4
READ = (
    *TAKEN,
    "engine_type",
    "ambient_temperature_degC",
    "gallery_drained",
    "propeller_blades",
    "propeller_reduction",
    "pump_wetted",
    "rotations_counted_at",
    "turned_by",
)
"""Columns that :func:`read_inputs` reads."""
_SUCTION_ONLY = (
    "suction_line_length_m",
    "suction_line_bore_mm",
    "tank_overpressure_bar",
    "tank_head_m",
    "elevation_m",
    "oil_temperature_degC",
    "oil_grade",
    "turning_speed_rpm",
    "pressurised_before_turning_s",
)
BLANKS = {
    "lines_empty": "expected_stake_lines",
    "cooler_empty": "expected_stake_cooler",
    "filter_new": "expected_stake_filter",
}
"""Field of the record -> rotations that "yes" adds to "no", 0 where the record says which."""
COLUMNS = ("expected_least", *BLANKS.values(), "expected_u_sizes")
CRANKING_STATES = ("shows", "may_not_show", "does_not_show", "not_recorded")
_MARKS = sum(
    BIT[n] for n in ("pump_displacement_cm3", "oil_temperature_degC", "oil_grade", "turning_speed_rpm")
)
_THRESHOLD_TAKEN = 1 << 40


@dataclass(frozen=True)
class Inputs:
    """Arrays of one length: ``value`` by name, ``taken`` bits of what did not come from the record.

    ``types`` are the engine types' usual values, ``type_code`` each row's place among them.
    """

    value: dict[str, Floats]
    taken: npt.NDArray[np.int64]
    types: list[tables.EngineTypeValues]
    type_code: npt.NDArray[np.int64]
    enough: npt.NDArray[np.bool_]


def texts(frame: pd.DataFrame, name: str) -> tuple[npt.NDArray[np.int64], list[str]]:
    """Codes (-1 missing) and the distinct texts of a column."""
    if name not in frame.columns:
        return np.full(len(frame), -1, dtype=np.int64), []
    codes, names = pd.factorize(frame[name].astype("str"))
    return codes.astype(np.int64), [str(n) for n in names]


def _by_text(frame: pd.DataFrame, name: str, meaning: dict[str, float], default: float) -> Floats:
    codes, names = texts(frame, name)
    return np.array([meaning.get(n, default) for n in names] + [default])[codes]


def _engine_types(frame: pd.DataFrame) -> tuple[list[tables.EngineTypeValues], npt.NDArray[np.int64]]:
    codes, names = texts(frame, "engine_type")
    return [tables.engine_type_values(n) for n in [*names, "*"]], np.where(codes < 0, len(names), codes)


def read_inputs(frame: pd.DataFrame) -> Inputs:
    """The inputs of the expectation for each row of ``frame`` (stored column names; absent columns count as
    not recorded). ``speed`` becomes crankshaft rpm, volumes cm3.
    """
    types, code = _engine_types(frame)
    taken = np.zeros(len(frame), dtype=np.int64)
    value: dict[str, Floats] = {}

    def usual(name: str) -> Floats:
        return np.array([t[name] for t in types])[code]

    def take(name: str, recorded: Floats, usable: npt.NDArray[np.bool_], fallback: Floats) -> None:
        value[name] = np.where(usable, recorded, fallback)
        taken[~usable] |= BIT[name]

    for name in ("pump_displacement_cm3", "suction_line_length_m", "suction_line_bore_mm"):
        recorded = read_numbers(frame, name)
        take(name, recorded, (recorded > 0) & np.isfinite(recorded), usual(name))
    for name in (
        "cooler_volume_L",
        "filter_volume_L",
        "tank_overpressure_bar",
        "pressurised_before_turning_s",
    ):
        recorded = read_numbers(frame, name)
        take(name, recorded, (recorded >= 0) & np.isfinite(recorded), usual(name))
    for name in ("lines_empty", "cooler_empty", "filter_new"):
        recorded = read_numbers(frame, name)
        take(name, recorded, ~np.isnan(recorded), usual(name))
    head, height = read_numbers(frame, "tank_head_m"), read_numbers(frame, "elevation_m")
    take("tank_head_m", head, np.isfinite(head), usual("tank_head_m"))
    take("elevation_m", height, (height > -2000) & (height < 11000), usual("elevation_m"))
    _read_temperature(frame, value, taken, usual("oil_temperature_degC"))
    _read_speed(frame, value, taken, types, code)
    rows, known = oil.find_grades(frame["oil_grade"] if "oil_grade" in frame.columns else [None] * len(frame))
    taken[~known] |= BIT["oil_grade"]
    value["viscosity_Pa_s"], value["density_kg_per_m3"] = oil.viscosity_of_rows(
        rows, value["oil_temperature_degC"]
    )
    value["ambient_bar"] = oil.ambient_pressure_bar(value["elevation_m"])
    for name in ("air_efficiency", "oil_efficiency", "gallery_volume_cm3", "suction_floor_bar"):
        value[name] = usual(name)
    # galleries that the record calls not drained are full but for a part; without the record they are filled each time
    drained = read_numbers(frame, "gallery_drained")
    value["gallery_volume_cm3"] = value["gallery_volume_cm3"] * np.where(
        drained == 0, usual("gallery_left_empty"), 1.0
    )
    left = np.array([t.u("gallery_left_empty") / t["gallery_left_empty"] for t in types])[code]
    value["gallery_u"] = np.where(drained == 0, left, 0.0)
    value["pump_wetted"] = read_numbers(frame, "pump_wetted")
    _drop_what_is_not_used(value, taken)
    known_type = np.array([t.known for t in types])[code]
    taken[~known_type] |= TYPE_UNKNOWN
    # with neither the engine nor its lines known there is nothing to work from
    nothing = BIT["pump_displacement_cm3"] | BIT["lines_empty"] | BIT["cooler_empty"]
    enough = known_type | ((taken & nothing) != nothing)
    return Inputs(value, taken, types, code, enough)


def _read_temperature(
    frame: pd.DataFrame, value: dict[str, Floats], taken: npt.NDArray[np.int64], fallback: Floats
) -> None:
    """Oil temperature, else the air's (marked: an engine at rest takes it), else the usual one."""
    oil_t, air_t = (
        read_numbers(frame, "oil_temperature_degC"),
        read_numbers(frame, "ambient_temperature_degC"),
    )
    recorded, air = (oil_t > -60) & (oil_t < 200), (air_t > -60) & (air_t < 60)
    value["oil_temperature_degC"] = temperature = np.where(recorded, oil_t, np.where(air, air_t, fallback))
    taken[~recorded & air] |= AIR_TEMPERATURE
    taken[~recorded & ~air] |= BIT["oil_temperature_degC"]
    taken[oil.extrapolated(temperature)] |= EXTRAPOLATED


def _read_speed(
    frame: pd.DataFrame,
    value: dict[str, Floats],
    taken: npt.NDArray[np.int64],
    types: list[tables.EngineTypeValues],
    code: npt.NDArray[np.int64],
) -> None:
    """Turning speed at the crankshaft; recorded at the place where the rotations were counted."""
    usual = {n: np.array([t[n] for t in types])[code] for n in
             ("propeller_reduction", "propeller_blades", "hand_speed_rpm", "starter_speed_rpm")}  # fmt: skip
    reduction, blades = read_numbers(frame, "propeller_reduction"), read_numbers(frame, "propeller_blades")
    reduction = np.where(reduction > 0, reduction, usual["propeller_reduction"])
    blades = np.where(blades >= 1, blades, usual["propeller_blades"])
    place = _by_text(frame, "rotations_counted_at", {"propeller": 1.0, "crankshaft": 2.0, "blade": 3.0}, 2.0)
    per_count = np.select([place == 1.0, place == 3.0], [reduction, reduction / blades], 1.0)
    recorded = read_numbers(frame, "turning_speed_rpm") * per_count
    by_starter = _by_text(frame, "turned_by", {"starter": 1.0}, 0.0) > 0
    fallback = np.where(by_starter, usual["starter_speed_rpm"], usual["hand_speed_rpm"])
    usable = (recorded > 0) & np.isfinite(recorded)
    value["turning_speed_rpm"] = np.where(usable, recorded, fallback)
    taken[~usable] |= BIT["turning_speed_rpm"]


def _drop_what_is_not_used(value: dict[str, Floats], taken: npt.NDArray[np.int64]) -> None:
    """Clear the marks of values that the answer doesn't use, and set those volumes to 0."""
    cooler, filtering = value["cooler_empty"] > 0, value["filter_new"] > 0
    no_cooler = (value["cooler_volume_L"] == 0) & ((taken & BIT["cooler_volume_L"]) == 0)
    taken[~cooler] &= ~BIT["cooler_volume_L"]
    taken[no_cooler] &= ~BIT["cooler_empty"]
    taken[~filtering] &= ~BIT["filter_volume_L"]
    filled = (value["lines_empty"] == 0) & (~cooler | no_cooler)
    taken[filled] &= ~sum(BIT[name] for name in _SUCTION_ONLY) & ~AIR_TEMPERATURE & ~EXTRAPOLATED
    short = value["lines_empty"] == 0
    taken[short] &= ~(BIT["suction_line_length_m"] | BIT["suction_line_bore_mm"])
    vented = value["tank_overpressure_bar"] == 0
    taken[vented] |= TANK_VENTED
    taken[vented] &= ~BIT["pressurised_before_turning_s"]


def write_notes(taken: npt.NDArray[np.int64], extra: dict[int, str]) -> npt.NDArray[np.object_]:
    """One sentence a row on what did not come from the record; ``extra`` maps further flags to their words."""
    codes, distinct = pd.factorize(taken)
    words = np.array([_note(int(bits), extra) for bits in distinct], dtype=object)
    return words[codes]


def _note(bits: int, extra: dict[int, str]) -> str:
    parts = [text for flag, text in extra.items() if bits & flag]
    if bits & TYPE_UNKNOWN:
        parts.append("engine type not in the table")
    names = [text for name, text in TAKEN.items() if bits & BIT[name]]
    if names:
        parts.append(f"usual value taken for {', '.join(names)}")
    if bits & AIR_TEMPERATURE:
        parts.append("air temperature taken for the oil's")
    if bits & EXTRAPOLATED:
        parts.append("viscosity extrapolated")
    return "; ".join(parts)


def open_parts(
    inputs: Inputs, *, total: Floats, side: Floats, air_cm3: Floats, efficiency: Floats
) -> dict[str, Floats]:
    """COLUMNS for each row: the expectation with every blank as "no", the stakes, and the log uncertainty of sizes.

    ``total`` and ``side`` are the rotations expected, of all and of the pressure side, ``efficiency`` the pump's on oil. ``expected_u_sizes`` is
    what displacement, line, cooler and filter volume leave open where the engine type's usual value stands in: an error that all ventings of
    the type share.
    """
    v = inputs.value
    swept = v["pump_displacement_cm3"]
    with np.errstate(divide="ignore", invalid="ignore"):
        on_air = np.where(air_cm3 > 0, (total - side) / air_cm3, 0.0)
    whole = {
        "lines_empty": line_volume_cm3(v["suction_line_length_m"], v["suction_line_bore_mm"]) * on_air,
        "cooler_empty": v["cooler_volume_L"] * 1e3 * on_air,
        "filter_new": v["filter_volume_L"] * 1e3 / (efficiency * swept),
    }
    out, least = {}, total.copy()
    for name, column in BLANKS.items():
        open_ = ((inputs.taken & BIT[name]) != 0) & (v[name] > 0) & (v[name] < 1)
        out[column] = np.where(open_, whole[name], 0.0)
        least = least - np.where(open_, whole[name] * v[name], 0.0)
    sizes = {
        "pump_displacement_cm3": (1.0, np.ones_like(swept)),
        "suction_line_length_m": (1.0, whole["lines_empty"] * v["lines_empty"]),
        "suction_line_bore_mm": (2.0, whole["lines_empty"] * v["lines_empty"]),
        "cooler_volume_L": (1.0, whole["cooler_empty"] * v["cooler_empty"]),
        "filter_volume_L": (1.0, whole["filter_new"] * v["filter_new"]),
    }
    square = np.zeros_like(swept)
    for name, (power, part) in sizes.items():
        relative = np.array([t.u(name) / t[name] if t[name] else 0.0 for t in inputs.types])[inputs.type_code]
        share = part if name == "pump_displacement_cm3" else part / total
        square += np.where((inputs.taken & BIT[name]) != 0, (power * relative * share) ** 2, 0.0)
    return {"expected_least": least, **out, "expected_u_sizes": np.sqrt(square)}


def list_options(used: pd.DataFrame) -> Floats:
    """Log expectation of each row under every answer to its blanks, (n, 8); NaN where the record already says.

    Rows without blanks, and frames without these columns, have one option: the expectation as it is.
    """
    n = len(used)
    out = np.full((n, 2 ** len(BLANKS)), np.nan)
    if "expected_least" not in used.columns:
        out[:, 0] = used["_expected"].to_numpy(float)
        return out
    stakes = np.column_stack([used[name].to_numpy(float) for name in BLANKS.values()])
    for k in range(out.shape[1]):
        yes = np.array([(k >> i) & 1 for i in range(len(BLANKS))], dtype=float)
        possible = ~((stakes <= 0) & (yes > 0)).any(axis=1)
        out[possible, k] = np.log(used["expected_least"].to_numpy(float) + stakes @ yes)[possible]
    return out


def shared_u_log(used: pd.DataFrame) -> float:
    """Log uncertainty of the mean expectation of ``used`` from sizes that an engine type's ventings share."""
    if "expected_u_sizes" not in used.columns:
        return 0.0
    by_type = used.groupby("engine_type")["expected_u_sizes"].agg(["mean", "size"])
    return float(np.sqrt(((by_type["mean"] * by_type["size"] / len(used)) ** 2).sum()))


def cranking_pressure(frame: pd.DataFrame, *, level: float = 0.9) -> pd.DataFrame:
    """Pressure that each venting's engine, once primed, shows at its turning speed and oil temperature.

    Parameters
    ----------
    frame : DataFrame
        One row a venting, as for :func:`expected_rotations`, with ``pressure_threshold_bar``.
    level : float
        Confidence level of the interval, 0.9 = 90 %.

    Returns
    -------
    DataFrame
        Of the same index: ``hand_pressure_bar`` with ``hand_low_bar`` and ``hand_high_bar`` (interval of
        ``level``), ``hand_threshold_bar``, ``hand_shows_probability``, ``hand_state`` and ``hand_note``.
        State: ``shows`` (threshold under the interval), ``does_not_show`` (over it), ``may_not_show``
        between, ``not_recorded`` where neither engine nor type is known. Where it does not or may not show, a
        venting without pressure shown is no sign of a fault.

    Raises
    ------
    ValueError
        For a level outside (0, 1).

    Notes
    -----
    Oil through the bearings is laminar: ``p = p_hot mu Q / (mu_hot Q_hot)``, from one running point of the
    engine type.

    Examples
    --------
    Cold thick oil shows at once; the same engine warm may not:

    >>> import pandas as pd
    >>> from ventbook.physics import priming
    >>> ventings = pd.DataFrame(
    ...     {"engine_type": "flat4", "oil_grade": "20W-50", "oil_temperature_degC": [15.0, 90.0], "turning_speed_rpm": 30.0}
    ... )
    >>> priming.cranking_pressure(ventings)["hand_state"].tolist()
    ['shows', 'does_not_show']
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must be between 0 and 1; got {level!r}")
    inputs = read_inputs(frame)
    v, code = inputs.value, inputs.type_code

    def usual(name: str) -> np.ndarray:
        return np.array([t[name] for t in inputs.types])[code]

    def relative(name: str) -> np.ndarray:
        return np.array([t.u(name) / t[name] for t in inputs.types])[code]

    # the marks of read_inputs are cleared where the suction side is filled, so ask the frame again
    grades = frame["oil_grade"] if "oil_grade" in frame.columns else [None] * len(frame)
    rows, known = find_grades(grades)
    hot = viscosity_of_rows(rows, usual("hot_temperature_degC"))[0]
    flow = usual("hand_efficiency") * v["pump_displacement_cm3"] * v["turning_speed_rpm"] / 60.0
    pressure = usual("hot_pressure_bar") * v["viscosity_Pa_s"] * flow / (hot * usual("hot_flow_cm3_per_s"))
    oil_t, speed = read_numbers(frame, "oil_temperature_degC"), read_numbers(frame, "turning_speed_rpm")
    kelvin = np.where(
        np.isfinite(oil_t),
        RECORDED_TEMPERATURE_U,
        np.array([t.u("oil_temperature_degC") for t in inputs.types])[code],
    )
    own_d = (inputs.taken & BIT["pump_displacement_cm3"]) == 0
    u = np.sqrt(
        relative("hot_pressure_bar") ** 2
        + relative("hot_flow_cm3_per_s") ** 2
        + relative("hand_efficiency") ** 2
        + np.where(own_d, RECORDED_U["pump_displacement_cm3"], relative("pump_displacement_cm3")) ** 2
        + np.where(speed > 0, RECORDED_U["turning_speed_rpm"], relative("hand_speed_rpm")) ** 2
        + np.where(known, 0.15, read_oils().u_relative[0]) ** 2
        + (VISCOSITY_U_PER_K * kelvin) ** 2
    )
    threshold = read_numbers(frame, "pressure_threshold_bar")
    taken = ~(threshold > 0)
    threshold = np.where(taken, usual("pressure_threshold_bar"), threshold)
    z = stats.norm.ppf(0.5 + level / 2.0)
    low, high = pressure * np.exp(-z * u), pressure * np.exp(z * u)
    enough = inputs.enough
    state = np.select([~enough, low >= threshold, high < threshold], [3, 0, 2], 1)
    marks = inputs.taken & (_MARKS | AIR_TEMPERATURE | EXTRAPOLATED | TYPE_UNKNOWN)
    marks[~known] |= BIT["oil_grade"]
    marks[oil.extrapolated(v["oil_temperature_degC"])] |= EXTRAPOLATED
    marks[taken] |= _THRESHOLD_TAKEN

    def shown(values: np.ndarray) -> np.ndarray:
        return np.where(enough, values, np.nan)

    return pd.DataFrame(
        {
            "hand_pressure_bar": shown(pressure),
            "hand_low_bar": shown(low),
            "hand_high_bar": shown(high),
            "hand_threshold_bar": threshold,
            "hand_shows_probability": shown(stats.norm.cdf(np.log(pressure / threshold) / u)),
            "hand_state": pd.Series(
                np.array(CRANKING_STATES, dtype=object)[state], index=frame.index, dtype="str"
            ),
            "hand_note": pd.Series(
                write_notes(marks, {_THRESHOLD_TAKEN: "usual threshold taken"}),
                index=frame.index,
                dtype="str",
            ),
        },
        index=frame.index,
    )
