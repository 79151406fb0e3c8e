"""What the project makes of the inputs of a published case: one function a capability, each calling a public function."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from ventbook import numerics
from ventbook.physics import gauge, lifter, oil, priming
from ventbook.statistics import causes, monitor, rates, trends, trials, waiting_times
from ventbook.statistics.causes import strata
from ventbook.statistics.rates.intervals import METHODS
from ventbook.statistics.waiting_times.curves import fit_npmle
from ventbook.statistics.waiting_times.intervals import collapse_readings
from ventbook.statistics.waiting_times.recording import count_chance
from ventbook.tables import units

Inputs = dict[str, Any]
Answer = dict[str, Any]
ANSWERS: dict[str, Callable[[Inputs], Answer]] = {}


def answers(capability: str) -> Callable[[Callable[[Inputs], Answer]], Callable[[Inputs], Answer]]:
    def keep(function: Callable[[Inputs], Answer]) -> Callable[[Inputs], Answer]:
        ANSWERS[capability] = function
        return function

    return keep


# units and physics


@answers("units")
def convert(c: Inputs) -> Answer:
    values = c.get("values", [1.0] * len(c.get("pairs", [])))
    pairs = c.get("pairs") or [c["all"]] * len(values)
    found = [units.convert(float(v), a, b) for v, (a, b) in zip(values, pairs, strict=True)]
    return {"factors": found, "values": found}


@answers("viscosity and temperature")
def follow_viscosity(c: Inputs) -> Answer:
    (nu1, nu2), (t1, t2) = c["kv"], c["at"]
    a, b = oil.walther_constants(nu1, t1, nu2, t2)
    return {"a": a, "b": b, "viscosity": oil.walther_viscosity(a, b, c.get("wanted", c["at"]))}


@answers("density of oil")
def follow_density(c: Inputs) -> Answer:
    return {"density": oil.expand_density(c["density15"], c["at"])}


@answers("ambient pressure")
def find_ambient(c: Inputs) -> Answer:
    return {"pascal": 1e5 * oil.ambient_pressure_bar(c["elevation_m"])}


@answers("pressure lost in a line")
def lose_pressure(c: Inputs) -> Answer:
    drop = 1e5 * priming.line_drop_bar(c["viscosity_Pa_s"], c["length_m"], c["flow_cm3_per_s"], c["bore_mm"])
    vein = units.convert(c.get("vein_mmHg", 0.0), "mmHg", "Pa")
    return {"pascal": drop, "pascal_with_vein": drop + vein}


@answers("leak past a plunger")
def leak(c: Inputs) -> Answer:
    central = lifter.leakage_flow_mm3_per_s(**c | {"eccentricity": 0.0})
    flow = lifter.leakage_flow_mm3_per_s(**c)
    return {"mm3_per_s": flow, "times_concentric": flow / central}


@answers("air under pressure")
def squeeze(c: Inputs) -> Answer:
    left = 1 - lifter.squeezed_share(c["rise_bar"], ambient_bar=c["ambient_bar"], index=c.get("index", 1.0))
    return {"left": np.asarray(c["volume"]) * left}


@answers("head of a liquid")
def stand(c: Inputs) -> Answer:
    return {"pascal": 1e5 * priming.head_bar(c["density_kg_per_m3"], c["head_m"])}


@answers("volume of a line")
def fill(c: Inputs) -> Answer:
    bore = units.convert(np.asarray(c["bore_in"], float), "in", "mm")
    return {"gallons": units.convert(priming.line_volume_cm3(0.3048, bore), "mL", "gal")}


@answers("air past a standing pump")
def pass_air(c: Inputs) -> Answer:
    terms = priming.rotations_to_prime(
        line_length_m=50.0,
        line_bore_mm=10.0,
        displacement_cm3=7.0,
        ambient_bar=c["low_bar"],
        tank_overpressure_bar=c["high_bar"] - c["low_bar"],
        pressurised_s=c["seconds"],
        let_through=priming.let_through_per_s_bar(c["clearance_um"], c["leak_ratio"], 7.0),
    )
    return {"cm3": terms["passed_cm3"]}


@answers("slip of a pump")
def slip_back(c: Inputs) -> Answer:
    side = priming.rotations_to_prime(
        line_length_m=1.0, line_bore_mm=10.0, displacement_cm3=1.0, lines_empty=False, gallery_cm3=1.0, viscosity_Pa_s=1.0,
        speed_rpm=60.0, oil_efficiency=1.0, slip=c["constant"] * np.asarray(c["over"]),
    )["pressure_side"]  # fmt: skip
    return {"efficiency": 1.0 / side}


@answers("bubble in a line")
def rise(c: Inputs) -> Answer:
    return {"m_per_s": priming.bubble_rise_m_per_s(c["bore_mm"], c["viscosity_Pa_s"], c["density_kg_per_m3"])}


# shares


@answers("interval of a share")
def bound_share(c: Inputs) -> Answer:
    return {m: rates.binomial_interval(c["x"], c["n"], level=c.get("level", 0.95), method=m) for m in METHODS}


@answers("difference of two shares")
def bound_difference(c: Inputs) -> Answer:
    difference, *limits = rates.difference_interval(**c)
    return {"difference": difference, "limits": limits}


@answers("correlation in a cluster")
def correlate(c: Inputs) -> Answer:
    return {"correlation": rates.intra_engine_correlation(c["x"], c["n"])}


@answers("left-censored regression")
def fit_left(c: Inputs) -> Answer:
    if "strength" in c:
        strength = np.array(c["strength"], dtype=float)
        y, cut = np.maximum(strength, c["least"]), strength < c["least"]
        design = np.column_stack([np.ones(y.size), np.arange(y.size) % 2])
    else:
        y = np.array(c["durable"])
        cut, design = y == 0, np.column_stack([np.ones(y.size), c["age"], c["quotient"]])
    fit = rates.fit_left_censored(y, cut, design, cluster=np.arange(y.size) if "clusters" in c else None)
    g = c.get("clusters", np.inf)
    return {
        "coefficients": fit.coefficients,
        "fitted": design @ fit.coefficients,
        "scale": fit.sd,
        "log_likelihood": fit.log_likelihood,
        "error": np.sqrt(np.diag(fit.naive)),
        "error_cr0": np.sqrt(np.diag(fit.covariance) * (1 - 1 / g)),
    }


# gauges


@answers("probability within a limit")
def judge_reading(c: Inputs) -> Answer:
    return {"within": 1 - float(gauge.over_limit_probability(c["reading"], c["u"], c["limit"]))}


@answers("guard band")
def guard(c: Inputs) -> Answer:
    accept = gauge.guard_band(c["limit"], c["u"], probability=c["probability"])
    return {"accept": accept, "band_in_u": (c["limit"] - accept) / c["u"]}


def study_frame(values: Any) -> pd.DataFrame:
    """Readings of a crossed study, values[technician][lifter] = repeats."""
    a = np.asarray(values, dtype=float)
    technician, part, repeat = (i.ravel() for i in np.indices(a.shape))
    names = {"technician": [f"T{i}" for i in technician], "lifter": [f"L{i}" for i in part]}
    return pd.DataFrame(names | {"repeat": repeat + 1, "gap_mm": a.ravel()})


@answers("gauge study")
def study(c: Inputs) -> Answer:
    found = gauge.analyse_crossed(c["values"])
    order = ("technician", "lifter", "interaction", "repeat")
    tables = {
        name: [getattr(found, name)[part] for part in order if part in getattr(found, name)]
        for name in ("sum_of_squares", "mean_squares", "components")
    }
    whole = gauge.analyse_study(study_frame(c["values"]), limit=None)
    sd = whole.components.set_index("component")["sd_mm"]
    return tables | {
        "repeat_sd": found.components["repeat"] ** 0.5,
        "technician_sd": found.components["technician"] ** 0.5,
        "part_sd": found.components["lifter"] ** 0.5,
        "gauge_sd": whole.u.estimate,
        "total_sd": sd["total"],
        "gauge_percent": 100 * sd["gauge"] / sd["total"],
        "f_technician": found.f["technician"],
        "f_part": found.f["lifter"],
    }


@answers("variance components")
def split_variance(c: Inputs) -> Answer:
    value = np.array(c["values"], dtype=float)
    if c["shape"] == "crossed":
        frame = study_frame(value)
        both = frame["technician"] + frame["lifter"]
        factors = {"technician": frame["technician"], "lifter": frame["lifter"], "interaction": both}
    elif c["shape"] == "nested":
        factors = {"batch": np.repeat(np.arange(10), 6), "cask": np.repeat(np.arange(30), 2)}
    elif c["shape"] == "two way":
        plate, sample = np.indices(value.shape)
        factors = {"plate": plate.ravel(), "sample": sample.ravel()}
    else:
        factors = {"group": np.repeat(np.arange(len(value)), value.shape[1])}
    fit = gauge.fit_reml(value.ravel(), factors)
    parts = [fit.components[name] for name in (*factors, "repeat")]
    return {"components": parts, "sd": np.sqrt(parts), "mean": fit.mean}


@answers("straight line")
def draw_line(c: Inputs) -> Answer:
    line = gauge.fit_line(np.array(c["t"]), np.array(c["b"]), origin=c.get("origin", 20.0))
    return {
        "intercept": [line.intercept, line.intercept_error],
        "slope": [line.slope, line.slope_error],
        "correlation": line.correlation,
        "residual_sd": line.residual_sd,
        "at_30": line.at(30),
    }


@answers("spread of repeats")
def spread(c: Inputs) -> Answer:
    if "over_299" in c:
        values = 299 + np.array(c["over_299"]) / 100
    elif "first" in c:
        values = np.concatenate([[c["first"]], np.tile(c["then"], c["times"])])
    else:
        values = np.array(c["values"], dtype=float)
    sd, freedom, mean = gauge.pool_repeats(values, c.get("group", np.zeros(values.size)))
    return {"sd": sd, "freedom": freedom, "mean": mean}


@answers("risks of wrong verdicts")
def risk(c: Inputs) -> Answer:
    # as a sum of narrow components, which is what the library makes of readings, none of them across the limit
    if "mean" in c:
        edges = c["limit"] + c["sd"] / 400 * np.arange(-4000, 2001)
        share = np.diff(special.ndtr((edges - c["mean"]) / c["sd"]))
    else:
        edges = np.linspace(0.0, 6.0 * c["limit"], 4801)
        share = np.diff(special.gammainc(c["gamma_shape"], edges / c["gamma_scale"]))
    fleet = gauge.GapDistribution((edges[1:] + edges[:-1]) / 2, 1e-9, share / share.sum(), 1, 0)
    found = gauge.expect_wrong_verdicts(fleet, u=c["u"], limit=c["limit"], bias=c.get("bias", 0.0))
    return {"over": found.over, "consumer": found.false_pass, "producer": found.false_fail}


# charts, drift and sites


@answers("share chart")
def chart(c: Inputs) -> Answer:
    n = np.broadcast_to(np.asarray(c["n"], float), np.shape(c.get("count", c.get("shares"))))
    count = c["count"] if "count" in c else np.round(np.array(c["shares"]) * n)
    found = trends.chart_shares(count, n, between_period=c.get("between", False))
    outside = found["label"][found["outside"] != ""]
    first, lot = found.iloc[0], found.iloc[c.get("lot", 1) - 1]
    return {
        "centre": first["centre"],
        "low": first["low_limit"],
        "high": first["high_limit"],
        "spread": first["spread"],
        "high_of_lot": lot["high_limit"],
        "outside": outside.to_list(),
        "outside_count": len(outside),
    }


@answers("chart of counts between")
def chart_between(c: Inputs) -> Answer:
    first = [trends.chart_between([1.0], mean=mean).iloc[0] for mean in c["mean"]]
    return {"high": [r["high_limit"] for r in first], "middle": [r["centre"] for r in first]}


@answers("weights of a risk-adjusted sum")
def weigh(c: Inputs) -> Answer:
    p = special.expit(c["intercept"] + c["slope"] * c["score"])
    sound, failing = trends.cusum_weights(p, odds_ratio=c["odds_ratio"])
    return {"sound": float(sound), "failing": float(failing)}


@answers("cumulative sum")
def add_up(c: Inputs) -> Answer:
    off = np.array(c["values"]) - c["aim"]
    return {"high": trends.reflect_at_zero(off - c["k"]), "low": trends.reflect_at_zero(-off - c["k"])}


@answers("interval of a count")
def bound_count(c: Inputs) -> Answer:
    answer: Answer = {}
    if "count" in c:
        answer["exact"] = trends.count_interval(c["count"], level=c.get("level", 0.95))
    if "counts" in c:
        answer["byar"] = [trends.count_interval(x, method="byar") for x in c["counts"]]
    if "observed" in c:
        found = [trends.observed_over_expected(*p) for p in zip(c["observed"], c["expected"], strict=True)]
        answer["ratio"] = [r.estimate for r in found]
        answer["ratio_limits"] = [[r.low, r.high] for r in found]
    return answer


def read_series(c: Inputs) -> Any:
    if c.get("series") != "nile":
        return c["values"]
    from statsmodels.datasets import nile

    return nile.load_pandas().data["volume"].to_numpy()


@answers("rank test of drift")
def drift(c: Inputs) -> Answer:
    found = trends.test_drift(read_series(c), level=c.get("level", 0.95))
    slope = found.slope
    z = np.sign(found.score) * special.ndtri(1 - found.p / 2)
    limits = [slope.low, slope.high]
    return {
        "score": found.score,
        "z": z,
        "p": found.p,
        "p_one_sided": found.p / 2,
        "tau": found.tau,
        "slope": slope.estimate,
    } | ({"limits": limits} if None not in limits else {})


@answers("rank test of a step")
def step_in_ranks(c: Inputs) -> Answer:
    statistic, k, p = trends.test_change_rank(read_series(c))
    return {"statistic": statistic, "last_before": c["first_year"] + k - 1, "p": p}


@answers("step in counts")
def step_in_counts(c: Inputs) -> Answer:
    found = trends.find_change_in_counts(c["counts"], np.ones(len(c["counts"])))
    return {
        "last_before": c["first_year"] + found.last,
        "rates": [found.before, found.after],
        "statistic": found.statistic,
    }


@answers("funnel limits")
def funnel(c: Inputs) -> Answer:
    pairs = zip(c["n"], c["tail"], strict=True)
    return {"limit": [float(trends.funnel_limit(c["share"], n, tail=t)) for n, t in pairs]}


# waiting times


def read_times(c: Inputs) -> tuple[Any, Any, Any]:
    """low, high and weights (or None) of a case's readings."""
    if "ended" in c:
        low = np.array([*c["ended"], *c["running"]], dtype=float)
        return low, np.where(np.arange(low.size) < len(c["ended"]), low, np.inf), None
    if "time" in c:
        low, running = np.array(c["time"], dtype=float), np.array(c["running"], dtype=float)
        keep = np.ones(low.size, dtype=bool)
        for column, value in c.get("where", {}).items():
            keep &= np.array([x == value for x in c[column]])
        return low[keep], np.where(running == 1, np.inf, low)[keep], None
    if "cracked" in c:
        hours, inspected, cracked = (np.array(c[k], float) for k in ("hours", "inspected", "cracked"))
        low, high = np.append(np.zeros(hours.size), hours), np.append(hours, np.full(hours.size, np.inf))
        return low, high, np.append(cracked, inspected - cracked)
    if "cycles" in c:
        at = np.arange(1.0, len(c["cycles"]) + 1)
        return np.append(at - 1, at[-1]), np.append(at, np.inf), np.array([*c["cycles"], c["waiting"]])
    if "weighted" in c:
        hours, count, failed = np.array(c["weighted"], dtype=float).T
        return hours, np.where(failed == 1, hours, np.inf), count
    rows = np.array(c.get("readings") or [r for part in c["parts"] for r in part["readings"]], dtype=float)
    return np.maximum(rows[:, 0] - c.get("open_by", 0.0), 0.0), rows[:, 1], None


