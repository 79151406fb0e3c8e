"""From arrays of samples to one row a start, with every doubtful feature marked.

Thresholds and bands come from the limits in force, detection from ``data/traces.toml``.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.tables import DATA, Limits, load_limits, read_toml
from ventbook.tables.limits import distinct_pairs
from ventbook.tables.reader import make_row

BANDS = ("first_hold_speed", "warmup_speed", "extra_run_speed")
STEPS = (
    "threshold_bar",
    "warm_degC",
    *(f"{band}_{end}" for band in BANDS for end in ("low", "high")),
)
"""Columns of the per-start settings, in the kernel's order."""


MADE_UNDER = ("limits_key", "limits_revision")
"""Columns of stored features: a short name of the thresholds and bands they were made with, and the limits' revisions."""
FEATURES = (
    "time_to_pressure_s",
    "time_low_s",
    "time_high_s",
    "ok_time_to_pressure",
    "rotations_to_pressure",
    "rotations_low",
    "rotations_high",
    "ok_rotations",
    "dips",
    "dip_s",
    "pressure_lowest_bar",
    "pressure_mean_bar",
    "pressure_roughness_bar",
    "ok_pressure",
    "rise_s",
    "seconds_first_hold",
    "seconds_warmup",
    "seconds_extra_run",
    "ok_speed",
    "warm_s",
    "temperature_end_degC",
    "speed_max_cold_rpm",
    "samples",
    "seconds",
    "gaps",
    "gap_max_s",
    "clock_steps",
    "start_low_t",
    "start_t",
    "pressure_low_t",
    "pressure_t",
    "flags",
)
FLAGS = (
    "clock_runs_back",
    "gaps",
    "no_start",
    "running_at_begin",
    "stuck_pressure",
    "stuck_speed",
    "clipped_pressure",
    "scaled_speed",
    "sensor_lag",
    "no_pressure_channel",
    "cut_short",
)
NEEDS = {
    "seconds_first_hold": ("first_hold_speed_low", "first_hold_speed_high"),
    "seconds_warmup": ("warmup_speed_low", "warmup_speed_high"),
    "seconds_extra_run": ("extra_run_speed_low", "extra_run_speed_high"),
    "warm_s": ("warm_degC",),
    "speed_max_cold_rpm": ("warm_degC",),
}
"""Features that mean nothing without these of the settings' STEPS."""
Array = npt.NDArray[np.float64]


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

    def __post_init__(self) -> None:
        if bad := [f.name for f in fields(self) if not getattr(self, f.name) > 0]:
            raise ValueError(f"{', '.join(bad)} must be over 0")

    def as_array(self) -> np.ndarray:
        return np.array([getattr(self, f.name) for f in fields(self)], dtype=float)


@cache
def read_settings(path: Path = DATA / "traces.toml") -> Settings:
    """The detection settings, all of them positive; TableError naming the file otherwise."""
    return make_row(read_toml(path), Settings, where=path.name)


def start_settings(
    starts: pd.DataFrame, *, among: Limits | None = None, threshold_bar: np.ndarray | None = None
) -> np.ndarray:
    """One row a start (columns STEPS) from columns engine_type and date of ``starts``.

    ``threshold_bar`` is what counted as pressure shown at that venting; where it is NaN the limit's value stands in.
    """
    among = load_limits() if among is None else among
    steps = ("pressure_threshold", "warmup_end_oil_temperature", *BANDS)
    pairs, place = distinct_pairs(starts["engine_type"], starts["date"])
    found = [[None if day is None else among.find(step, name, day) for step in steps] for name, day in pairs]
    ends = [[end for row in rows for end in ((row.low, row.high) if row else (None, None))] for rows in found]
    values = np.array(ends, dtype=float).reshape(len(pairs), 2 * len(steps))[place]
    values = np.delete(values, [1, 3], axis=1)  # a threshold and a temperature are low ends alone
    if threshold_bar is not None:
        own = np.asarray(threshold_bar, dtype=float)
        values[:, 0] = np.where(np.isnan(own), values[:, 0], own)
    return values


def name_settings(steps: np.ndarray) -> list[str]:
    """A short name of each row of :func:`start_settings`: the same for the same thresholds and bands, else another."""
    rounded = np.nan_to_num(np.round(steps, 9), nan=-1e9) + 0.0
    rows = [row.tobytes() for row in rounded.astype("<f8")]
    names = {row: hashlib.sha256(row).hexdigest()[:16] for row in set(rows)}
    return [names[row] for row in rows]


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


def start_features(
    bounds: npt.ArrayLike,
    t_s: npt.ArrayLike,
    speed_rpm: npt.ArrayLike,
    oil_pressure_bar: npt.ArrayLike,
    oil_temperature_degC: npt.ArrayLike,
    *,
    start_no: npt.ArrayLike,
    steps: npt.ArrayLike,
    settings: Settings | None = None,
) -> pd.DataFrame:
    """One row a start with the columns FEATURES, in the order of the segments.

    Parameters
    ----------
    bounds : n + 1 row numbers; start i holds the samples ``bounds[i]:bounds[i + 1]``, in order of t.
    t_s, speed_rpm, oil_pressure_bar, oil_temperature_degC : samples; NaN = not known.
    start_no : n numbers; 0 = turning before the first start, where rotations are counted by the speed's
        integral and time from the trace's beginning.
    steps : (n, 8) thresholds and bands, columns ``settings.STEPS``.
    settings : detection settings; default ``data/traces.toml``.

    Returns
    -------
    Times in s from the engine's start, interval (time_low_s, time_high_s]; no crossing is (time so far, inf],
    right-censored, and not missing. On the trace's own clock the start lies in (start_low_t, start_t] and pressure in
    (pressure_low_t, pressure_t], each a step of the logger wide. ``ok_*`` says whether the features of that kind may be used; ``flags`` names
    why not. Conventions in :mod:`ventbook.model.traces.kernel`.
    """
    turning = np.asarray(start_no).astype(np.int64) == 0
    channels = [t_s, speed_rpm, oil_pressure_bar, oil_temperature_degC]
    return judge_outputs(reduce_samples(bounds, channels, turning, steps, settings), turning, steps, settings)


