"""Rotations a venting needs: physics of filling the oil system, term by term and with interval."""

from ventbook.physics.priming.calibrate import FleetCalibration, calibrate_fleet
from ventbook.physics.priming.expect import COLUMNS, STATES, expected_rotations
from ventbook.physics.priming.formula import (
    head_bar,
    line_drop_bar,
    line_volume_cm3,
    pressure_side_rotations,
    rotations_to_prime,
    suction_rotations,
)
from ventbook.physics.priming.inputs import COLUMNS as OPEN_COLUMNS
from ventbook.physics.priming.inputs import cranking_pressure
from ventbook.physics.priming.picture import LetThrough, check_let_through, smooth_ratio
from ventbook.physics.priming.ratio import (
    RatioScale,
    StopRule,
    check_stop_rule,
    estimate_ratio,
    expectation_u_log,
    find_long,
    measure_scale,
    usable_counts,
)

__all__ = [
    "COLUMNS",
    "OPEN_COLUMNS",
    "STATES",
    "FleetCalibration",
    "LetThrough",
    "RatioScale",
    "StopRule",
    "calibrate_fleet",
    "check_let_through",
    "check_stop_rule",
    "cranking_pressure",
    "estimate_ratio",
    "expectation_u_log",
    "expected_rotations",
    "find_long",
    "head_bar",
    "line_drop_bar",
    "line_volume_cm3",
    "measure_scale",
    "pressure_side_rotations",
    "rotations_to_prime",
    "smooth_ratio",
    "suction_rotations",
    "usable_counts",
]
