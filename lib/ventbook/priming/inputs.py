"""What a venting's record gives the expectation, and the engine type's usual values where it gives nothing.

Values that can't be used (a bore of 0, a negative volume) count as not recorded. A missing value is only
missing where it would be used: with filled lines and cooler nothing of the suction side is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook import dictionary, oil
from ventbook.priming.formula import Floats

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
}
BIT = {name: 1 << i for i, name in enumerate(TAKEN)}
TANK_VENTED = 1 << len(TAKEN)  # recorded as not pressurised: nothing uncertain about it
AIR_TEMPERATURE = 1 << len(TAKEN) + 1  # the air's temperature stands in for the oil's
EXTRAPOLATED = 1 << len(TAKEN) + 2
TYPE_UNKNOWN = 1 << len(TAKEN) + 3
FLAGS = len(TAKEN) + 4
_SUCTION_ONLY = (
    "suction_line_length_m",
    "suction_line_bore_mm",
    "tank_overpressure_bar",
    "tank_head_m",
    "elevation_m",
    "oil_temperature_degC",
    "oil_grade",
    "turning_speed_rpm",
)


@dataclass(frozen=True)
class Inputs:
    """Arrays of one length: ``value`` by name, ``taken`` bits of what did not come from the record.

    ``types`` are the engine types' usual values, ``type_code`` each row's place among them.
    """

    value: dict[str, Floats]
    taken: npt.NDArray[np.int64]
    types: list[dictionary.EngineTypeValues]
    type_code: npt.NDArray[np.int64]
    enough: npt.NDArray[np.bool_]


def numbers(frame: pd.DataFrame, name: str) -> Floats:
    """A column as float64, all missing where the frame has none; yes/no as 1.0 and 0.0."""
    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    return frame[name].to_numpy(dtype=np.float64, na_value=np.nan)


def texts(frame: pd.DataFrame, name: str) -> tuple[npt.NDArray[np.int64], list[str]]:
    """Codes (-1 missing) and the distinct texts of a column."""
    if name not in frame.columns:
        return np.full(len(frame), -1, dtype=np.int64), []
    codes, names = pd.factorize(frame[name].astype("str"))
    return codes.astype(np.int64), [str(n) for n in names]


def _by_text(frame: pd.DataFrame, name: str, meaning: dict[str, float], default: float) -> Floats:
    codes, names = texts(frame, name)
    return np.array([meaning.get(n, default) for n in names] + [default])[codes]


def _engine_types(frame: pd.DataFrame) -> tuple[list[dictionary.EngineTypeValues], npt.NDArray[np.int64]]:
    codes, names = texts(frame, "engine_type")
    return [dictionary.engine_type_values(n) for n in [*names, "*"]], np.where(codes < 0, len(names), codes)


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
        recorded = numbers(frame, name)
        take(name, recorded, (recorded > 0) & np.isfinite(recorded), usual(name))
    for name in ("cooler_volume_L", "filter_volume_L", "tank_overpressure_bar"):
        recorded = numbers(frame, name)
        take(name, recorded, (recorded >= 0) & np.isfinite(recorded), usual(name))
    for name in ("lines_empty", "cooler_empty", "filter_new"):
        recorded = numbers(frame, name)
        take(name, recorded, ~np.isnan(recorded), usual(name))
    head, height = numbers(frame, "tank_head_m"), numbers(frame, "elevation_m")
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
    for name in (
        "air_efficiency",
        "oil_efficiency",
        "gallery_volume_cm3",
        "dry_pump_suction_bar",
        "suction_floor_bar",
    ):
        value[name] = usual(name)
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
    oil_t, air_t = numbers(frame, "oil_temperature_degC"), numbers(frame, "ambient_temperature_degC")
    recorded, air = (oil_t > -60) & (oil_t < 200), (air_t > -60) & (air_t < 60)
    value["oil_temperature_degC"] = temperature = np.where(recorded, oil_t, np.where(air, air_t, fallback))
    taken[~recorded & air] |= AIR_TEMPERATURE
    taken[~recorded & ~air] |= BIT["oil_temperature_degC"]
    taken[oil.extrapolated(temperature)] |= EXTRAPOLATED


def _read_speed(
    frame: pd.DataFrame,
    value: dict[str, Floats],
    taken: npt.NDArray[np.int64],
    types: list[dictionary.EngineTypeValues],
    code: npt.NDArray[np.int64],
) -> None:
    """Turning speed at the crankshaft; recorded at the place where the rotations were counted."""
    usual = {n: np.array([t[n] for t in types])[code] for n in
             ("propeller_reduction", "propeller_blades", "hand_speed_rpm", "starter_speed_rpm")}  # fmt: skip
    reduction, blades = numbers(frame, "propeller_reduction"), numbers(frame, "propeller_blades")
    reduction = np.where(reduction > 0, reduction, usual["propeller_reduction"])
    blades = np.where(blades >= 1, blades, usual["propeller_blades"])
    place = _by_text(frame, "rotations_counted_at", {"propeller": 1.0, "crankshaft": 2.0, "blade": 3.0}, 2.0)
    per_count = np.select([place == 1.0, place == 3.0], [reduction, reduction / blades], 1.0)
    recorded = numbers(frame, "turning_speed_rpm") * per_count
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
    taken[value["tank_overpressure_bar"] == 0] |= TANK_VENTED


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