@answers("product-limit curve")
def follow_curve(c: Inputs) -> Answer:
    low, high, weights = read_times(c)
    cluster = c[c["cluster"]] if "cluster" in c else None
    curve = waiting_times.estimate_curve(low, high, weights=weights, cluster=cluster)
    answer = {"times": curve.right, "survival": curve.survival, "error": curve.error}
    if "at" in c:
        place = np.searchsorted(curve.right, c["at"], side="right") - 1
        answer |= {"survival_at": curve.at(c["at"]), "error_at": curve.error[place]}
        answer |= {"limits_at": np.column_stack([curve.low[place], curve.high[place]])}
    if weights is None:
        answer["median"] = waiting_times.estimate_quantile(low, high, 0.5, unit="week").estimate
    return answer


@answers("curve of interval readings")
def follow_intervals(c: Inputs) -> Answer:
    low, high, weights = read_times(c)
    curve = waiting_times.estimate_curve(low, high, weights=weights)
    answer: Answer = {"left": curve.left, "right": curve.right}
    if weights is None:
        found = fit_npmle(collapse_readings(low, high))
        answer |= {"left": found.left, "right": found.right, "mass": np.diff(found.levels)}
        answer["log_likelihood"] = found.log_likelihood
    if "at" in c:
        answer |= {"survival_at": curve.at(c["at"]), "over_at": 1 - curve.at(c["at"])}
    return answer


