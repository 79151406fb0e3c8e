"""How far a gap reading can be trusted: gauge studies, uncertainty of a reading, risk of a wrong verdict."""

from ventbook.gauge.conformance import (
    ASSUMED_U_MM,
    guard_band,
    near_limit,
    over_limit_probability,
    worst_false_accept,
)

__all__ = [
    "ASSUMED_U_MM",
    "guard_band",
    "near_limit",
    "over_limit_probability",
    "worst_false_accept",
]