def reduce_samples(
    bounds: npt.ArrayLike,
    channels: Sequence[npt.ArrayLike],
    turning: npt.NDArray[np.bool_],
    steps: npt.ArrayLike,
    settings: Settings | None = None,
) -> Array:
    """The kernel's raw outputs, (starts, outputs), of the channels t, speed, pressure, temperature."""
    from ventbook.model.traces.kernel import reduce_segments

    settings = read_settings() if settings is None else settings
    edges = np.ascontiguousarray(bounds, dtype=np.int64)
    if edges.ndim != 1 or edges.size < 1 or np.any(np.diff(edges) < 0):
        raise ValueError("bounds must be rising row numbers, one more than there are starts")
    n = edges.size - 1
    steps = np.ascontiguousarray(steps, dtype=float)
    if steps.shape != (n, len(STEPS)):
        raise ValueError(f"steps must have shape {(n, len(STEPS))}; got {steps.shape}")
    t, speed, pressure, temperature = (_read_only(a) for a in channels)
    if not t.size == speed.size == pressure.size == temperature.size or (n and edges[-1] > t.size):
        raise ValueError("all channels must be as long as bounds say")
    return reduce_segments(edges, t, speed, pressure, temperature, turning, steps, settings.as_array())


def compile_kernel() -> None:
    """Has the kernel compiled, or read from the compiler's cache: seconds that the first traces would wait for."""
    reduce_samples([0, 1], [[0.0]] * 4, np.zeros(1, dtype=bool), np.zeros((1, len(STEPS))))


def _read_only(values: npt.ArrayLike) -> Array:
    array = np.ascontiguousarray(values, dtype=np.float64).view()
    array.flags.writeable = False
    return array


def judge_outputs(
    outputs: Array, turning: npt.NDArray[np.bool_], steps: npt.ArrayLike, settings: Settings | None = None
) -> pd.DataFrame:
    """The columns FEATURES from the kernel's raw outputs: what may be used, and why not.

    What hangs on a band or a temperature that ``steps`` (as for :func:`start_features`) leaves open is missing, not 0.
    """
    from ventbook.model.traces.kernel import OUTPUTS

    settings = read_settings() if settings is None else settings
    raw: dict[str, Array] = dict(zip(OUTPUTS, outputs.T, strict=True))
    clock = raw["clock_steps"] > 0
    at_max = raw["clipped_pressure"]
    clipped = (at_max > settings.clipped_share) & (at_max * raw["samples"] >= settings.clipped_samples)
    no_pressure = np.isnan(raw["time_low_s"]) & (raw["start_found"] == 1)
    scaled = (raw["seconds_scaled"] >= settings.scaled_s) & (raw["seconds_first_hold"] == 0) & ~turning
    flags = {
        "clock_runs_back": clock,
        "gaps": raw["gaps"] > 0,
        "no_start": (raw["start_found"] == 0) & ~clock,
        "running_at_begin": (raw["start_found"] == 1) & np.isnan(raw["start_low_t"]),
        "stuck_pressure": raw["stuck_pressure_s"] > settings.stuck_s,
        "stuck_speed": raw["stuck_speed_s"] > settings.stuck_s,
        "clipped_pressure": clipped,
        "scaled_speed": scaled,
        "sensor_lag": raw["rise_s"] > settings.lag_s,
        "no_pressure_channel": no_pressure,
        "cut_short": raw["cut_short"] > 0,
    }
    ok_pressure = ~(clock | flags["stuck_pressure"] | no_pressure | flags["no_start"])
    ok_speed = ~(clock | flags["stuck_speed"] | scaled)
    known = ~np.isnan(raw["time_low_s"]) & ~np.isnan(raw["time_high_s"])
    known_turns = ~np.isnan(raw["rotations_low"]) & ~np.isnan(raw["rotations_high"])
    text = np.full(clock.shape, "", dtype=object)
    for name in FLAGS:
        text[flags[name]] = [f"{old} {name}".strip() for old in text[flags[name]]]
    columns: dict[str, Any] = dict(raw)
    known_steps = dict(zip(STEPS, ~np.isnan(np.asarray(steps, dtype=float)).T, strict=True))
    for name, needed in NEEDS.items():
        given = np.logical_and.reduce([known_steps[step] for step in needed])
        columns[name] = np.where(given, columns[name], np.nan)
    for name in ("dips", "samples", "gaps", "clock_steps"):
        unknown = np.isnan(raw[name])
        columns[name] = pd.arrays.IntegerArray(np.where(unknown, 1, raw[name]).astype(np.int64), unknown)
    columns["ok_time_to_pressure"] = ok_pressure & ok_speed & known & ~turning
    columns["ok_rotations"] = ok_pressure & known_turns & turning & (raw["gaps"] == 0)
    columns["ok_pressure"] = ok_pressure & ~clipped
    columns["ok_speed"] = ok_speed
    columns["flags"] = pd.array(text, dtype="str")
    return pd.DataFrame({name: columns[name] for name in FEATURES})
