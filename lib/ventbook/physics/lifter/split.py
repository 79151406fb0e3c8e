"""Every lifter check of a frame: cause, trapped air, growth, and the gap at reference force and hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook import tables
from ventbook.numerics import Floats
from ventbook.physics.lifter.cause import (
    CAUSES,
    SURE,
    SURE_OPEN_FORCE,
    Readings,
    cause_probabilities,
    compare_after_run,
    kind_likelihoods,
    name_cause,
    out_of_order,
    shares_of_two,
    weigh_after_run,
    weigh_late,
    weigh_release,
    weigh_second_force,
)
from ventbook.physics.lifter.check import (
    BIT,
    GAUGE_U,
    HAND_TIMING_U,
    TAKEN,
    TYPE_UNKNOWN,
    Checks,
    read_checks,
)
from ventbook.physics.lifter.motion import (
    chamber_rise_bar,
    clearance_of_growth_um,
    split_readings,
    trapped_air_mm3,
)
from ventbook.physics.lifter.reference import (
    INDEX,
    bring_to_reference,
    compare_forces,
    leak_force_u,
    point_of_first_press,
    press_first,
    scale_to_force,
    spring_of,
)
from ventbook.physics.lifter.spread import SEED, Press, intervals_of_one, intervals_of_two

STATES = ("two_readings", "one_reading", "no_air_found", "not_pressed", "not_recorded")
READ_AGAIN = "contradictory, read again"
_CONTRADICTORY, _FELL, _OFF_FORCE, _ZERO = (1 << len(TAKEN) + 1 + i for i in range(4))
_PROBABILITIES = tuple(f"{cause}_probability" for cause in CAUSES)
POINT_STEPS = 4  # the scales of the first press hang on the air travel a little
_READ = tuple(name for name in Readings.__dataclass_fields__ if name != "first_press")
_PLAIN = tuple(name for name in Checks.__dataclass_fields__ if name not in ("readings", "press"))
LIKELIHOODS = ("air_likelihood", "leak_down_likelihood")


def split_gaps(
    frame: pd.DataFrame,
    *,
    reference_force_N: float | None = None,
    reference_hold_s: float | None = None,
    level: float = 0.9,
    gauge_u_mm: float = GAUGE_U,
    timing_u_s: tuple[float, float] = HAND_TIMING_U,
    seed: int = SEED,
) -> pd.DataFrame:
    """What each check says about its lifter: air or leak-down, how much, and how sure.

    Parameters
    ----------
    frame : DataFrame
        One row a check with the stored columns of lifter checks and engines: ``gap_mm`` (required),
        ``gap_at_once_mm``, ``gap_at_once_time_s``, ``gap_at_once_force_N``, ``hold_s``, ``force_N`` (at the end of
        the hold), ``gap_no_force_mm``, ``second_force_N``, ``second_gap_mm``, ``late_gap_mm``,
        ``late_gap_time_s``, ``gap_released_mm``, ``rocker_ratio``, ``plunger_...``, ``engine_type``,
        ``elevation_m``, ``oil_grade``, ``oil_temperature_degC``, and where there are any ``gauge_u_mm`` and
        ``gap_after_run_mm`` (the gap read again after a further run) or ``gap_last_mm`` with
        ``extra_run_between``.
    reference_force_N, reference_hold_s : float, N and s, optional
        Force and hold that the limit is for; default the placeholders' (``data/limits.toml``).
    level : float
        Confidence level of intervals, 0.9 = 90 %.
    gauge_u_mm : float, mm
        Standard uncertainty of a reading where the frame has none.
    timing_u_s : tuple of two float, s
        Standard uncertainties of the two reading times; (0, 0) where they were logged.
    seed : int
        Seed of the quasi-random points behind the intervals.

    Returns
    -------
    DataFrame
        Of the same index: ``split_state`` (one of STATES), ``cause`` (one of CAUSES or unclear; "" where
        there is no gap to explain), ``..._probability`` of each of CAUSES, ``air_likelihood`` and
        ``leak_down_likelihood`` of the readings (they add up to 1 and hold nothing of how common either is:
        :func:`kind_likelihoods`), ``growth_share``, ``trapped_air_mm3`` with ``_low`` and ``_high`` (of
        ``level``; from one reading an upper number, all of the gap taken as air), ``growth_um_per_s`` with
        ``_low`` and ``_high`` (plunger speed, two readings only), ``clearance_um`` that would leak as fast,
        ``half_force_ratio`` with ``half_force_ratio_air`` expected of air alone, ``gap_corrected_mm`` and
        ``gap_corrected_u_mm`` at reference force and hold, ``split_note``. Shares and amounts of air and
        growth are missing where the readings are contradictory.

    Raises
    ------
    ValueError
        Without ``gap_mm``, or for a level outside (0, 1).

    Notes
    -----
    The model of the gap and its inverse stand in :mod:`ventbook.physics.lifter.motion`, the probabilities of
    the causes in :mod:`ventbook.physics.lifter.cause`, the intervals (after JCGM 101) in
    :mod:`ventbook.physics.lifter.spread`.

    Examples
    --------
    A gap that is there at once and doesn't grow is air; one that grows under force is leak-down:

    >>> import pandas as pd
    >>> from ventbook.physics import lifter
    >>> checks = pd.DataFrame(
    ...     {
    ...         "engine_type": "flat4",
    ...         "force_N": 83.0,
    ...         "hold_s": 4.0,
    ...         "gap_at_once_mm": [0.80, 0.15],
    ...         "gap_at_once_time_s": 0.5,
    ...         "gap_no_force_mm": 0.0,
    ...         "gap_mm": [0.81, 0.95],
    ...     }
    ... )
    >>> lifter.split_gaps(checks)["cause"].tolist()
    ['air', 'leak_down']
    """
    if "gap_mm" not in frame.columns:
        raise ValueError("frame must have the column gap_mm; it has " + ", ".join(map(str, frame.columns)))
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must be between 0 and 1; got {level!r}")
    reference_force_N = _usual_reference("check_force") if reference_force_N is None else reference_force_N
    reference_hold_s = _usual_reference("check_hold") if reference_hold_s is None else reference_hold_s
    if min(reference_force_N, reference_hold_s) <= 0:
        raise ValueError(
            f"reference force and hold must be over 0; got {reference_force_N}, {reference_hold_s}"
        )
    checks = read_checks(
        frame,
        reference_force_N=reference_force_N,
        reference_hold_s=reference_hold_s,
        gauge_u_mm=gauge_u_mm,
        timing_u_s=timing_u_s,
    )
    first_of, row_of = _distinct(checks)
    part = _rows(checks, first_of)
    answer = _split_distinct(part, reference_force_N, reference_hold_s, level, seed)
    out = answer.iloc[row_of].set_axis(frame.index, axis=0)
    return out.astype({"split_state": "str", "cause": "str", "split_note": "str"})


def correct_to_reference(
    frame: pd.DataFrame, *, reference_force_N: float | Floats, reference_hold_s: float | Floats
) -> Floats:
    """The gap that each check would have read at the limit's force and hold.

    Parameters
    ----------
    frame : DataFrame
        One row a check, columns as in :func:`split_gaps`.
    reference_force_N, reference_hold_s : float or ndarray of shape (n,), N and s
        Force and hold that the limit is for.

    Returns
    -------
    ndarray, shape (n,), mm
        Missing where no gap was read or the force did not beat the lifter's spring.

    Raises
    ------
    ValueError
        Where a reference is not over 0.

    Notes
    -----
    The air part goes by compression, the growing part by pressure and time; one reading counts as air.

    Examples
    --------
    Half the force squeezes the same air less:

    >>> import pandas as pd
    >>> from ventbook.physics import lifter
    >>> check = pd.DataFrame({"engine_type": ["flat4"], "force_N": [42.0], "hold_s": [4.0], "gap_mm": [0.40]})
    >>> lifter.correct_to_reference(check, reference_force_N=83.0, reference_hold_s=4.0).round(2).tolist()
    [0.52]
    """
    force, hold = (
        np.broadcast_to(np.asarray(x, float), len(frame)) for x in (reference_force_N, reference_hold_s)
    )
    if np.any(~(force > 0)) or np.any(~(hold > 0)):
        raise ValueError(f"reference force and hold must be over 0; got {np.min(force):g}, {np.min(hold):g}")
    checks = read_checks(frame, reference_force_N=force, reference_hold_s=hold)
    state = _state(checks)
    _, growth, until = _point(checks, state)
    found = bring_to_reference(checks, state, growth, until, force, hold)
    return np.asarray(found["gap_corrected_mm"], dtype=float)


def tell_after_run(frame: pd.DataFrame) -> npt.NDArray[np.object_]:
    """What a further run did to each gap, beyond what the readings' uncertainty allows.

    Parameters
    ----------
    frame : DataFrame
        One row a check, columns as in :func:`split_gaps`, ``gap_after_run_mm`` among them.

    Returns
    -------
    ndarray of str, shape (n,)
        "smaller", "same", "worse", "" where the gap was not read again after a run.

    Notes
    -----
    All of the gap may have grown under force unless it was read at once too.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import lifter
    >>> checks = pd.DataFrame(
    ...     {"engine_type": "flat4", "force_N": 83.0, "hold_s": 4.0, "gap_mm": 0.8, "gap_after_run_mm": [0.1, 0.8, float("nan")]}
    ... )
    >>> lifter.tell_after_run(checks).tolist()
    ['smaller', 'same', '']
    """
    checks = read_checks(
        frame,
        reference_force_N=_usual_reference("check_force"),
        reference_hold_s=_usual_reference("check_hold"),
    )
    r, state = checks.readings, _state(checks)
    _, speed, until = _point(checks, state)
    growth = r.rocker_ratio * speed * 1e-3 * until
    grown = np.where(state == 0, growth, np.maximum(r.gap - r.slack, 0.0))
    return compare_after_run(checks.after_run, r, grown, u_leak_force=leak_force_u(checks))


def _usual_reference(step: str) -> float:
    """The reference of a condition among the placeholders, the same for every engine type and day."""
    value = next(row.reference for row in tables.load_limits().rows if row.step == step)
    assert value is not None  # the loader refuses a condition without reference
    return value


def _columns(checks: Checks) -> dict[str, npt.NDArray[np.generic]]:
    found = {f"r.{n}": getattr(checks.readings, n) for n in _READ}
    found |= {f"p.{n}": getattr(checks.press, n) for n in checks.press.__dataclass_fields__}
    return found | {n: getattr(checks, n) for n in _PLAIN}


def _distinct(checks: Checks) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """First row of each distinct check, and which of them each row is: readings are rounded and repeat."""
    table = pd.DataFrame(_columns(checks))
    codes, _ = pd.factorize(pd.util.hash_pandas_object(table, index=False))
    first = np.zeros(int(codes.max(initial=-1)) + 1, dtype=np.intp)
    first[codes[::-1]] = np.arange(len(codes))[::-1]
    return first, codes


def _rows(checks: Checks, rows: npt.NDArray[np.generic]) -> Checks:
    readings = Readings(*(getattr(checks.readings, n)[rows] for n in _READ))
    press = Press(*(getattr(checks.press, n)[rows] for n in Press.__dataclass_fields__))

    rest = {n: getattr(checks, n)[rows] for n in _PLAIN}
    return Checks(readings, press, **rest)


def _state(c: Checks) -> npt.NDArray[np.intp]:
    r, p = c.readings, c.press
    missing = ~np.isfinite(r.gap) | (r.gap < 0)
    unpressed = p.force <= p.spring_force
    nothing = r.gap - r.slack <= 0
    two = np.isfinite(r.first_gap)
    return np.select([missing, unpressed, nothing, two], [4, 3, 2, 0], 1)


def _split_distinct(c: Checks, force: float, hold: float, level: float, seed: int) -> pd.DataFrame:
    state = _state(c)
    n = len(state)
    gapped = state <= 1
    travel, growth, until = _point(c, state)
    out: dict[str, npt.NDArray[np.generic]] = {"split_state": np.array(STATES, dtype=object)[state]}
    probabilities, share = np.full((n, len(CAUSES)), np.nan), np.full(n, np.nan)
    likelihoods = np.full((n, len(LIKELIHOODS)), np.nan)
    cause = np.full(n, "", dtype=object)
    if gapped.any():
        probabilities[gapped], share[gapped], likelihoods[gapped] = _ask_causes(_rows(c, gapped))
        open_force = (c.press.first_high > c.press.first_low)[gapped]
        cause[gapped] = name_cause(probabilities[gapped], np.where(open_force, SURE_OPEN_FORCE, SURE))
    # without force on the chamber the readings say nothing of air or leak
    cause[state == 3] = "unclear"
    cause[(state == 2) & (out_of_order(_with_first_press(c)) >= SURE)] = "contradictory"
    contradictory = cause == "contradictory"
    out["cause"] = cause
    out |= {name: probabilities[:, i] for i, name in enumerate(_PROBABILITIES)}
    out |= {name: likelihoods[:, i] for i, name in enumerate(LIKELIHOODS)}
    # air and growth are taken from readings that can be right
    out["growth_share"] = np.where(gapped & ~contradictory, share, np.nan)
    volumes = _volumes(c, state, travel, growth, level, seed)
    out |= {name: np.where(contradictory, np.nan, values) for name, values in volumes.items()}
    out |= compare_forces(c, state)
    out |= bring_to_reference(c, state, growth, until, force, hold)
    out["split_note"] = _notes(c, state, force, contradictory)
    return pd.DataFrame(out)


def _point(c: Checks, state: npt.NDArray[np.intp]) -> tuple[Floats, Floats, Floats]:
    """Air travel [mm] and growth [um/s], the nearest possible to the readings, and the time [s] that it grew for at the last
    force; one reading: all air.
    """
    r = c.readings
    travel = np.maximum(r.gap - r.slack, 0.0) / r.rocker_ratio
    growth, grew_for = np.zeros(len(travel)), r.time.copy()
    two = state == 0
    if two.any():
        part = _rows(c, two)
        travel[two], growth[two], grew_for[two] = _point_of_two(part, travel[two])
    return travel, growth, grew_for


def _point_of_two(c: Checks, moved: Floats) -> tuple[Floats, Floats, Floats]:
    r, air_travel = c.readings, moved
    for _ in range(POINT_STEPS):
        scale, before, until = point_of_first_press(c, air_travel)
        x, v = split_readings(
            r.first_gap,
            before,
            r.gap,
            until,
            rocker_ratio=r.rocker_ratio,
            slack_mm=r.slack,
            air_scale=scale,
        )
        air_travel = np.clip(x, 0.0, moved)
    fell, no_air = v < 0, x < 0
    mean = np.maximum((r.first_gap - r.slack) / scale + r.gap - r.slack, 0.0) / 2.0 / r.rocker_ratio
    travel = np.where(fell, mean, np.maximum(x, 0.0))
    return travel, np.where(fell, 0.0, np.where(no_air, moved / until * 1e3, v)), until


def _with_first_press(c: Checks) -> Readings:
    return replace(c.readings, first_press=press_first(c))


def _ask_causes(c: Checks) -> tuple[Floats, Floats, Floats]:
    r = _with_first_press(c)
    air, u_air, leak, u_leak = scale_to_force(c, c.second_force)
    second = np.where(np.isfinite(air), c.second_gap, np.nan)
    weights = [
        weigh_second_force(
            second,
            r,
            air_scale=np.nan_to_num(air, nan=1.0),
            u_air_scale=np.nan_to_num(u_air, nan=1.0),
            leak_scale=np.nan_to_num(leak, nan=1.0),
            u_leak_scale=np.nan_to_num(u_leak, nan=1.0),
        ),
        weigh_late(c.late_gap, c.late_time, r, u_leak_force=leak_force_u(c)),
        weigh_release(c.released_gap, r),
        weigh_after_run(c.after_run, r, u_leak_force=leak_force_u(c), runs=c.runs),
    ]
    more = {"pressed_again": np.isfinite(second), "shares": shares_of_two(r)}
    return *cause_probabilities(r, weights, **more), kind_likelihoods(r, weights, **more)


def _volumes(
    c: Checks, state: npt.NDArray[np.intp], travel: Floats, growth: Floats, level: float, seed: int
) -> dict[str, npt.NDArray[np.generic]]:
    r, p, n = c.readings, c.press, len(state)
    air = trapped_air_mm3(travel, p.force, **spring_of(p), index=INDEX)
    air = np.where((state <= 1) & np.isfinite(air), air, np.where(state == 2, 0.0, np.nan))
    spread, growing = np.full((n, 3), np.nan), np.full((n, 3), np.nan)
    two, one = state == 0, state == 1
    if two.any():
        rows = np.column_stack(
            [r.first_gap, r.first_time, r.gap, r.time, r.slack, r.u_gap, r.u_first_time, r.u_time, r.u_slack]
        )[two]
        found = intervals_of_two(rows, _rows(c, two).press, level=level, seed=seed)
        spread[two], growing[two] = found["air"], found["growth"]
    if one.any():
        rows = np.column_stack([r.gap, r.slack, r.u_gap, r.u_slack])[one]
        spread[one] = intervals_of_one(rows, _rows(c, one).press, level=level, seed=seed)
        spread[one, 0] = 0.0
    for ends, value in ((spread, air), (growing, growth)):
        # an answer at its bound (no air, no growth) belongs to its interval
        ends[:, 0], ends[:, 1] = np.fmin(ends[:, 0], value), np.fmax(ends[:, 1], value)
    growing[~two] = np.nan
    rise = chamber_rise_bar(
        p.force,
        spring_force_N=p.spring_force,
        spring_rate_N_per_mm=p.spring_rate,
        travel_mm=travel,
        diameter_mm=p.diameter,
    )
    known = two & np.isfinite(c.viscosity)
    viscosity = np.where(known, c.viscosity, 1.0)
    clearance = clearance_of_growth_um(
        growth, rise, diameter_mm=p.diameter, land_mm=c.land, viscosity_Pa_s=viscosity
    )
    return {
        "trapped_air_mm3": air,
        "trapped_air_low_mm3": spread[:, 0],
        "trapped_air_high_mm3": spread[:, 1],
        "growth_um_per_s": np.where(two, growth, np.nan),
        "growth_low_um_per_s": growing[:, 0],
        "growth_high_um_per_s": growing[:, 1],
        "clearance_um": np.where(known, clearance, np.nan),
    }


def _notes(
    c: Checks, state: npt.NDArray[np.intp], force: float, contradictory: npt.NDArray[np.bool_]
) -> npt.NDArray[np.object_]:
    r = c.readings
    flags = c.taken.copy()
    fell = contradictory & ((r.gap < r.first_gap) | (c.late_gap < r.gap))
    off = (np.abs(c.press.force - force) > 0.05 * force) & (state < 4)
    for mask, flag in (
        (contradictory, _CONTRADICTORY),
        (fell, _FELL),
        (off, _OFF_FORCE),
        ((r.gap == 0), _ZERO),
    ):
        flags[mask] |= flag
    codes, distinct = pd.factorize(flags * len(STATES) + state)
    return np.array([_note(int(d) // len(STATES), int(d) % len(STATES)) for d in distinct], dtype=object)[
        codes
    ]


def _note(flags: int, state: int) -> str:
    said = {
        1: "one reading: all of the gap taken as air",
        2: "gap not over the slack: no air found",
        3: "the force does not beat the lifter's spring",
        4: "no gap on record",
    }
    parts = [said[state]] if state in said else []
    if flags & _ZERO:
        parts.append("0.00 is no gap: with low compression on this cylinder look for a stuck plunger")
    if flags & _CONTRADICTORY:
        parts.append(READ_AGAIN + (": the gap fell while force was held" if flags & _FELL else ""))
    if flags & _OFF_FORCE:
        parts.append("read off the reference force")
    if flags & TYPE_UNKNOWN:
        parts.append("engine type not in the table")
    names = [text for name, text in TAKEN.items() if flags & BIT[name]]
    if names and state < 4:
        parts.append(f"usual value taken for {', '.join(names)}")
    return "; ".join(parts)
