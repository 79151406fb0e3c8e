"""What every term of one screening shares: outcome rows, clusters, coded factors and adjuster columns."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ventbook.numerics import Floats, Ints, encode

from .crude import estimate_design_effect
from .factors import Coded, Factor, code_factors
from .large import JointEffect, screen_jointly
from .terms import OutcomeRows, build_block, select_outcome

PARTS = ("crude", "adjusted", "stratified")
LARGE = 20_000
"""From so many ventings on all adjusted effects come from one model."""
FINDINGS_A_COEFFICIENT = 10
VENTINGS_A_COEFFICIENT = 15


@dataclass(frozen=True)
class Setting:
    """What every term of one screening shares."""

    outcome: OutcomeRows
    take: Ints | slice
    cluster: Ints
    n_clusters: int
    site: Ints
    factors: tuple[Factor, ...]
    coded: Mapping[str, Coded]
    blocks: Mapping[str, Floats]
    bases: Mapping[str, Floats]
    budget: int
    design_effect: float
    level: float
    parts: tuple[str, ...]
    joint: Mapping[tuple[str, str], JointEffect] | None
    adjusters: Sequence[str]


def prepare_setting(
    jobs: pd.DataFrame,
    *,
    outcome: str,
    factors: Sequence[Factor],
    level: float,
    parts: Collection[str] = PARTS,
) -> Setting:
    """Codes, adjuster columns and clusters of one screening."""
    rows = select_outcome(jobs, outcome)
    n = len(rows.rows)
    whole = n == len(jobs)
    cluster, engines = encode(jobs["engine_id"] if whole else jobs["engine_id"].iloc[rows.rows])
    lone = cluster < 0
    if lone.any():  # an engine without a number stands for itself
        cluster = np.where(lone, len(engines) + np.cumsum(lone) - 1, cluster)
    site, _ = encode(jobs["site"] if whole else jobs["site"].iloc[rows.rows])
    site = site + 1 if (site < 0).any() else site
    coded = code_factors(jobs, factors)
    if n >= LARGE:  # engine after engine in small codes: sums by engine then walk through memory once
        order = np.argsort(cluster, kind="stable")
        cluster, site, whole = cluster[order], site[order], False
        rows = sort_rows(rows, order)
        coded = {name: shrink_codes(one) for name, one in coded.items()}
    adjusters = [
        name
        for name, one in coded.items()
        if outcome in one.factor.adjust and one.factor.kind != "interaction"
    ]
    findings = rows.failing // FINDINGS_A_COEFFICIENT
    budget = max((findings if rows.counted else n // VENTINGS_A_COEFFICIENT) - 1, 0)
    n_clusters = int(cluster.max()) + 1 if n else 0
    columns = sum(max(len(coded[name].levels), 2) for name in adjusters)
    joint: dict[tuple[str, str], JointEffect] | None = None
    blocks: dict[str, Floats] = {}
    if n >= LARGE and rows.counted and budget >= columns:
        wanted = [coded[f.name] for f in factors if outcome in f.outcomes] if "adjusted" in parts else []
        joint = screen_jointly(coded, wanted, adjusters, site=site, cluster=cluster, rows=rows, level=level)
    elif "adjusted" in parts:
        blocks = {name: build_block(coded[name], rows.rows) for name in adjusters}
    return Setting(
        rows,
        slice(None) if whole else rows.rows,
        cluster,
        n_clusters,
        site,
        tuple(factors),
        coded,
        blocks,
        {name: span_columns(block) for name, block in blocks.items() if block.shape[1]},
        budget,
        estimate_design_effect(rows, cluster, n_clusters) if rows.counted else 1.0,
        level,
        tuple(parts),
        joint,
        adjusters,
    )


def sort_rows(rows: OutcomeRows, order: Ints) -> OutcomeRows:
    """The outcome's rows in another order."""
    low, high = (None if end is None else end[order] for end in (rows.low, rows.high))
    return replace(
        rows,
        rows=rows.rows[order],
        failures=rows.failures[order],
        trials=rows.trials[order],
        low=low,
        high=high,
    )


def shrink_codes(coded: Coded) -> Coded:
    """The same levels in one byte a row, where they fit."""
    return replace(coded, codes=coded.codes.astype(np.int8)) if len(coded.levels) < 120 else coded


def span_columns(block: Floats) -> Floats:
    """An orthonormal basis of the block's centred columns."""
    centred = block - block.mean(axis=0)
    if centred.shape[1] == 1:
        length = float(np.sqrt((centred**2).sum()))
        return centred / length if length > 1e-9 else centred[:, :0]
    left, values, _ = np.linalg.svd(centred, full_matrices=False)
    return np.asarray(left[:, values > 1e-9 * max(float(values.max(initial=0.0)), 1e-300)])
