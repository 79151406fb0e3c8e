"""The compiled reduction of one start's samples, in short plain loops that the compiler gives to the vector units.

Only what is called from outside is kept in the compiler's cache on disk: a part that came from there could not be built
into its caller, and the whole would run slower by a fifth.

Conventions
-----------
- A sample whose value is NaN is passed over; it neither ends nor prolongs what stands before it.
- "Sustained": consecutive known samples at or over the level, from the first to some later one at least
  ``sustain_s`` apart, no two neighbours more than ``gap_s`` apart (a gap begins the count anew).
- The start lies in (last sample under the start speed, first sample of the sustained run]; pressure in (last
  sample under the threshold, first sample of the sustained run], or from the start on where no such sample is known.
  Time to pressure is the difference of the two intervals, its point the difference of the straight-line crossings.
- Where the known samples of the running engine end within the sustained second, at or over the threshold, pressure was
  about to show when nobody looked any longer: the run they end in counts as the sustained one, and ``cut_short`` is 1.
  Where they end under the threshold, pressure came later than the last of them.
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
    "pressure_low_t",
    "pressure_t",
    "cut_short",
)
_N = len(OUTPUTS)
_BLOCK = 512  # samples worked on at a time, which stay in the fastest cache
_SMALL = 64  # samples passed over at a time where nothing happens in them


@njit(nogil=True, cache=True)
def find_bounds(venting, start_no):  # pragma: no cover
    """Row numbers at which either key changes, with 0 and the number of rows at the ends."""
    n = venting.shape[0]
    if n == 0:
        return np.zeros(1, dtype=np.int64)
    bounds = np.empty(n + 1, dtype=np.int64)
    bounds[0] = 0
    k = 1
    for begin in range(0, n - 1, _BLOCK):
        end = min(begin + _BLOCK, n - 1)
        ids, next_ids = venting[begin:end], venting[begin + 1 : end + 1]
        numbers, next_numbers = start_no[begin:end], start_no[begin + 1 : end + 1]
        changes = 0
        for i in range(end - begin):
            changes += (ids[i] != next_ids[i]) | (numbers[i] != next_numbers[i])
        if changes > 0:
            for i in range(end - begin):
                if ids[i] != next_ids[i] or numbers[i] != next_numbers[i]:
                    bounds[k] = begin + i + 1
                    k += 1
    bounds[k] = n
    return bounds[: k + 1].copy()


@njit(nogil=True, cache=True)
def reduce_segments(bounds, t, speed, pressure, temperature, turning, steps, settings):  # pragma: no cover
    """One row of OUTPUTS a segment ``bounds[i]:bounds[i + 1]``; float64 arrays, NaN = not known."""
    n = bounds.shape[0] - 1
    out = np.full((n, _N), np.nan)
    room = np.empty((2, _BLOCK))
    for k in range(n):
        a, b = bounds[k], bounds[k + 1]
        # slices that start at 0 let the compiler drop its care for negative indices
        _reduce_one(
            t[a:b], speed[a:b], pressure[a:b], temperature[a:b], turning[k], steps[k], settings, room, out[k]
        )
    return out


@njit(nogil=True)
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


@njit(nogil=True)
def _run_at_end(t, x, level, gap):  # pragma: no cover
    """(first index of the run at or over ``level`` that the known samples end in or -1, last one under it before or -1)."""
    first, under, previous = -1, -1, -1
    for i in range(t.shape[0]):
        if np.isnan(x[i]):
            continue
        if x[i] < level:
            first, under = -1, i
        elif first < 0 or t[i] - t[previous] > gap:
            first = i
        previous = i
    return first, under


@njit(nogil=True)
def _crossing(t, x, a, b, level):  # pragma: no cover
    """Straight-line time at which x passes ``level`` between samples a (under) and b (at or over)."""
    if a < 0:
        return t[b]
    return t[a] + (level - x[a]) / (x[b] - x[a]) * (t[b] - t[a])


@njit(nogil=True)
def _sum(x):  # pragma: no cover
    """Sum in eight lanes: as fast as the vector units, and the same to the last bit on any of them."""
    a, b, c, d, e, f, g, h = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    whole = x.shape[0] // 8
    for j in range(whole):
        i = 8 * j
        a += x[i]
        b += x[i + 1]
        c += x[i + 2]
        d += x[i + 3]
        e += x[i + 4]
        f += x[i + 5]
        g += x[i + 6]
        h += x[i + 7]
    for i in range(8 * whole, x.shape[0]):
        a += x[i]
    return ((a + b) + (c + d)) + ((e + f) + (g + h))


@njit(nogil=True)
def _count_highest(x):  # pragma: no cover
    """(highest known value or -inf, how many samples stand at it); few blocks hold one that is higher than before."""
    highest, count = -np.inf, 0
    for begin in range(0, x.shape[0], _SMALL):
        block = x[begin : min(begin + _SMALL, x.shape[0])]
        higher, equal = 0, 0
        for i in range(block.shape[0]):
            higher += block[i] > highest
            equal += block[i] == highest
        if higher == 0:
            count += equal
            continue
        for i in range(block.shape[0]):
            if block[i] > highest:
                highest, count = block[i], 1
            elif block[i] == highest:
                count += 1
    return highest, count


@njit(nogil=True)
def _first_outside(x, low, high):  # pragma: no cover
    """Index of the first value that is not in [low, high], or their number; by blocks, most of which lie inside."""
    n = x.shape[0]
    for begin in range(0, n, _SMALL):
        block = x[begin : min(begin + _SMALL, n)]
        inside = 0
        for i in range(block.shape[0]):
            inside += (block[i] >= low) & (block[i] <= high)
        if inside < block.shape[0]:
            for i in range(block.shape[0]):
                if not low <= block[i] <= high:
                    return begin + i
    return n


@njit(nogil=True)
def _clock(t, gap):  # pragma: no cover
    """(steps that do not rise, steps over ``gap``, widest step) of the clock."""
    rising, within, widest = 0, 0, 0.0
    pairs = t.shape[0] - 1
    for begin in range(0, pairs, _BLOCK):
        n = min(_BLOCK, pairs - begin)
        t0, t1 = t[begin : begin + n], t[begin + 1 : begin + 1 + n]
        usual, fine = min(widest, gap), 0
        for i in range(n):
            dt = t1[i] - t0[i]
            fine += (dt > 0) & (dt <= usual)
        if fine == n:
            rising, within = rising + n, within + n
            continue
        wider = 0
        for i in range(n):
            dt = t1[i] - t0[i]
            rising += dt > 0
            within += (dt > 0) & (dt <= gap)
            wider += dt > widest
        if wider > 0:
            for i in range(n):
                widest = max(widest, t1[i] - t0[i])
    return pairs - rising, rising - within, widest


@njit(nogil=True)
def _bands(steps):  # pragma: no cover
    """Low and high end, next speed under and next over, of the first hold, warm-up, extra run, hold doubled, halved."""
    bands = np.empty((5, 4))
    for k in range(5):
        at = 2 * k if k < 3 else 0
        scale = 2.0 if k == 3 else (0.5 if k == 4 else 1.0)
        low, high = scale * steps[2 + at], scale * steps[3 + at]
        # one by one: a row at once asks the compiler for numpy's messages about shapes, a fifth of its time
        bands[k, 0], bands[k, 1] = low, high
        bands[k, 2], bands[k, 3] = np.nextafter(low, -np.inf), np.nextafter(high, np.inf)
    return bands


@njit(nogil=True)
def _add_band_seconds(t, speed, bands, seconds):  # pragma: no cover
    """Seconds in each band, of a stretch whose clock rises without a gap.

    They are counted from sample to sample at which a band is entered or left: between ``low`` and ``high`` none is.
    """
    inside = np.zeros(seconds.shape[0], dtype=np.bool_)
    n, begin = t.shape[0], 0
    while begin < n:
        v = speed[begin]
        low, high = (-np.inf, np.inf) if v == v else (np.nan, np.nan)
        for k in range(seconds.shape[0]):
            inside[k] = bands[k, 0] <= v <= bands[k, 1]
            if inside[k]:
                low, high = max(low, bands[k, 0]), min(high, bands[k, 1])
            elif v < bands[k, 0]:
                high = min(high, bands[k, 2])
            elif v > bands[k, 1]:
                low = max(low, bands[k, 3])
        end = begin + 1 + _first_outside(speed[begin + 1 :], low, high)
        for k in range(seconds.shape[0]):
            if inside[k]:
                seconds[k] += t[min(end, n - 1)] - t[begin]
        begin = end


@njit(nogil=True)
def _warm_up(t, speed, temperature, warm, out):  # pragma: no cover
    """Time at which the oil is warm (NaN where it never is); last temperature and top speed before into ``out``."""
    n = t.shape[0]
    known = n - 1
    while known >= 0 and temperature[known] != temperature[known]:
        known -= 1
    if known < 0:
        return np.nan
    out[25] = temperature[known]
    cold = np.nextafter(warm, -np.inf)
    warm_at = _first_outside(temperature, -np.inf, cold)
    while warm_at < n and temperature[warm_at] != temperature[warm_at]:
        warm_at += 1 + _first_outside(temperature[warm_at + 1 :], -np.inf, cold)
    fastest, _ = _count_highest(speed[:warm_at])
    if fastest > -np.inf:
        out[26] = fastest
    return t[warm_at] if warm_at < n else np.nan


@njit(nogil=True)
def _may_repeat(x, samples):  # pragma: no cover
    """False where no value stands in more than ``samples`` known samples running.

    A longer run holds eight of every ``samples // 8``-th sample, so only those are looked at.
    """
    step = samples // 8
    if step < 1:
        return True
    same, before = 0, np.nan
    for i in range(0, x.shape[0], step):
        if x[i] != x[i]:
            return True
        same = same + 1 if x[i] == before else 1
        before = x[i]
        if same >= 8:
            return True
    return False


@njit(nogil=True)
def _longest_repeat(t, x, speed, start_rpm, gap):  # pragma: no cover
    """Longest time at one value while the engine runs, without a gap in it; NaN is passed over."""
    run, longest, before = 0.0, 0.0, x[0]
    for i in range(1, t.shape[0]):
        dt = t[i] - t[i - 1]
        if dt > gap:
            run = 0.0
        elif dt > 0:
            if x[i] == before and speed[i] >= start_rpm:
                run += dt
                longest = max(longest, run)
            elif x[i] == x[i]:
                run = 0.0
        if x[i] == x[i]:
            before = x[i]
    return longest


@njit(nogil=True)
def _after_pressure(
    t, speed, pressure, turning, threshold, start_rpm, steady, gap, room, out
):  # pragma: no cover
    """Dips, lowest, mean and roughness of known pressure while the engine runs, into ``out``.

    Loops are many and short so that each keeps to the vector units.
    """
    dips, lowest, pairs = 0, np.inf, 0
    dip_s, area, length, rough = 0.0, 0.0, 0.0, 0.0
    if turning or speed[0] >= start_rpm:
        lowest = pressure[0]
    last = t.shape[0] - 1
    for begin in range(0, last, _BLOCK):
        n = min(_BLOCK, last - begin)
        end = begin + n
        t0, v0, p0 = t[begin:end], speed[begin:end], pressure[begin:end]
        t1, v1, p1 = t[begin + 1 : end + 1], speed[begin + 1 : end + 1], pressure[begin + 1 : end + 1]
        dts, terms = room[0, :n], room[1, :n]
        floor, fine = max(lowest, threshold), 0
        for i in range(n):
            dt = t1[i] - t0[i]
            dts[i] = dt
            fine += (dt <= gap) & (v1[i] >= start_rpm) & (p1[i] >= floor)
        low, lower, counted = 0, 0, n
        if fine < n or not v0[0] >= start_rpm or p0[0] < threshold:  # else nothing happens here
            counted = 0
            for i in range(n):
                ran, runs = turning | (v0[i] >= start_rpm), turning | (v1[i] >= start_rpm)
                whole = (dts[i] <= gap) & ran & runs
                dts[i] = dts[i] if whole else 0.0
                counted += whole
                low += p0[i] < threshold
                lower += runs & (p1[i] < lowest)
        length += t1[n - 1] - t0[0] if counted == n else _sum(dts)
        for i in range(n):
            terms[i] = dts[i] * 0.5 * (p0[i] + p1[i])
        area += _sum(terms)
        for i in range(n):
            even = (dts[i] > 0) & (abs(v1[i] - v0[i]) <= steady * abs(v0[i]))
            step = p1[i] - p0[i]
            terms[i] = step * step if even else 0.0
            pairs += even
        rough += _sum(terms)
        if lower > 0:
            for i in range(n):
                if (turning or v1[i] >= start_rpm) and p1[i] < lowest:
                    lowest = p1[i]
        if low > 0 or p1[n - 1] < threshold:
            for i in range(n):
                if p0[i] < threshold:
                    dip_s += dts[i]
                runs = turning or v1[i] >= start_rpm
                was_low = p0[i] < threshold and (turning or v0[i] >= start_rpm)
                dips += runs and p1[i] < threshold and not was_low
    out[14], out[15] = dips, dip_s
    if lowest < np.inf:
        out[16] = lowest
    if pairs > 0:
        out[18] = np.sqrt(rough / (2.0 * pairs))
    if length > 0:
        out[17] = area / length


@njit(nogil=True)
def _reduce_one(t, speed, pressure, temperature, turning, steps, settings, room, out):  # pragma: no cover
    n = t.shape[0]
    start_rpm, sustain, gap = settings[0], settings[1], settings[2]
    steady, stuck = settings[3], settings[4]
    threshold, warm = steps[0], steps[1]
    out[0] = n
    if n == 0:
        return
    out[1] = t[n - 1] - t[0]
    out[2], out[3], out[4] = _clock(t, gap)
    seconds, bands = np.zeros(5), _bands(steps)
    begin = 0
    if out[2] + out[3] > 0:
        for i in range(1, n):
            if not 0 < t[i] - t[i - 1] <= gap:
                _add_band_seconds(t[begin:i], speed[begin:i], bands, seconds)
                begin = i
    _add_band_seconds(t[begin:], speed[begin:], bands, seconds)
    out[20], out[21], out[22], out[23] = seconds[0], seconds[1], seconds[2], seconds[3] + seconds[4]
    warm_t = _warm_up(t, speed, temperature, warm, out)
    _, at_top = _count_highest(pressure)
    out[29] = at_top / n
    widest = min(gap, out[4])
    samples = int(stuck / widest) if widest > 0 else n
    out[27], out[28] = 0.0, 0.0
    if _may_repeat(pressure, samples):
        out[27] = _longest_repeat(t, pressure, speed, start_rpm, gap)
    if _may_repeat(speed, samples):
        out[28] = _longest_repeat(t, speed, speed, start_rpm, gap)
    out[5] = 0.0
    if out[2] > 0:
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
    if warm_t == warm_t:
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
    out[32] = 0.0
    if c < 0 or c > end:  # pressure after the engine stood still is no pressure of this start
        c, under = _run_at_end(t[s : end + 1], pressure[s : end + 1], threshold, gap)
        if c < 0 and under < 0:  # pressure is not known
            return
        c, under = (c + s if c >= 0 else -1), (under + s if under >= 0 else -1)
        out[32] = c >= 0
    turns, turns_under = 0.0, 0.0
    last = c if c >= 0 else under
    for i in range(s + 1, last + 1):
        turns += 0.5 * (speed[i] + speed[i - 1]) / 60.0 * (t[i] - t[i - 1])
        if i == under:
            turns_under = turns
    turns_over = turns
    out[30] = t[under] if under >= 0 else start_low
    out[31] = t[c] if c >= 0 else np.inf
    if c < 0:
        out[9], out[10] = t[under] - t[s], np.inf
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
    if out[32] > 0:
        return

    # After pressure showed, while the engine runs.
    t_c, speed_c, pressure_c = t[c:], speed[c:], pressure[c:]
    known = 0
    for i in range(pressure_c.shape[0]):
        known += pressure_c[i] == pressure_c[i]
    if known < pressure_c.shape[0]:
        known_c = pressure_c == pressure_c
        t_c, speed_c, pressure_c = t_c[known_c], speed_c[known_c], pressure_c[known_c]
    _after_pressure(t_c, speed_c, pressure_c, turning, threshold, start_rpm, steady, gap, room, out)
    for i in range(t_c.shape[0]):
        if pressure_c[i] >= 0.9 * out[17]:
            out[19] = t_c[i] - point
            break
