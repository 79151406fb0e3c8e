"""Rotations a venting needs: physics of filling the oil system, term by term and with interval."""

from ventbook.physics.priming.calibrate import FleetCalibration, calibrate_fleet
from ventbook.physics.priming.constants import Constants, fit_constants, take_counts
from ventbook.physics.priming.expect import COLUMNS, MAY_STALL, STATES, expected_rotations
from ventbook.physics.priming.formula import (
    bubble_rise_m_per_s,
    head_bar,
    let_through_per_s_bar,
    line_drop_bar,
    line_volume_cm3,
    rotations_to_prime,
    slip_Pa,
)
from ventbook.physics.priming.inputs import COLUMNS as OPEN_COLUMNS
from ventbook.physics.priming.inputs import cranking_pressure
from ventbook.physics.priming.picture import LetThrough, check_let_through, count_layered, smooth_ratio
from ventbook.physics.priming.ratio import (
    RatioScale,
    StopRule,
    check_stop_rule,
    estimate_ratio,
    find_long,
    measure_scale,
    usable_counts,
)
from ventbook.physics.priming.seen import describe_constants
from ventbook.physics.priming.spread import SPREAD_COLUMNS

__all__ = [
    "COLUMNS",
    "MAY_STALL",
    "OPEN_COLUMNS",
    "SPREAD_COLUMNS",
    "STATES",
    "Constants",
    "FleetCalibration",
    "LetThrough",
    "RatioScale",
    "StopRule",
    "bubble_rise_m_per_s",
    "calibrate_fleet",
    "check_let_through",
    "check_stop_rule",
    "count_layered",
    "cranking_pressure",
    "describe_constants",
    "estimate_ratio",
    "expected_rotations",
    "find_long",
    "fit_constants",
    "head_bar",
    "let_through_per_s_bar",
    "line_drop_bar",
    "line_volume_cm3",
    "measure_scale",
    "rotations_to_prime",
    "slip_Pa",
    "smooth_ratio",
    "take_counts",
    "usable_counts",
]
