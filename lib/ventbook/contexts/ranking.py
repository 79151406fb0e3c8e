"""Candidate causes in order: size, certainty and physical plausibility in one stated rule."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import evidence

from .blanks import Blanks, warn_of_blanks
from .table import SITE_LEFT, combine_evidence

PLAUSIBILITY = {"high": 1.0, "moderate": 0.85, "low": 0.6}
AGAINST_EXPECTATION = 0.3
FAMILY = "named_causes.circumstances"
EVIDENCE_P = 0.05

RULE = (
    "Points = certainty x size x plausibility. Certainty is -log10 of p, after allowing for the levels looked at. "
    "Size is the effect over the smallest one that matters (on the log scale, a number's effect over the middle 80 % "
    "of its values), at most 1. Plausibility is 1, 0.85 or 0.6 for high, moderate and low, times 0.3 where the effect "
    "goes against what the trade expects. The order is by points; what is listed is decided by the chance that any of "
    "all circumstances looked at would look so clear where none acts: under the share of the quarter's allowance that "
    "belongs to circumstances it stands out, under the share of questions it is a hint. Nothing else is listed. What can't "
    "be told apart, goes against expectation, or rests on records that are blank more or less often on failing ventings is a "
    "hint at most."
)

COLUMNS = (
    "rank", "factor", "title", "kind", "level", "reference", "mechanism", "standing", "points", "effect", "low", "high", "p",
    "q", "p_any", "basis", "adjusted_for", "overlap", "overlap_with", "expected", "ventings", "exposed", "exposed_failing",
    "together", "evidence", "blanks", "refute", "check", "cost",
)  # fmt: skip


def score_effects(effects: pd.DataFrame) -> pd.DataFrame:
    """``effects`` of :func:`~ventbook.contexts.screen_factors` with columns points, expected, p; unranked rows too.

    ``expected`` is "as expected", "against expectation" or "either way". For lots, gauges and other levels without a
    natural reference a level that lowers the odds is not a cause: against expectation.
    """
    out = effects.copy()
    log = out["log_effect"].to_numpy(dtype=np.float64)
    p = combine_evidence(out).mask(out["site_left"] < SITE_LEFT).to_numpy(dtype=np.float64)
    looked = out.assign(p=p).groupby("factor")["p"].transform("count").clip(lower=1).to_numpy()
    with np.errstate(invalid="ignore"):
        raised = 1 - (1 - p) ** looked
        certainty = -np.log10(np.clip(raised, 1e-12, 1.0))
        reach = np.abs(log) * out["spread"].to_numpy(dtype=np.float64)
        size = np.minimum(reach / np.log(out["matters"].to_numpy(dtype=np.float64)), 1.0)
        size = np.where(
            out["evidence_p"].notna() & ~np.isnan(log), 1.0, size
        )  # only evidence of a size that matters
        lowers = log < 0
    direction = out["direction"].to_numpy(dtype=object)
    grouped = out["kind"].isin(["group", "code"]).to_numpy()
    against = np.where(
        direction == "raises", lowers, np.where(direction == "lowers", ~lowers, grouped & lowers)
    )
    against = np.asarray(against, dtype=bool) & ~(out["evidence_p"] < EVIDENCE_P).to_numpy()
    free = (direction == "either") & ~grouped
    out["expected"] = np.where(free, "either way", np.where(against, "against expectation", "as expected"))
    weight = out["plausibility"].map(PLAUSIBILITY).to_numpy() * np.where(against, AGAINST_EXPECTATION, 1.0)
    out["p"] = p
    out["points"] = certainty * size * weight
    return out


def rank_causes(
    effects: pd.DataFrame,
    *,
    factors: tuple | None = None,
    listed: bool = True,
    blanks: Blanks | None = None,
) -> pd.DataFrame:
    """Candidate causes of one outcome, best first, by :data:`RULE`; a factor stands once, at its strongest level.

    ``effects`` comes from :func:`~ventbook.contexts.screen_factors`; ``factors`` (same table) adds what would refute
    each and what to check. ``listed`` False gives every factor with a number, with standing "not listed" where it
    would not reach the list. ``together`` names factors that this one can't be told apart from on these ventings.
    ``blanks`` (:func:`~ventbook.contexts.test_blanks`) says which records are blank more or less often on failing ventings;
    the column ``blanks`` then holds the warning. Standing is never more than "hint" where there is no overlap, where the
    effect goes against expectation, or where there is such a warning.
    """
    scored = score_effects(effects).dropna(subset=["points"])
    scored = scored.sort_values(["points", "factor", "level"], ascending=[False, True, True], kind="stable")
    best = scored.drop_duplicates("factor").copy()
    best["blanks"] = warn_of_blanks(best, blanks)
    allowed = evidence.judge_family(best["p_any"], FAMILY, adjusted=True)
    held = (best["overlap"] == "none") | (best["expected"] == "against expectation") | (best["blanks"] != "")
    best["standing"] = np.where(
        (allowed == evidence.NAMED) & ~held,
        "cause",
        np.where(allowed == evidence.NOTHING, "not listed", "hint"),
    )
    adjusted = best["basis"] == "adjusted"
    for name, suffix in (("effect", ""), ("low", "_low"), ("high", "_high")):
        best[name] = best[f"adjusted{suffix}"].where(adjusted, best[f"crude{suffix}"])
    best["together"] = best["overlap_with"].where(best["overlap"] == "none", "")
    by_name = {factor.name: factor for factor in factors or ()}
    for name, blank in (("refute", ""), ("check", ""), ("cost", 0)):
        best[name] = [getattr(by_name[f], name) if f in by_name else blank for f in best["factor"]]
    best["rank"] = np.arange(1, len(best) + 1)
    if listed:
        best = best[best["standing"] != "not listed"]
        best["rank"] = np.arange(1, len(best) + 1)
    return best[list(COLUMNS)].reset_index(drop=True)
