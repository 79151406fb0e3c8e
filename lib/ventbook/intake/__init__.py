"""Intake: from files to accepted rows, held rows and issues, committed as one snapshot.

    result = take_in(["ventings_2026Q3.csv", "starts_2026Q3.csv"], store="data/records/store")
    result.counts       # per table: rows = accepted + duplicate + corrected + quarantined

Rules are functions on whole columns, registered in ``across.RULES`` and ``patterns.PATTERNS``; what they find is worded
in ``data/issues.toml``. Nothing is corrected in silence.
"""

from .corrections import Correction, Corrections, load_corrections
from .give_back import export_quarantine
from .limits_change import LimitsChange, change_limits, export_limits
from .run import IntakeResult, take_in
from .withdraw import withdraw

__all__ = [
    "Correction",
    "Corrections",
    "IntakeResult",
    "LimitsChange",
    "change_limits",
    "export_limits",
    "export_quarantine",
    "load_corrections",
    "take_in",
    "withdraw",
]
