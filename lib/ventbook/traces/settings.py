"""What a trace is held against: thresholds and bands from the limits in force, detection from ``data/traces.toml``."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from ..dictionary import DATA, Limits, TableError, limits, read_toml

BANDS = ("first_hold_speed", "warmup_speed", "extra_run_speed")
STEPS = (
    "threshold_bar",
    "warm_degC",
    *(f"{band}_{end}" for band in BANDS for end in ("low", "high")),
)
"""Columns of the per-start settings, in the kernel's order."""


MADE_UNDER = ("limits_key", "limits_revision")
"""Columns of stored features: a short name of the thresholds and bands they were made with, and the limits' revisions."""


@dataclass(frozen=True)
class Settings:
    """Detection settings; see the comments in ``data/traces.toml``."""

    start_speed_rpm: float
    sustain_s: float
    gap_s: float
    steady_share: float
    stuck_s: float
    clipped_share: float
    clipped_samples: float
    lag_s: float
    scaled_s: float

    def as_array(self) -> np.ndarray:
        return np.array([getattr(self, f.name) for f in fields(self)], dtype=float)


@cache
def read_settings(path: Path = DATA / "traces.toml") -> Settings:
    """The detection settings, all of them positive; TableError naming the file otherwise."""
    raw = read_toml(path)
    names = {f.name for f in fields(Settings)}
    if set(raw) != names:
        wrong = ", ".join(sorted(set(raw) ^ names))
        raise TableError(f"{path.name}: unknown or missing {wrong}")
    if bad := [name for name, value in raw.items() if not float(value) > 0]:
        raise TableError(f"{path.name}: {', '.join(bad)} must be over 0")
    return Settings(**{name: float(value) for name, value in raw.items()})


def start_settings(
    starts: pd.DataFrame, *, among: Limits | None = None, threshold_bar: np.ndarray | None = None
) -> np.ndarray:
    """One row a start (columns STEPS) from columns engine_type and date of ``starts``.

    ``threshold_bar`` is what counted as pressure shown at that venting; where it is NaN the limit's value stands in.
    """
    among = limits() if among is None else among
    steps = ("pressure_threshold", "warmup_end_oil_temperature", *BANDS)
    found = {step: among.frame(step, starts["engine_type"], starts["date"]) for step in steps}
    threshold = found["pressure_threshold"]["low"].to_numpy()
    if threshold_bar is not None:
        own = np.asarray(threshold_bar, dtype=float)
        threshold = np.where(np.isnan(own), threshold, own)
    columns = [threshold, found["warmup_end_oil_temperature"]["low"].to_numpy()]
    for band in BANDS:
        columns += [found[band]["low"].to_numpy(), found[band]["high"].to_numpy()]
    return np.column_stack(columns)


def name_settings(steps: np.ndarray) -> list[str]:
    """A short name of each row of :func:`start_settings`: the same for the same thresholds and bands, else another."""
    rows, which = np.unique(np.nan_to_num(np.round(steps, 9), nan=-1e9) + 0.0, axis=0, return_inverse=True)
    names = [hashlib.sha256(row.astype("<f8").tobytes()).hexdigest()[:16] for row in rows]
    return [names[n] for n in which.ravel()]


def match_limits(
    features: pd.DataFrame, ventings: pd.DataFrame, *, among: Limits | None = None
) -> np.ndarray:
    """Which stored features were made with the thresholds and bands in force now, one answer a row of ``features``.

    ``ventings``: columns venting_id, engine_type, date, pressure_threshold_bar. Features that don't say what they were
    made under (stores of version 0.1.0) and those of a venting that isn't there count as made with them: they are what
    that version read, and the next write to the store makes them anew.
    """
    if "limits_key" not in features:
        return np.ones(len(features), dtype=bool)
    ventings = ventings[ventings["venting_id"].isin(features["venting_id"])]
    own = ventings["pressure_threshold_bar"].to_numpy(dtype=float)
    steps = start_settings(ventings, among=among, threshold_bar=own)
    now = dict(zip(ventings["venting_id"], name_settings(steps), strict=True))
    stored = features["limits_key"]
    return (stored.isna() | stored.eq(features["venting_id"].map(now).fillna(stored))).to_numpy(dtype=bool)
