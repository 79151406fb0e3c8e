"""Report 03: rotations until oil pressure showed, against what lines, volumes and oil make expected."""

from ventbook.reports.rotations_to_prime.page import (
    against_expected,
    answer,
    by_group,
    could_show,
    counted,
    does_physics_pay,
    far_longer,
    limitations,
    methods,
    stop_rule,
    tier_of,
)

__all__ = [
    "against_expected",
    "answer",
    "by_group",
    "could_show",
    "counted",
    "does_physics_pay",
    "far_longer",
    "limitations",
    "methods",
    "stop_rule",
    "tier_of",
]
