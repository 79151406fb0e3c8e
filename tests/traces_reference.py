"""A slow, obvious reading of one trace, to hold the compiled one against. Lists and plain loops, no state machines."""

import itertools
import math


def known(t, x):
    return [(a, b) for a, b in zip(t, x, strict=True) if not math.isnan(b)]


def sustained(points, level, sustain, gap):
    """(first time of the first sustained run or None, last time under the level before it or None)."""
    for i, (begin, value) in enumerate(points):
        if value < level:
            continue
        begins_a_run = i == 0 or points[i - 1][1] < level or begin - points[i - 1][0] > gap
        if not begins_a_run:
            continue
        for j in range(i, len(points)):
            if points[j][1] < level or (j > i and points[j][0] - points[j - 1][0] > gap):
                break
            if points[j][0] - begin >= sustain:
                under = [a for a, b in points[:i] if b < level]
                return begin, (under[-1] if under else None)
    under = [a for a, b in points if b < level]
    return None, (under[-1] if under else None)


def trapezoid(t, x, begin, end):
    total = 0.0
    for i in range(1, len(t)):
        if begin <= t[i - 1] and t[i] <= end:
            total += 0.5 * (x[i] + x[i - 1]) * (t[i] - t[i - 1])
    return total


def straight(t, x, a, b, level):
    if a is None:
        return b
    xa, xb = x[t.index(a)], x[t.index(b)]
    return a + (level - xa) / (xb - xa) * (b - a)