@answers("quantile of times")
def find_quantile(c: Inputs) -> Answer:
    low, high, _ = read_times(c)
    several = [waiting_times.estimate_quantile(low, high, q, unit="d").estimate for q in c.get("several", [])]
    found = waiting_times.estimate_quantile(low, high, c.get("q", 0.5), unit="d")
    known = {"estimate": found.estimate, "low": found.low, "high": found.high}
    return {k: v for k, v in known.items() if v is not None} | {
        "high_reached": float(found.high is not None),
        "estimates": several,
    }


@answers("regression of times")
def fit_times(c: Inputs) -> Answer:
    low, high, weights = read_times(c)
    covariates = None
    if "covariates" in c:
        known = np.all([[not isinstance(v, str) for v in c[k]] for k in c["covariates"]], axis=0)
        covariates = np.column_stack(
            [np.array(c[k], dtype=object)[known].astype(float) for k in c["covariates"]]
        )
        covariates = covariates - c.get("less", 0.0)
        low, high = low[known], high[known]
    elif "group_ended" in c:
        covariates = np.array([*c["group_ended"], *c["group_running"]], dtype=float)
    elif "parts" in c and not c.get("pooled"):
        covariates = np.repeat([0.0, 1.0], [len(part["readings"]) for part in c["parts"]])
    fit = waiting_times.fit_aft(low, high, covariates, distribution=c["distribution"], weights=weights)
    life, shape = float(np.exp(fit.beta[0])), 1 / fit.scale
    answer = {
        "beta": fit.beta,
        "error": np.sqrt(np.diag(fit.errors.covariance))[: len(fit.beta)],
        "scale": fit.scale,
        "log_likelihood": fit.log_likelihood,
        "aic": fit.aic,
        "life": life,
        "shape": shape,
        "mean": life * special.gamma(1 + 1 / shape),
    }
    if len(fit.beta) > 1:
        answer["effect_of_treatment"] = -fit.beta[1]
    if "quantiles" in c:
        pairs = [(q, {"x1": float(x)}) for q in c["quantiles"] for x in c["at"]]
        found = [fit.quantile(q, x, unit="d") for q, x in pairs]
        answer["quantile"] = [f.estimate for f in found]
        # the error of the log, times the quantile
        answer["quantile_error"] = [f.estimate * np.log(f.high / f.low) / 2 / 1.959963985 for f in found]
    return answer


