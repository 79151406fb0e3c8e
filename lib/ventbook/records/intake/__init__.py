"""Intake: from files to accepted rows, quarantined rows and issues, committed as one snapshot.

    result = ingest(["ventings_2026Q3.csv", "starts_2026Q3.csv"], store="data/records/store")
    result.counts       # per table: rows = accepted + duplicate + corrected + quarantined

Rules are functions on whole columns, registered in ``checks.RULES`` and ``checks.PATTERNS``; what they find is worded
in ``data/issues.toml``. Nothing is corrected in silence.
"""

from ventbook.records.intake.corrections import Correction, Corrections, load_corrections
from ventbook.records.intake.limits_change import LimitsChange, change_limits, export_limits
from ventbook.records.intake.quarantine import export_quarantine
from ventbook.records.intake.run import IntakeResult, ingest
from ventbook.records.intake.withdraw import withdraw

__all__ = [
    "Correction",
    "Corrections",
    "IntakeResult",
    "LimitsChange",
    "change_limits",
    "export_limits",
    "export_quarantine",
    "ingest",
    "load_corrections",
    "withdraw",
]