def features(t, speed, pressure, temperature, *, turning, steps, settings):
    """The times, rotations, dips and integrals of one trace; nan where not known."""
    nan = math.nan
    names = [
        "time_to_pressure_s",
        "time_low_s",
        "time_high_s",
        "start_low_t",
        "start_t",
        "pressure_low_t",
        "pressure_t",
        "cut_short",
        "rotations_low",
        "rotations_high",
        "dips",
        "dip_s",
    ]
    names += [
        "pressure_lowest_bar",
        "pressure_mean_bar",
        "warm_s",
        "speed_max_cold_rpm",
        "temperature_end_degC",
        "pressure_roughness_bar",
    ]
    found = dict.fromkeys(names, nan)
    n = len(t)
    for band, (low, high) in {
        "seconds_first_hold": steps[2:4],
        "seconds_warmup": steps[4:6],
        "seconds_extra_run": steps[6:8],
    }.items():
        found[band] = sum(
            t[i] - t[i - 1]
            for i in range(1, n)
            if 0 < t[i] - t[i - 1] <= settings.gap_s and low <= speed[i - 1] <= high
        )
    steps_of_t = [t[i] - t[i - 1] for i in range(1, n)]
    found["clock_steps"] = sum(1 for dt in steps_of_t if dt <= 0)
    found["gaps"] = sum(1 for dt in steps_of_t if dt > settings.gap_s)
    found["gap_max_s"] = max([0.0, *steps_of_t])
    temperatures = known(t, temperature)
    if temperatures:
        found["temperature_end_degC"] = temperatures[-1][1]
        warm_at = next((a for a, c in temperatures if c >= steps[1]), math.inf)
        cold = [v for a, v in known(t, speed) if a < warm_at]
        found["speed_max_cold_rpm"] = max(cold) if cold else nan
    else:
        warm_at = math.inf
    if any(t[i] <= t[i - 1] for i in range(1, n)):
        return found
    if turning:
        begin, before = t[0], t[0]
        start_point = begin
    else:
        begin, before = sustained(
            known(t, speed), settings.start_speed_rpm, settings.sustain_s, settings.gap_s
        )
        if begin is None:
            return found
        start_point = straight(t, speed, before, begin, settings.start_speed_rpm)
    if warm_at < math.inf:
        found["warm_s"] = max(0.0, warm_at - start_point)
    threshold = steps[0]
    after = [(a, p) for a, p in known(t, pressure) if a >= begin]
    crossing, under = sustained(after, threshold, settings.sustain_s, settings.gap_s)
    moving = (lambda v: v > 0) if turning else (lambda v: v >= settings.start_speed_rpm)
    end = max([begin] + [a for a, v in zip(t, speed, strict=True) if a >= begin and moving(v)])
    found["start_low_t"], found["start_t"] = nan if before is None else before, begin
    found["cut_short"] = 0.0
    if crossing is None or crossing > end:
        seen = [(a, p) for a, p in after if a <= end]
        if not seen:
            return found
        under = max((a for a, p in seen if p < threshold), default=None)
        if seen[-1][1] < threshold:
            found["time_low_s"], found["time_high_s"] = under - begin, math.inf
            found["pressure_low_t"], found["pressure_t"] = under, math.inf
            found["rotations_low"] = trapezoid(t, speed, begin, under) / 60
            found["rotations_high"] = math.inf
            return found
        # the last samples stand at or over the threshold: the earliest of them that no gap parts from the end
        crossing = seen[-1][0]
        for (a, p), (b, _) in reversed(list(itertools.pairwise(seen))):
            if p < threshold or b - a > settings.gap_s:
                break
            crossing = a
        found["cut_short"] = 1.0
    found["pressure_low_t"] = found["start_low_t"] if under is None else under
    found["pressure_t"] = crossing
    found["time_low_s"] = 0.0 if under is None else max(0.0, under - begin)
    found["time_high_s"] = crossing - before if before is not None else nan
    point = straight(t, pressure, under, crossing, threshold)
    found["time_to_pressure_s"] = max(0.0, point - start_point)
    found["rotations_low"] = 0.0 if under is None else trapezoid(t, speed, begin, under) / 60
    found["rotations_high"] = trapezoid(t, speed, begin, crossing) / 60
    if found["cut_short"]:
        return found
    rows = [
        (a, v, p) for a, v, p in zip(t, speed, pressure, strict=True) if a >= crossing and not math.isnan(p)
    ]
    stretches, stretch = [], []
    for a, v, p in rows:
        if turning or v >= settings.start_speed_rpm:
            stretch.append((a, v, p))
        elif stretch:
            stretches.append(stretch)
            stretch = []
    if stretch:
        stretches.append(stretch)
    dips, dip_s, area, length, squares = 0, 0.0, 0.0, 0.0, []
    for stretch in stretches:
        low = [p < threshold for _, _, p in stretch]
        dips += sum(1 for i, flag in enumerate(low) if flag and (i == 0 or not low[i - 1]))
        for (a, v, p), (b, w, q) in itertools.pairwise(stretch):
            if b - a <= settings.gap_s:
                if abs(w - v) <= settings.steady_share * abs(v):
                    squares.append((q - p) ** 2)
                area += 0.5 * (p + q) * (b - a)
                length += b - a
                dip_s += (b - a) if p < threshold else 0.0
    found["dips"], found["dip_s"] = dips, dip_s
    found["pressure_lowest_bar"] = min((p for s in stretches for _, _, p in s), default=nan)
    if length:
        found["pressure_mean_bar"] = area / length
    if squares:
        found["pressure_roughness_bar"] = math.sqrt(sum(squares) / (2 * len(squares)))
    return found


def stands_still(t, x, speed, settings):
    """Whether a channel repeats one value for longer than ``stuck_s`` while the engine runs; NaN is passed over."""
    for i in range(len(t)):
        if math.isnan(x[i]):
            continue
        seconds = 0.0
        for j in range(i + 1, len(t)):
            dt = t[j] - t[j - 1]
            if dt > settings.gap_s:
                break
            if math.isnan(x[j]) or dt <= 0:
                continue
            if x[j] != x[i] or not speed[j] >= settings.start_speed_rpm:
                break
            seconds += dt
            if seconds > settings.stuck_s:
                return True
    return False


def share_at_top(x):
    values = [v for v in x if not math.isnan(v)]
    return values.count(max(values)) / len(x) if values else 0.0