@answers("regression of intervals")
def fit_intervals(c: Inputs) -> Answer:
    low, high, _ = read_times(c)
    low, high = np.log(np.where(np.isinf(high), low, low - c["half"])), np.log(high + c["half"])
    columns = [np.array(c[k], dtype=float) - c["less"] for k in c["covariates"]]
    fit = causes.fit_intervals(np.column_stack([np.ones(low.size), *columns]), low, high)
    return {"beta": fit.beta, "log_scale": np.log(fit.scale)}


@answers("digit preference")
def find_heaps(c: Inputs) -> Answer:
    if "on_fives" in c:
        counts = (
            [10] * c["on_tens"] + [15] * (c["on_fives"] - c["on_tens"]) + [11] * (c["of"] - c["on_fives"])
        )
        row = waiting_times.test_heaping(counts).iloc[0]
        return {"p_fives": row["p"], "p_tens": row["p_tens"]}
    if "counted" in c:
        return {"p": count_chance(c["counted"], c["on_multiples"], 0.2)}
    ages = c["first_age"] + np.arange(len(c["persons"]))
    # one row a hundred persons
    rows = np.repeat(ages, np.rint(np.array(c["persons"]) / 100).astype(int))
    return {"index": waiting_times.test_heaping(rows)["index"].iloc[0]}


