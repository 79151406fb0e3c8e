"""Report 03: rotations until oil pressure showed, against what lines, volumes and oil make expected."""

from ventbook.pages.rotations_to_prime.counts import counted, tier_of
from ventbook.pages.rotations_to_prime.expected import against_expected, by_group, does_physics_pay
from ventbook.pages.rotations_to_prime.far import could_show, far_longer, stop_rule
from ventbook.pages.rotations_to_prime.front import answer, methods, not_said

__all__ = [
    "against_expected",
    "answer",
    "by_group",
    "could_show",
    "counted",
    "does_physics_pay",
    "far_longer",
    "methods",
    "not_said",
    "stop_rule",
    "tier_of",
]
