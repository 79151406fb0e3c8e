"""Why a venting of the invented fleet fails: each planted cause taken away in turn, everything else as it was drawn."""

from __future__ import annotations

from collections.abc import Collection
from itertools import combinations
from typing import Any

import numpy as np

from ventbook.demo.checks import gauge_bias, limit_mm, round_reading, true_gap
from ventbook.demo.settings import read_settings

LOT, GAUGE, BACKGROUND, BOTTOMED = "leaking_lot", "high_gauge", "background_air", "background_bottomed"


def explain_failure(row: dict[str, Any], plant: tuple[str, ...]) -> list[dict[str, Any]]:
    """The true cause of a venting that failed its first check, as one entry; empty where it did not fail.

    A venting fails when a reading is over the limit. Each planted cause is taken away with every draw kept: the same
    luck of each lifter, the same error of each reading. ``needed``: planted causes without any one of which the venting
    would not have failed. ``shares``: what each cause did, averaged over the lifters over the limit and adding up to 1;
    several causes that a lifter needs together share it equally. ``background_air`` and ``background_bottomed`` are
    lifters that would have been over the limit without anything planted. ``cause``: the one needed where there is just
    one, else the one with the largest share (the first by name where they are level).
    """
    over = np.nan_to_num(row["_gaps"], nan=0.0) > limit_mm()
    if not over.any():
        return []
    active = [*row["_causes"], LOT, GAUGE]
    active = [name for name in active if name in plant]
    every = {rest: _over_without(row, plant, set(active) - set(rest)) & over for rest in _subsets(active)}
    whole = tuple(active)
    needed = [name for name in active if not every[_without(whole, name)].any()]
    shares: dict[str, float] = {}
    for lifter in np.flatnonzero(over):
        for name, share in _share_lifter(row, every, whole, int(lifter)).items():
            shares[name] = shares.get(name, 0.0) + share / int(over.sum())
    ranked = sorted(shares, key=lambda name: (-shares[name], name))
    return [
        {
            "venting_id": row["venting_id"],
            "cause": needed[0] if len(needed) == 1 else ranked[0],
            "needed": needed,
            "shares": {name: round(shares[name], 4) for name in ranked},
            "lifters_over": int(over.sum()),
        }
    ]


def _subsets(names: list[str]) -> list[tuple[str, ...]]:
    return [chosen for size in range(len(names) + 1) for chosen in combinations(names, size)]


def _without(names: tuple[str, ...], name: str) -> tuple[str, ...]:
    return tuple(other for other in names if other != name)


def _over_without(row: dict[str, Any], plant: tuple[str, ...], gone: Collection[str]) -> np.ndarray:
    """Which lifters would have been read over the limit at the first check without the causes ``gone``."""
    lifters = row["_lifters"]
    odds = lifters["odds"] - sum(value for name, value in row["_causes"].items() if name in gone)
    spongy = lifters["luck"] < 1 / (1 + np.exp(-odds))
    air = np.where(spongy, lifters["trapped"], lifters["base"])
    air = np.where(lifters["bottomed"], lifters["air"], air)
    leak = lifters["leak"]
    if LOT in gone:
        leak = np.full_like(leak, read_settings()["physics"]["wall_leak_um_per_s"])
    bias = 0.0 if GAUGE in gone else gauge_bias(row["_gauge"], plant)
    value = true_gap(row, row["_force"], row["_hold"], air=air, leak=leak) + bias + row["_reading_error"]
    return np.asarray(round_reading(np.maximum(value, 0.0), row["_engine"]["_site"]) > limit_mm())


def _share_lifter(
    row: dict[str, Any], every: dict[tuple[str, ...], np.ndarray], whole: tuple[str, ...], lifter: int
) -> dict[str, float]:
    """What each cause did for one lifter over the limit: shares that add up to 1."""
    if every[()][lifter]:
        return {BOTTOMED if row["_lifters"]["bottomed"][lifter] else BACKGROUND: 1.0}
    names = [name for name in whole if not every[_without(whole, name)][lifter]]
    # Where no single one is needed, several would each have done: those that do it alone share it.
    names = names or [name for name in whole if every[(name,)][lifter]]
    names = names or list(whole)
    return dict.fromkeys(names, 1 / len(names))
