"""Rotations a venting needs: physics of filling the oil system, term by term and with interval."""

from ventbook.priming.calibrate import FleetCalibration, calibrate_fleet
from ventbook.priming.expect import COLUMNS, STATES, expected_rotations, explain_terms
from ventbook.priming.formula import (
    head_bar,
    line_drop_bar,
    line_volume_cm3,
    pressure_side_rotations,
    rotations_to_prime,
    suction_rotations,
)
from ventbook.priming.hand import hand_pressure
from ventbook.priming.ratio import (
    RatioScale,
    estimate_ratio,
    expectation_u_log,
    find_long,
    measure_scale,
    usable_counts,
)
from ventbook.priming.unrecorded import COLUMNS as OPEN_COLUMNS

__all__ = [
    "COLUMNS",
    "OPEN_COLUMNS",
    "STATES",
    "FleetCalibration",
    "RatioScale",
    "calibrate_fleet",
    "estimate_ratio",
    "expectation_u_log",
    "expected_rotations",
    "explain_terms",
    "find_long",
    "hand_pressure",
    "head_bar",
    "line_drop_bar",
    "line_volume_cm3",
    "measure_scale",
    "pressure_side_rotations",
    "rotations_to_prime",
    "suction_rotations",
    "usable_counts",
]
