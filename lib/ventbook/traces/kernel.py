"""The compiled reduction of one start's samples. Plain loops on purpose: they run at the speed of memory.

Conventions
-----------
- A sample whose value is NaN is passed over; it neither ends nor prolongs what stands before it.
- "Sustained": consecutive known samples at or over the level, from the first to some later one at least
  ``sustain_s`` apart, no two neighbours more than ``gap_s`` apart (a gap begins the count anew).
- The start lies in (last sample under the start speed, first sample of the sustained run]; pressure in (last
  sample under the threshold, first sample of the sustained run]. Time to pressure is the difference of the two
  intervals, its point the difference of the straight-line crossings.
- Integrals between samples are trapezoids; seconds in a band go by the speed at the earlier sample. Nothing is
  counted across a gap.
"""

from __future__ import annotations

import numpy as np
from numba import njit

OUTPUTS = (
    "samples",
    "seconds",
    "clock_steps",
    "gaps",
    "gap_max_s",
    "start_found",
    "start_low_t",
    "start_t",
    "time_to_pressure_s",
    "time_low_s",
    "time_high_s",
    "rotations_to_pressure",
    "rotations_low",
    "rotations_high",
    "dips",
    "dip_s",
    "pressure_lowest_bar",
    "pressure_mean_bar",
    "pressure_roughness_bar",
    "rise_s",
    "seconds_first_hold",
    "seconds_warmup",
    "seconds_extra_run",
    "seconds_scaled",
    "warm_s",
    "temperature_end_degC",
    "speed_max_cold_rpm",
    "stuck_pressure_s",
    "stuck_speed_s",
    "clipped_pressure",
)
_N = len(OUTPUTS)


@njit(nogil=True, cache=True)
def find_bounds(venting, start_no):  # pragma: no cover
    """Row numbers at which either key changes, with 0 and the number of rows at the ends."""
    n = venting.shape[0]
    if n == 0:
        return np.zeros(1, dtype=np.int64)
    count = 2
    for i in range(1, n):
        if venting[i] != venting[i - 1] or start_no[i] != start_no[i - 1]:
            count += 1
    bounds = np.empty(count, dtype=np.int64)
    bounds[0], bounds[count - 1] = 0, n
    k = 1
    for i in range(1, n):
        if venting[i] != venting[i - 1] or start_no[i] != start_no[i - 1]:
            bounds[k] = i
            k += 1
    return bounds


@njit(nogil=True, cache=True)
def reduce_segments(bounds, t, speed, pressure, temperature, turning, steps, settings):  # pragma: no cover
    """One row of OUTPUTS a segment ``bounds[i]:bounds[i + 1]``; float64 arrays, NaN = not known."""
    n = bounds.shape[0] - 1
    out = np.full((n, _N), np.nan)
    for k in range(n):
        _reduce_one(
            bounds[k], bounds[k + 1], t, speed, pressure, temperature, turning[k], steps[k], settings, out[k]
        )
    return out


@njit(nogil=True, cache=True)
def _level_run(i0, i1, t, x, level, sustain, gap):  # pragma: no cover
    """(first index of the sustained run or -1, index of the last known sample under the level before it or -1)."""
    first, before, under, previous = -1, -1, -1, -1
    for i in range(i0, i1):
        v = x[i]
        if np.isnan(v):
            continue
        if v >= level:
            if first < 0 or t[i] - t[previous] > gap:
                first, before = i, under
            if t[i] - t[first] >= sustain:
                return first, before
        else:
            first, under = -1, i
        previous = i
    return -1, under


@njit(nogil=True, cache=True)
def _crossing(t, x, a, b, level):  # pragma: no cover
    """Straight-line time at which x passes ``level`` between samples a (under) and b (at or over)."""
    if a < 0:
        return t[b]
    return t[a] + (level - x[a]) / (x[b] - x[a]) * (t[b] - t[a])


