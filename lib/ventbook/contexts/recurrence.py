"""Engines that come back with spongy lifters: how likely so many repeats are if all engines were alike."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from ventbook.numerics import adjust_bh, encode

ENGINE_COLUMNS = ("engine_id", "engine_type", "site", "ventings", "failing", "chance", "q", "first", "last")


@dataclass(frozen=True)
class Recurrence:
    """Repeats in the fleet. ``chance`` is the share of shuffles with at least as many repeated findings.

    ``repeats`` counts findings beyond each engine's first; ``expected`` is their mean over the shuffles, ``error`` the Monte
    Carlo error of ``chance``. ``engines`` has a row an engine with two or more ventings and a finding.
    """

    ventings: int
    failing: int
    returned: int
    repeats: int
    expected: float
    chance: float
    error: float
    engines: pd.DataFrame


def find_recurrent_engines(
    jobs: pd.DataFrame, *, seed: int = 0, shuffles: int = 2_000, by: tuple[str, ...] = ("site", "engine_type")
) -> Recurrence:
    """Whether findings fall on the same engines more often than they would if all engines were alike.

    Findings (``failed_first``; ventings without a result are left out) are shuffled over ventings within strata ``by``, so that a site or a
    type with many findings does not look like recurrent engines. By engine, ``chance`` is exact: the
    hypergeometric probability of at least its number of failing ventings, given its strata's totals (for an engine in one
    stratum; an engine seen in several is judged in the one with most of its ventings); q is Benjamini-Hochberg over
    all engines that returned, those without a finding among them.
    """
    known = jobs[jobs["failed_first"].notna().to_numpy()].reset_index(drop=True)
    failed = known["failed_first"].to_numpy(bool).astype(np.int64)
    engine, names = encode(known["engine_id"])
    if known.empty or failed.sum() == 0:
        empty = pd.DataFrame(columns=list(ENGINE_COLUMNS))
        return Recurrence(len(known), 0, 0, 0, 0.0, float("nan"), float("nan"), empty)
    label = known[list(by)].astype(str).agg(" / ".join, axis=1)
    stratum, strata = encode(label)
    counts = np.bincount(engine, minlength=len(names))
    hits = np.bincount(engine, weights=failed, minlength=len(names)).astype(np.int64)
    repeats = int(np.maximum(hits - 1, 0).sum())
    rng = np.random.default_rng(seed)
    order = np.argsort(stratum, kind="stable")
    bounds = np.searchsorted(stratum[order], np.arange(len(strata) + 1))
    found = np.empty(shuffles)
    for i in range(shuffles):
        drawn = np.empty_like(failed)
        for first, last in itertools.pairwise(bounds):
            where = order[first:last]
            drawn[where] = rng.permutation(failed[where])
        found[i] = np.maximum(np.bincount(engine, weights=drawn, minlength=len(names)) - 1, 0).sum()
    # the observed one counts among the shuffles, so that the chance is never 0
    chance = float(((found >= repeats).sum() + 1) / (shuffles + 1))
    table = _by_engine(known, engine, names, failed, stratum)
    return Recurrence(
        len(known),
        int(failed.sum()),
        int((counts > 1).sum()),
        repeats,
        float(found.mean()),
        chance,
        float(np.sqrt(chance * (1 - chance) / shuffles)),
        table,
    )


def _by_engine(
    known: pd.DataFrame, engine: np.ndarray, names: list[str], failed: np.ndarray, stratum: np.ndarray
) -> pd.DataFrame:
    types, sites, dates = (known[column].to_numpy() for column in ("engine_type", "site", "date"))
    totals, bad = np.bincount(stratum), np.bincount(stratum, weights=failed)
    rows = []
    for code, name in enumerate(names):
        where = np.flatnonzero(engine == code)
        if len(where) < 2 or not failed[where].any():
            continue
        home = int(np.bincount(stratum[where]).argmax())
        own = where[stratum[where] == home]
        chance = stats.hypergeom.sf(failed[own].sum() - 1, totals[home], int(bad[home]), len(own))
        hits = int(failed[where].sum())
        first, last = where[np.argmin(dates[where])], where[np.argmax(dates[where])]
        rows.append(
            (
                name,
                types[last],
                sites[last],
                len(where),
                hits,
                float(chance),
                np.nan,
                dates[first],
                dates[last],
            )
        )
    table = pd.DataFrame(rows, columns=list(ENGINE_COLUMNS))
    silent = int((np.bincount(engine) > 1).sum()) - len(table)  # returned without a finding: chance 1
    chances = np.concatenate([table["chance"].to_numpy(dtype=np.float64), np.ones(silent)])
    table["q"] = adjust_bh(chances)[: len(table)]
    return table.sort_values(["chance", "engine_id"], kind="stable").reset_index(drop=True)
