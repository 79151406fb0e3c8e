"""The gap of a lifter under force: what air and leak-down make of it, and what a reading says of them."""

from ventbook.physics.lifter.cause import (
    CAUSES,
    SURE,
    FirstPress,
    Readings,
    cause_probabilities,
    kind_likelihoods,
    name_cause,
)
from ventbook.physics.lifter.motion import (
    air_travel_mm,
    chamber_rise_bar,
    clearance_of_growth_um,
    gap_mm,
    growth_times,
    growth_um_per_s,
    leakage_flow_mm3_per_s,
    plunger_area_mm2,
    scale_first_press,
    split_readings,
    squeezed_share,
    trapped_air_mm3,
)
from ventbook.physics.lifter.split import STATES, correct_to_reference, split_gaps, tell_after_run
from ventbook.physics.lifter.spread import Press, intervals_of_two

__all__ = [
    "CAUSES",
    "STATES",
    "SURE",
    "FirstPress",
    "Press",
    "Readings",
    "air_travel_mm",
    "cause_probabilities",
    "chamber_rise_bar",
    "clearance_of_growth_um",
    "correct_to_reference",
    "gap_mm",
    "growth_times",
    "growth_um_per_s",
    "intervals_of_two",
    "kind_likelihoods",
    "leakage_flow_mm3_per_s",
    "name_cause",
    "plunger_area_mm2",
    "scale_first_press",
    "split_gaps",
    "split_readings",
    "squeezed_share",
    "tell_after_run",
    "trapped_air_mm3",
]