@njit(nogil=True, cache=True)
def _reduce_one(i0, i1, t, speed, pressure, temperature, turning, steps, settings, out):  # pragma: no cover
    start_rpm, sustain, gap = settings[0], settings[1], settings[2]
    steady = settings[3]
    threshold, warm = steps[0], steps[1]
    out[0] = i1 - i0
    if i1 <= i0:
        return
    out[1] = t[i1 - 1] - t[i0]

    # One pass over all samples: clock, bands, warm-up, faults of the channels.
    clock, gaps, gap_max = 0, 0, 0.0
    hold, warming, extra, scaled = 0.0, 0.0, 0.0, 0.0
    warm_t, cold_max, temperature_end = np.nan, np.nan, np.nan
    is_warm, any_temperature = False, False
    p_run, p_stuck, p_before = 0.0, 0.0, np.nan
    s_run, s_stuck = 0.0, 0.0
    p_max, p_at_max = -np.inf, 0
    for i in range(i0, i1):
        v, p, c = speed[i], pressure[i], temperature[i]
        if i > i0:
            dt = t[i] - t[i - 1]
            if not dt > 0:
                clock += 1
            elif dt > gap:
                gaps += 1
                p_run, s_run = 0.0, 0.0
            else:
                u = speed[i - 1]
                if steps[2] <= u <= steps[3]:
                    hold += dt
                if steps[4] <= u <= steps[5]:
                    warming += dt
                if steps[6] <= u <= steps[7]:
                    extra += dt
                if 2 * steps[2] <= u <= 2 * steps[3] or 0.5 * steps[2] <= u <= 0.5 * steps[3]:
                    scaled += dt
                if p == p_before and v >= start_rpm:
                    p_run += dt
                    p_stuck = max(p_stuck, p_run)
                elif not np.isnan(p):
                    p_run = 0.0
                if v == u and v >= start_rpm:
                    s_run += dt
                    s_stuck = max(s_stuck, s_run)
                else:
                    s_run = 0.0
            gap_max = max(gap_max, dt)
        if not np.isnan(c):
            any_temperature = True
            temperature_end = c
            if not is_warm and c >= warm:
                is_warm, warm_t = True, t[i]
        if not is_warm and not np.isnan(v) and not (v <= cold_max):
            cold_max = v
        if not np.isnan(p):
            p_before = p
            if p > p_max:
                p_max, p_at_max = p, 1
            elif p == p_max:
                p_at_max += 1
    out[2], out[3], out[4] = clock, gaps, gap_max
    out[20], out[21], out[22], out[23] = hold, warming, extra, scaled
    out[25] = temperature_end
    if any_temperature:
        out[26] = cold_max
    out[27], out[28] = p_stuck, s_stuck
    out[29] = p_at_max / (i1 - i0)
    out[5] = 0.0
    if clock > 0:
        return

    # The start: of the engine, or of turning (there it is where the trace begins).
    if turning:
        s, before_s = i0, i0
    else:
        s, before_s = _level_run(i0, i1, t, speed, start_rpm, sustain, gap)
        if s < 0:
            return
    out[5] = 1.0
    start_low = t[before_s] if before_s >= 0 else np.nan
    out[6], out[7] = start_low, t[s]
    start_point = t[s] if turning else _crossing(t, speed, before_s, s, start_rpm)
    if is_warm:
        out[24] = max(0.0, warm_t - start_point)
    if np.isnan(threshold):
        return

    # Pressure: the first sustained run from the start on, and rotations up to it.
    c, under = _level_run(s, i1, t, pressure, threshold, sustain, gap)
    end = s
    for i in range(s, i1):
        if (turning and speed[i] > 0) or (not turning and speed[i] >= start_rpm):
            end = i
    if c > end:  # pressure after the engine stood still is no pressure of this start
        c = -1
    turns, turns_under, turns_over = 0.0, 0.0, np.nan
    last = c if c >= 0 else end
    for i in range(s + 1, last + 1):
        turns += 0.5 * (speed[i] + speed[i - 1]) / 60.0 * (t[i] - t[i - 1])
        if i == under:
            turns_under = turns
    turns_over = turns
    known = False
    for i in range(s, last + 1):
        if not np.isnan(pressure[i]):
            known = True
    if c < 0:
        if known:
            out[9], out[10] = t[end] - t[s], np.inf
            out[12], out[13] = turns_over, np.inf
        return
    low = 0.0 if under < 0 else max(0.0, t[under] - t[s])
    out[9] = low
    out[10] = t[c] - start_low
    point = _crossing(t, pressure, under, c, threshold)
    out[8] = max(0.0, point - start_point)
    out[12], out[13] = turns_under, turns_over
    share = 1.0 if under < 0 else (point - t[under]) / (t[c] - t[under])
    out[11] = turns_under + share * (turns_over - turns_under)

    # After pressure showed, while the engine runs.
    dips, dip_s, lowest = 0, 0.0, np.inf
    area, length, rough, pairs = 0.0, 0.0, 0.0, 0
    below = False
    previous = -1
    for i in range(c, i1):
        p, v = pressure[i], speed[i]
        if np.isnan(p):
            continue
        if not turning and not (v >= start_rpm):
            previous, below = -1, False
            continue
        lowest = min(lowest, p)
        if p < threshold and not below:
            dips += 1
        below = p < threshold
        if previous >= 0:
            dt = t[i] - t[previous]
            if dt <= gap:
                q = pressure[previous]
                area += 0.5 * (p + q) * dt
                length += dt
                if q < threshold:
                    dip_s += dt
                if abs(v - speed[previous]) <= steady * abs(speed[previous]):
                    rough += (p - q) ** 2
                    pairs += 1
        previous = i
    out[14], out[15] = dips, dip_s
    if lowest < np.inf:
        out[16] = lowest
    if length > 0:
        mean = area / length
        out[17] = mean
        for i in range(c, i1):
            if pressure[i] >= 0.9 * mean:
                out[19] = t[i] - point
                break
    if pairs > 0:
        out[18] = np.sqrt(rough / (2.0 * pairs))