# what failing goes with


@answers("stratified tables")
def pool_strata(c: Inputs) -> Answer:
    tables = np.reshape(c["tables"], (-1, 2, 2)).astype(float)
    error, homogeneity, _ = causes.compare_strata(tables)
    sides = np.arange(2 * len(tables))
    effect, _ = causes.estimate_stratified(
        1 - sides % 2, tables[:, :, 0].ravel(), tables.sum(axis=2).ravel(), stratum=sides // 2, cluster=sides,
        n_clusters=len(sides), level=0.95,
    )  # fmt: skip
    assert effect is not None
    limits = np.exp(effect.log + np.array([-1, 1]) * special.ndtri(0.975) * error)
    return {"odds_ratio": np.exp(effect.log), "limits": limits, "homogeneity": homogeneity}


@answers("shuffled score")
def shuffle(c: Inputs) -> Answer:
    rows = [
        (k, x, y)
        for k, table in enumerate(np.reshape(c["tables"], (-1, 4)))
        for (x, y), count in zip(((1, 1), (1, 0), (0, 1), (0, 0)), table, strict=True)
        for _ in range(int(count))
    ]
    stratum, x, y = np.array(rows).T
    return {"chi_squared": numerics.shuffled_z(x.astype(float), y.astype(float), stratum) ** 2}


