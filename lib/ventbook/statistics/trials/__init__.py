"""Does a change work? Evidence by the draw alone, valid at every look, and how many ventings it takes."""

from ventbook.statistics.trials.blocks import count_blocks, pair_differences
from ventbook.statistics.trials.evidence import (
    Evidence,
    judge_evidence,
    log_ratio,
    weigh_blocks,
    weigh_pairs,
)
from ventbook.statistics.trials.planning import Needed, need_number, need_share

__all__ = [
    "Evidence",
    "Needed",
    "count_blocks",
    "judge_evidence",
    "log_ratio",
    "need_number",
    "need_share",
    "pair_differences",
    "weigh_blocks",
    "weigh_pairs",
]
