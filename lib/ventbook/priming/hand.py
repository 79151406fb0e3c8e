"""The pressure a primed engine shows when it is turned by hand.

Oil through the bearings is laminar: pressure goes with viscosity times flow. One running point of the engine type
(some bar at some flow, hot) gives every other::

    p = p_hot (mu Q) / (mu_hot Q_hot),   Q = eo D n

So a warm engine may be well primed and still never show its threshold: "not shown" then means nothing.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from ventbook import oil
from ventbook.oil import find_grades, read_oils, viscosity_of_rows
from ventbook.priming.inputs import (
    AIR_TEMPERATURE,
    BIT,
    EXTRAPOLATED,
    RECORDED_TEMPERATURE_U,
    RECORDED_U,
    TYPE_UNKNOWN,
    VISCOSITY_U_PER_K,
    numbers,
    read_inputs,
    write_notes,
)

STATES = ("shows", "may_not_show", "does_not_show", "not_recorded")
_MARKS = sum(
    BIT[n] for n in ("pump_displacement_cm3", "oil_temperature_degC", "oil_grade", "turning_speed_rpm")
)
_THRESHOLD_TAKEN = 1 << 40


def hand_pressure(frame: pd.DataFrame, *, level: float = 0.9) -> pd.DataFrame:
    """Pressure [bar] that each venting's engine, once primed, shows at its turning speed and oil temperature.

    ``frame`` as for :func:`expected_rotations`, with ``pressure_threshold_bar``. Returns ``hand_pressure_bar``,
    ``hand_low_bar``, ``hand_high_bar`` (interval of ``level``), ``hand_threshold_bar``, ``hand_shows_probability``,
    ``hand_state`` and ``hand_note``. State: ``shows`` (threshold under the interval), ``does_not_show`` (over it),
    ``may_not_show`` between, ``not_recorded`` where neither engine nor type is known. In the last two a venting
    without pressure shown is no sign of a fault.
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
    flow = v["oil_efficiency"] * v["pump_displacement_cm3"] * v["turning_speed_rpm"] / 60.0
    pressure = usual("hot_pressure_bar") * v["viscosity_Pa_s"] * flow / (hot * usual("hot_flow_cm3_per_s"))
    oil_t, speed = numbers(frame, "oil_temperature_degC"), numbers(frame, "turning_speed_rpm")
    kelvin = np.where(
        np.isfinite(oil_t),
        RECORDED_TEMPERATURE_U,
        np.array([t.u("oil_temperature_degC") for t in inputs.types])[code],
    )
    own_d = (inputs.taken & BIT["pump_displacement_cm3"]) == 0
    u = np.sqrt(
        relative("hot_pressure_bar") ** 2
        + relative("hot_flow_cm3_per_s") ** 2
        + relative("oil_efficiency") ** 2
        + np.where(own_d, RECORDED_U["pump_displacement_cm3"], relative("pump_displacement_cm3")) ** 2
        + np.where(speed > 0, RECORDED_U["turning_speed_rpm"], relative("hand_speed_rpm")) ** 2
        + np.where(known, 0.15, read_oils().u_relative[0]) ** 2
        + (VISCOSITY_U_PER_K * kelvin) ** 2
    )
    threshold = numbers(frame, "pressure_threshold_bar")
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
            "hand_state": pd.Series(np.array(STATES, dtype=object)[state], index=frame.index, dtype="str"),
            "hand_note": pd.Series(
                write_notes(marks, {_THRESHOLD_TAKEN: "usual threshold taken"}),
                index=frame.index,
                dtype="str",
            ),
        },
        index=frame.index,
    )