def read_sets(c: Inputs) -> tuple[Any, Any, Any]:
    """Columns, case and set of every person of matched sets, the case first in each."""
    members = [m for m, sets in c["sets"] for _ in range(sets)]
    case = np.array([float(i == 0) for m in members for i in range(len(m))])
    columns = np.array([x for m in members for x in m], dtype=float)
    return columns, case, np.repeat(np.arange(len(members)), [len(m) for m in members])


@answers("matched sets")
def match(c: Inputs) -> Answer:
    design, case, stratum = read_sets(c)
    beta, variance, log_likelihood = strata.fit_conditional(design, case.astype(int), stratum)
    return {"beta": beta, "error": np.sqrt(np.diag(variance)), "log_likelihood": log_likelihood}


@answers("penalised logistic regression")
def penalise(c: Inputs) -> Answer:
    if "rows" in c:
        data = np.array(c["rows"], dtype=float)
        data, trials = data, np.ones(len(data))
    else:
        patterns = np.array(c["patterns"], dtype=float)
        data, trials = patterns[:, :-1], patterns[:, -1]
    design, failures = np.column_stack([np.ones(len(data)), data[:, :-1]]), data[:, -1]
    beta, value = causes.fit_firth(design, failures, trials)
    wanted = c.get("interval_of", range(len(beta)))
    found = [causes.profile_firth(design, failures, trials, i, level=0.95) for i in wanted]
    low, high, p = ([getattr(e, name) for e in found] for name in ("low", "high", "p"))
    return {
        "beta": beta,
        "beta_without_intercept": beta[1:],
        "low": low,
        "high": high,
        "low_of": low[1::2],
        "high_of": high[1::2],
        "p": p if "interval_of" in c else p[1:],
        "penalised_log_likelihood": value,
    }


