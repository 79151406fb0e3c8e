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

__all__ = [
    "COLUMNS",
    "STATES",
    "FleetCalibration",
    "calibrate_fleet",
    "expected_rotations",
    "explain_terms",
    "hand_pressure",
    "head_bar",
    "line_drop_bar",
    "line_volume_cm3",
    "pressure_side_rotations",
    "rotations_to_prime",
    "suction_rotations",
]
