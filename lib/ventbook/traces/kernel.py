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
    bounds = np.empty(n + 1, dtype=np.int64)
    bounds[0] = 0
    k = 1
    id_before, no_before = venting[0], start_no[0]
    for i in range(1, n):
        if venting[i] != id_before or start_no[i] != no_before:
            bounds[k] = i
            k += 1
            id_before, no_before = venting[i], start_no[i]
    bounds[k] = n
    return bounds[: k + 1].copy()


@njit(nogil=True, cache=True)
def reduce_segments(bounds, t, speed, pressure, temperature, turning, steps, settings):  # pragma: no cover
    """One row of OUTPUTS a segment ``bounds[i]:bounds[i + 1]``; float64 arrays, NaN = not known."""
    n = bounds.shape[0] - 1
    out = np.full((n, _N), np.nan)
    for k in range(n):
        a, b = bounds[k], bounds[k + 1]
        # slices that start at 0 let the compiler drop its care for negative indices
        _reduce_one(
            t[a:b], speed[a:b], pressure[a:b], temperature[a:b], turning[k], steps[k], settings, out[k]
        )
    return out


@njit(nogil=True, cache=True)
def _level_run(t, x, level, sustain, gap):  # pragma: no cover
    """(first index of the sustained run or -1, index of the last known sample under the level before it or -1)."""
    first, before, under, previous = -1, -1, -1, -1
    for i in range(t.shape[0]):
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
def _reduce_one(t, speed, pressure, temperature, turning, steps, settings, out):
    n = t.shape[0]  # pragma: no cover
    start_rpm, sustain, gap = settings[0], settings[1], settings[2]
    steady = settings[3]
    threshold, warm = steps[0], steps[1]
    out[0] = n
    if n == 0:
        return
    out[1] = t[n - 1] - t[0]

    # Passes over all samples: clock, bands, warm-up, faults of the channels. Apart, so that each stays in registers.
    hold0, hold1, warm0, warm1, extra0, extra1 = steps[2], steps[3], steps[4], steps[5], steps[6], steps[7]
    twice0, twice1, half0, half1 = 2 * hold0, 2 * hold1, 0.5 * hold0, 0.5 * hold1
    clock, gaps, gap_max = 0, 0, 0.0
    hold, warming, extra, scaled = 0.0, 0.0, 0.0, 0.0
    p_run, p_stuck, p_before = 0.0, 0.0, pressure[0]
    s_run, s_stuck = 0.0, 0.0
    t_before, u = t[0], speed[0]
    for i in range(1, n):
        v, p = speed[i], pressure[i]
        dt = t[i] - t_before
        t_before = t[i]
        if dt > gap_max:
            gap_max = dt
        if not dt > 0:
            clock += 1
        elif dt > gap:
            gaps += 1
            p_run, s_run = 0.0, 0.0
        else:
            if u >= hold0 and u <= hold1:
                hold += dt
            if u >= warm0 and u <= warm1:
                warming += dt
            if u >= extra0 and u <= extra1:
                extra += dt
            if (u >= twice0 and u <= twice1) or (u >= half0 and u <= half1):
                scaled += dt
            running = v >= start_rpm
            if p == p_before and running:
                p_run += dt
                if p_run > p_stuck:
                    p_stuck = p_run
            elif p == p:
                p_run = 0.0
            if v == u and running:
                s_run += dt
                if s_run > s_stuck:
                    s_stuck = s_run
            else:
                s_run = 0.0
        u = v
        if p == p:
            p_before = p
    warm_t, cold_max, temperature_end = np.nan, np.nan, np.nan
    is_warm, any_temperature = False, False
    warm_at = n
    for i in range(n):
        c = temperature[i]
        if c == c:
            any_temperature = True
            if c >= warm:
                is_warm, warm_t, warm_at = True, t[i], i
                break
    for i in range(warm_at):
        v = speed[i]
        if v == v and not v <= cold_max:
            cold_max = v
    for i in range(n - 1, -1, -1):
        if temperature[i] == temperature[i]:
            temperature_end = temperature[i]
            break
    p_max, p_at_max = -np.inf, 0
    for i in range(n):
        p = pressure[i]
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
    out[29] = p_at_max / (n)
    out[5] = 0.0
    if clock > 0:
        return

    # The start: of the engine, or of turning (there it is where the trace begins).
    if turning:
        s, before_s = 0, 0
    else:
        s, before_s = _level_run(t, speed, start_rpm, sustain, gap)
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
    c, under = _level_run(t[s:], pressure[s:], threshold, sustain, gap)
    c, under = (c + s if c >= 0 else -1), (under + s if under >= 0 else -1)
    end = s
    for i in range(n - 1, s, -1):
        if (turning and speed[i] > 0) or (not turning and speed[i] >= start_rpm):
            end = i
            break
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
    below, inside = False, False
    t0, p0, v0 = 0.0, 0.0, 0.0
    t_c, pressure_c, speed_c = t[c:], pressure[c:], speed[c:]
    for i in range(t_c.shape[0]):
        p, v = pressure_c[i], speed_c[i]
        if p != p:
            continue
        if not turning and not (v >= start_rpm):
            inside, below = False, False
            continue
        if p < lowest:
            lowest = p
        if p < threshold:
            if not below:
                dips += 1
            below = True
        else:
            below = False
        if inside:
            dt = t_c[i] - t0
            if dt <= gap:
                area += 0.5 * (p + p0) * dt
                length += dt
                if p0 < threshold:
                    dip_s += dt
                if abs(v - v0) <= steady * abs(v0):
                    rough += (p - p0) * (p - p0)
                    pairs += 1
        inside, t0, p0, v0 = True, t_c[i], p, v
    out[14], out[15] = dips, dip_s
    if lowest < np.inf:
        out[16] = lowest
    if length > 0:
        mean = area / length
        out[17] = mean
        for i in range(c, n):
            if pressure[i] >= 0.9 * mean:
                out[19] = t[i] - point
                break
    if pairs > 0:
        out[18] = np.sqrt(rough / (2.0 * pairs))
