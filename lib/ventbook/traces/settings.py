"""What a trace is held against: thresholds and bands from the limits in force, detection from ``data/traces.toml``."""

from __future__ import annotations

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