@answers("logistic regression")
def fit_logit(c: Inputs) -> Answer:
    # the fit takes columns near 1, as the library scales them; undone below
    origin, unit = c.get("origin", 0.0), c.get("unit", 1.0)
    if "sets" in c:
        columns, failures, _ = read_sets(c)
    else:
        columns, failures = np.array(c["x"], dtype=float), np.array(c["failures"], dtype=float)
    design = np.column_stack([np.ones(len(columns)), (columns - origin) / unit])
    trials = np.broadcast_to(np.asarray(c.get("trials", 1.0), float), failures.shape)
    fit = causes.fit_binomial(design, failures, trials)
    back = np.eye(len(fit.beta))
    back[0, 1:], back[1:, 1:] = -origin / unit, back[1:, 1:] / unit
    return {"beta": back @ fit.beta, "error": np.sqrt(np.diag(back @ fit.bread @ back.T))}


def six_cities(c: Inputs) -> tuple[Any, Any, Any, int]:
    """Design, outcome, child of each row and children."""
    rows, child = [], 0
    for smoke, *wheeze, children in c["patterns"]:
        for _ in range(children):
            rows += [(child, age, smoke, y) for age, y in zip((-2, -1, 0, 1), wheeze, strict=True)]
            child += 1
    cluster, age, smoke, y = np.array(rows).T
    design = np.column_stack([np.ones(len(y)), age, smoke, age * smoke]).astype(float)
    return design, y.astype(float), cluster, child


@answers("logistic regression by clusters")
def fit_clusters(c: Inputs) -> Answer:
    if "patterns" in c:
        design, y, cluster, clusters = six_cities(c)
        trials = np.ones(len(y))
    else:
        y, trials, group = (np.array(c[k], float) for k in ("failures", "trials", "group"))
        cluster = np.arange(len(y)) // c["cluster_size"]
        clusters = int(cluster[-1]) + 1
        design = np.column_stack([np.ones(len(y)), group])
    fit = causes.fit_binomial(design, y, trials)
    scores = numerics.sum_by_cluster(design * fit.residual[:, None], cluster, clusters)
    information = numerics.information_by_cluster(design, fit.weight, cluster, clusters)
    answer: Answer = {"beta": fit.beta}
    for kind in numerics.SANDWICHES:
        variance = numerics.sandwich_variance(fit.bread, scores, information=information, kind=kind)
        answer[f"error_{kind.lower()}"] = np.sqrt(np.diag(variance))
    unit = np.eye(len(fit.beta))
    found = [
        causes.estimate_contrast(fit, design, u, cluster=cluster, n_clusters=clusters, level=0.95)
        for u in unit
    ]
    return answer | {"error_of_effect": [e.se for e in found if e], "freedom": [e.df for e in found if e]}


@answers("ventings needed for two shares")
def size(c: Inputs) -> Answer:
    return {"n": causes.size_two_shares(c["p1"], c["p2"], level=c["level"], power=c["power"])}


@answers("many tests at once")
def adjust(c: Inputs) -> Answer:
    q = numerics.adjust_bh(c["p"])
    return {"q": q, "below": float((q <= c.get("level", 0.05)).sum())}


@answers("association of two columns")
def associate(c: Inputs) -> Answer:
    counts = np.array(c["counts"])
    v = causes.measure_association(counts)
    assert v is not None
    return {"v": v, "chi_squared": v**2 * counts.sum() * (min(counts.shape) - 1)}


@answers("design effect")
def grow(c: Inputs) -> Answer:
    pairs = zip(c["size"], c["correlation"], strict=True)
    return {"effect": [rates.design_effect(m, rho) for m, rho in pairs]}


# evidence


@answers("before and after")
def compare_spans(c: Inputs) -> Answer:
    before = trends.Findings(*c["before"], quarters=1)
    after = trends.Findings(*c["after"], quarters=1, exposure=c.get("exposure", 1.0))
    return {"mid_p": trends.compare_before_after(before, after)}


@answers("evidence of a block")
def weigh_block(c: Inputs) -> Answer:
    return {"log_ratio": trials.log_ratio(**c)}


@answers("likelihood ratio of a stream")
def weigh_stream(c: Inputs) -> Answer:
    failed = np.arange(c["ventings"]) < c["failures"]
    innocent, bad = special.logit([c["innocent"], c["bad"]])
    found = monitor.mixture_evidence(
        failed, np.full(c["ventings"], innocent), grid=[0.0, bad - innocent], bad=[0, 1], innocent=[1, 0]
    )
    return {"ratio": found[-1]}
