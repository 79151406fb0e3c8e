"""One reading against one limit: within, outside, near the limit, not comparable, not recorded, no limit, or a fact."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.dictionary import steps

VERDICTS = ("within", "outside", "near_limit", "not_comparable", "not_recorded", "no_limit", "fact")
JUDGED = ("within", "outside", "near_limit")


def judge(readings: pd.DataFrame) -> pd.DataFrame:
    """Verdict and margin of each reading.

    ``readings`` carries value; low and high (what the reading stands for: (low, high]; NaN for a reading taken as
    exact); limit_low and limit_high (NaN: open); comparable (False: taken at another force or hold); near (True: the
    gauge cannot tell the reading from its limit).
    A value on a limit is within it. Where the reading is an interval it is within when all of it is, outside when
    none of it is, else near_limit. The margin is the distance from the value to the nearer limit in the reading's
    unit, positive inside and negative outside; NaN without value or limit.

    A fact (``fact`` in ``data/steps.toml``: turned backwards, ...) is "fact" where no limit makes it "outside": it needs no
    limit to be listed, and no limit makes it within. ``readings`` carries step for that.

    Returns verdict (one of VERDICTS) and margin, on the same index.
    """
    value = readings["value"].astype(float)
    floor = readings["limit_low"].astype(float).fillna(-np.inf)
    ceiling = readings["limit_high"].astype(float).fillna(np.inf)
    exact = readings["low"].isna() | readings["high"].isna()
    low, high = readings["low"].astype(float), readings["high"].astype(float)
    inside = ((value >= floor) & (value <= ceiling)).where(exact, (low >= floor) & (high <= ceiling))
    # (low, high] lies over the ceiling when low does not fall short of it, under the floor when high does.
    beyond = ((value < floor) | (value > ceiling)).where(exact, (high < floor) | (low >= ceiling))
    no_limit = np.isinf(floor) & np.isinf(ceiling)
    verdict = np.select(
        [
            value.isna(),
            no_limit,
            ~readings["comparable"].fillna(True).astype(bool),
            readings["near"].fillna(False).astype(bool),
            inside,
            beyond,
        ],
        [
            VERDICTS.index(name)
            for name in ("not_recorded", "no_limit", "not_comparable", "near_limit", "within", "outside")
        ],
        VERDICTS.index("near_limit"),
    )
    verdict = np.where(
        find_facts(readings) & (verdict != VERDICTS.index("outside")), VERDICTS.index("fact"), verdict
    )
    margin = (value - floor).clip(upper=ceiling - value)
    margin = margin.where(np.isfinite(margin))
    return pd.DataFrame(
        {"verdict": pd.array(VERDICTS, dtype="str").take(verdict), "margin": margin}, readings.index
    )


def find_facts(readings: pd.DataFrame) -> pd.Series:
    """Which readings (step, value) are facts to be listed for every shop, whatever its limits."""
    kinds = readings["step"].map({name: step.fact for name, step in steps().items()}).fillna("")
    value = readings["value"].astype(float)
    return (
        (kinds.eq("yes") & value.eq(1)) | (kinds.eq("no") & value.eq(0)) | (kinds.eq("some") & value.gt(0))
    ).astype(bool)
