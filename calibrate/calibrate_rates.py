"""Cover and width of the share intervals, measured on simulated fleets; type-I error of the position test.

    python -m calibrate.calibrate_rates --fleets 4000 --jobs 2

writes calibrate/tables/rates.csv (every cell and method) and rates.md (the summary that the documentation shows).
A fleet: ventings fall on engines (1.6 ventings an engine on average, every engine at least once), engines have 8
lifters (6 in 10) or 12, every engine draws its own share around the fleet's rate with the stated correlation, from a beta or
from a logit-normal distribution, and every lifter fails by that share. The rate is known, so it can be seen how
often the interval holds it.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, special

from calibrate import runner
from ventbook.statistics import rates

RATES = (0.003, 0.01, 0.03, 0.07, 0.15)
VENTINGS = (8, 16, 40, 100, 400)
CORRELATIONS = (0.0, 0.05, 0.1, 0.2, 0.4)
LEVEL = 0.95
BAR = 0.93
SEED = 20260930
RESAMPLES = 300
METHODS = ("wilson_independent", "cluster_bootstrap", "effective_n", "effective_n_floor", "used")
WORDS = {
    "wilson_independent": "Wilson, lifters taken as independent",
    "cluster_bootstrap": f"bootstrap over engines ({RESAMPLES} resamples, percentile)",
    "effective_n": "Wilson, effective n, t quantile",
    "effective_n_floor": "the same, correlation at least .2 under 10 engines with a finding",
    "used": "used: beta-binomial, correlation integrated out, widened",
}
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(200)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


def draw_shares(
    spread: str, rate: float, correlation: float, size: tuple[int, int], rng: np.random.Generator
):
    """Share of every engine, with mean ``rate`` and variance correlation * rate * (1 - rate)."""
    if correlation == 0:
        return np.full(size, rate)
    if spread == "beta":
        s = (1 - correlation) / correlation
        return rng.beta(rate * s, (1 - rate) * s, size=size)
    mean, sd = solve_logit_normal(rate, correlation)
    return special.expit(mean + sd * rng.standard_normal(size))


def solve_logit_normal(rate: float, correlation: float) -> tuple[float, float]:
    """Mean and spread on the logit scale that give the stated rate and correlation."""

    def centre(sd: float) -> float:
        return optimize.brentq(lambda m: WEIGHTS @ special.expit(m + sd * NODES) - rate, -60, 5)

    def excess(sd: float) -> float:
        p = special.expit(centre(sd) + sd * NODES)
        return (WEIGHTS @ p**2 - rate**2) / (rate * (1 - rate)) - correlation

    sd = optimize.brentq(excess, 1e-3, 14)
    return centre(sd), sd


def chance_of_finding(spread: str, rate: float, correlation: float) -> float:
    """True share of ventings with a finding, by integration over the engines' shares."""
    if correlation == 0:
        q = np.log1p(-rate) * np.array([8, 12])
        return float(1 - np.exp(q) @ [0.6, 0.4])
    if spread == "beta":
        s = (1 - correlation) / correlation
        a, b = rate * s, (1 - rate) * s
        none = [special.betaln(a, b + n) - special.betaln(a, b) for n in (8, 12)]
        return float(1 - np.exp(none) @ [0.6, 0.4])
    mean, sd = solve_logit_normal(rate, correlation)
    p = special.expit(mean + sd * NODES)
    return float(1 - (WEIGHTS @ (1 - p) ** 8) * 0.6 - (WEIGHTS @ (1 - p) ** 12) * 0.4)


def draw_fleets(
    spread: str, rate: float, ventings: int, correlation: float, fleets: int, rng: np.random.Generator
):
    """Failures and lifters by venting, (fleets, ventings), and the engine of each venting."""
    engines = max(2, round(ventings / 1.6))
    engine = np.empty((fleets, ventings), dtype=np.int64)
    engine[:, :engines] = np.arange(engines)
    engine[:, engines:] = rng.integers(0, engines, (fleets, ventings - engines))
    lifters = np.where(rng.random((fleets, engines)) < 0.6, 8, 12)
    share = draw_shares(spread, rate, correlation, (fleets, engines), rng)
    row = np.arange(fleets)[:, None]
    n = lifters[row, engine]
    return rng.binomial(n, share[row, engine]), n, engine, engines


def sum_engines(values, engine, engines):
    fleets = len(values)
    key = (np.arange(fleets)[:, None] * engines + engine).ravel()
    return np.bincount(key, values.ravel(), fleets * engines).reshape(fleets, engines)


def measure_cell(spread: str, rate: float, ventings: int, correlation: float, fleets: int) -> list[dict]:
    """Cover and width of every method in one cell, for the lifter share and the venting share."""
    seed = [SEED, spread == "beta", int(rate * 1e4), ventings, int(correlation * 100)]
    rng = np.random.default_rng(seed)
    x, n, engine, engines = draw_fleets(spread, rate, ventings, correlation, fleets, rng)
    rows = []
    for quantity, truth, over, of in (
        ("lifter_share", rate, x, n),
        ("venting_share", chance_of_finding(spread, rate, correlation), (x > 0).astype(int), np.ones_like(n)),
    ):
        xs, ns = sum_engines(over, engine, engines), sum_engines(of, engine, engines)
        for method in METHODS if quantity == "lifter_share" else ("wilson_independent", "used"):
            low, high = interval_of(method, xs, ns, rng)
            width = high - low
            below, above = (high < truth).mean(), (low > truth).mean()
            cover = 1 - below - above
            rows.append(
                {
                    "quantity": quantity,
                    "spread": spread,
                    "ventings": ventings,
                    "engines": engines,
                    "rate": rate,
                    "truth": round(truth, 6),
                    "correlation": correlation,
                    "method": method,
                    "fleets": fleets,
                    "cover": round(cover, 4),
                    "cover_error": round(float(np.sqrt(max(cover * (1 - cover), 1e-4) / fleets)), 4),
                    "missed_high": round(below, 4),
                    "missed_low": round(above, 4),
                    "width": float(f"{width.mean():.5g}"),
                }
            )
    return rows


def interval_of(method: str, xs, ns, rng: np.random.Generator):
    x, n = xs.sum(1), ns.sum(1)
    if method == "wilson_independent":
        return rates.binomial_interval(x, n, level=LEVEL)
    if method == "cluster_bootstrap":
        engines = xs.shape[1]
        weights = rng.multinomial(engines, np.full(engines, 1 / engines), size=RESAMPLES).T.astype(float)
        share = (xs @ weights) / (ns @ weights)
        low, high = np.quantile(share, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=1)
        return low, high
    if method == "effective_n":
        return effective(xs, ns, floor=0.0)
    if method == "effective_n_floor":
        return effective(xs, ns, floor=0.2)
    low, high = many_intervals(xs, ns)
    # the library answers one fleet at a time; this file must not measure anything else
    for i in range(0, len(xs), max(1, len(xs) // CHECKED)):
        one = rates.clustered_interval(xs[i].astype(float), ns[i].astype(float), level=LEVEL)
        if not np.allclose((low[i], high[i]), one, rtol=0.02, atol=2e-4):
            raise AssertionError(f"batch gives {low[i]:.5f} to {high[i]:.5f}, the library {one}")
    return low, high


CHECKED = 20
GRID_P, GRID_S = 240, 48


def anova(xs, ns):
    """Correlation of every fleet, as `rates.intra_engine_correlation`, 0 where it is not defined."""
    k, total = xs.shape[1], ns.sum(1)
    p = xs.sum(1) / total
    n0 = (total - (ns**2).sum(1) / total) / (k - 1)
    msb = (ns * (xs / ns - p[:, None]) ** 2).sum(1) / (k - 1)
    within = total - k
    msw = (xs * (1 - xs / ns)).sum(1) / np.maximum(within, 1)
    bottom = msb + (n0 - 1) * msw
    return np.where((bottom > 0) & (within > 0), (msb - msw) / np.where(bottom > 0, bottom, 1), 0.0)


def effective(xs, ns, *, floor: float):
    """`rates.effective_interval` of every fleet; floor = 0: without a floor under the correlation."""
    total, k = ns.sum(1), xs.shape[1]
    rho = np.clip(anova(xs, ns), 0, 1)
    few = np.minimum((xs > 0).sum(1), (xs < ns).sum(1)) < 10
    rho = np.where(few, np.maximum(rho, floor), rho)
    n = total / rates.design_effect((ns**2).sum(1) / total, rho)
    t = min(float(special.stdtrit(max(k - 1, 1), 0.5 + LEVEL / 2)), 6.0)
    return rates.binomial_interval(xs.sum(1) / total * n, n, level=float(2 * special.ndtr(t) - 1))


def tails(counts, size):
    fleets, k = counts.shape
    h = np.zeros((fleets, size + 1))
    np.add.at(h, (np.repeat(np.arange(fleets), k), counts.astype(np.int64).ravel()), 1)
    return h[:, ::-1].cumsum(1)[:, ::-1][:, 1:]


def many_intervals(xs, ns):
    """`rates.clustered_interval` of every fleet on one common grid: a matrix product in place of a search a fleet."""
    x, n = xs.sum(1), ns.sum(1)
    share = np.clip(x / n, 0.5 / n, 1 - 0.5 / n)
    logit = special.logit(share)
    few = np.minimum((xs > 0).sum(1), (xs < ns).sum(1))
    half = np.where(few < 12, 9.0, 22 / np.sqrt(np.maximum(few, 1)))
    a, b = (logit - half).min(), (logit + np.minimum(half, 8)).max()
    grid = a + (np.arange(GRID_P) + 0.5) * (b - a) / GRID_P
    s = (np.arange(GRID_S) + 0.5) / GRID_S
    p, q, r = special.expit(grid)[:, None], special.expit(-grid)[:, None], (s**2)[None, :]
    prior = ((np.log(p) + np.log(q)) / 3 + np.log(s * (1 - r))).ravel()
    size = int(ns.max())
    kind = [
        (tails(xs, max(int(xs.max()), 1)), p + 0 * r, 1),
        (tails(ns - xs, size), q + 0 * r, 1),
        (tails(ns, size), 1 + 0 * (p + r), -1),
    ]
    logs = [
        sign
        * np.log(base[None] * (1 - r)[None] + np.arange(t.shape[1])[:, None, None] * r[None]).reshape(
            t.shape[1], -1
        )
        for t, base, sign in kind
    ]
    low, high = np.empty(len(xs)), np.empty(len(xs))
    edges = np.append(grid - (grid[1] - grid[0]) / 2, grid[-1] + (grid[1] - grid[0]) / 2)
    for first in range(0, len(xs), 200):
        part = slice(first, first + 200)
        post = sum(t[part] @ v for (t, _, _), v in zip(kind, logs, strict=True)) + prior
        post = np.exp(post - post.max(1, keepdims=True)).reshape(-1, GRID_P, GRID_S).sum(2)
        total = np.concatenate([np.zeros((len(post), 1)), np.cumsum(post, 1)], axis=1)
        total /= total[:, -1:]
        for i, row in enumerate(total, first):
            low[i], high[i] = special.expit(np.interp([(1 - LEVEL) / 2, (1 + LEVEL) / 2], row, edges))
    none, every = x == 0, x == n
    for which in (none, every):
        if which.any():
            bound = bound_without_failures(ns[which])
            low[which], high[which] = (0.0, bound) if which is none else (1 - bound, 1.0)
    exact_low, exact_high = rates.binomial_interval(x, n, level=LEVEL, method="exact")
    low, high = np.minimum(low, exact_low), np.maximum(high, exact_high)
    wide_low, wide_high = effective(xs, ns, floor=0.2)
    enough = few >= 10
    return np.where(enough, np.minimum(low, wide_low), low), np.where(
        enough, np.maximum(high, wide_high), high
    )


def bound_without_failures(ns):
    engines, r = tails(ns, int(ns.max())), 0.4
    k = np.arange(engines.shape[1])
    a, b = np.full(len(ns), -30.0), np.full(len(ns), 40.0)
    for _ in range(60):
        c = (a + b) / 2
        q = special.expit(-c)[:, None]
        under = (engines * np.log((q * (1 - r) + k * r) / ((1 - r) + k * r))).sum(1) > np.log((1 - LEVEL) / 2)
        a, b = np.where(under, c, a), np.where(under, b, c)
    return special.expit(c)


def measure_positions(engines: int, rate: float, correlation: float, kind: str, fleets: int) -> dict:
    """How often the position tests call an innocent fleet guilty at 5 %, in one cell."""
    rng = np.random.default_rng([SEED, engines, int(rate * 1e4), int(correlation * 100), kind == "stays bad"])
    place = np.arange(8)
    hits = feed = tried = 0
    for fleet in range(fleets):
        share = draw_shares("beta", rate, correlation, (engines, 1), rng)
        if kind == "stays bad":
            # the same lifters fail at each of three ventings
            over = np.repeat(rng.random((engines, 8)) < share, 3, axis=0)
            engine = np.repeat(np.arange(engines), 24)
        else:
            over = rng.random((engines, 8)) < share
            engine = np.repeat(np.arange(engines), 8)
        position = np.tile(place, len(over))
        answer = rates.test_positions(
            over.ravel(), engine, position, feed_rank=position / 7, draws=POSITION_DRAWS, seed=fleet
        )
        if answer.p is not None:
            tried += 1
            hits += answer.p <= 0.05
            feed += answer.feed_p is not None and answer.feed_p <= 0.05
    return {
        "engines": engines,
        "rate": rate,
        "correlation": correlation,
        "lifters": kind,
        "fleets": fleets,
        "testable": tried,
        "position_alarms": round(hits / max(tried, 1), 4),
        "feed_alarms": round(feed / max(tried, 1), 4),
        "error": round(float(np.sqrt(0.05 * 0.95 / max(tried, 1))), 4),
    }


POSITION_DRAWS = 199
POSITION_CELLS = [
    (engines, rate, correlation, kind)
    for engines in (10, 40, 160)
    for rate in (0.03, 0.1)
    for correlation in (0.0, 0.2)
    for kind in ("drawn anew", "stays bad")
]


def summarise_positions(table: pd.DataFrame) -> str:
    """The position part of the page of the documentation."""
    worst = table.loc[table["position_alarms"].idxmax()]
    feed = table.loc[table["feed_alarms"].idxmax()]
    return "\n".join(
        [
            "",
            "## Position test on fleets where position does not matter",
            "",
            f"{len(table)} cells of {int(table['fleets'].min())} fleets ({POSITION_DRAWS} dealings each): engines "
            f"{', '.join(map(str, sorted(table['engines'].unique())))}, rate 3 % and 10 %, correlation 0 and .2, lifters drawn anew "
            "at one venting or the same bad lifters at three. Share of testable fleets called guilty at 5 %:",
            "",
            "| test | mean | highest (Monte Carlo error) |",
            "|---|---|---|",
            f"| position | {100 * table['position_alarms'].mean():.1f} % | {100 * worst['position_alarms']:.1f} % "
            f"({100 * worst['error']:.1f}) |",
            f"| place in the oil feed | {100 * table['feed_alarms'].mean():.1f} % | {100 * feed['feed_alarms']:.1f} % "
            f"({100 * feed['error']:.1f}) |",
            "",
        ]
    )


def summarise(table: pd.DataFrame) -> str:
    """The page of the documentation."""
    lines = [
        "# Cover and width of the share intervals",
        "",
        f"Simulated fleets with a known rate: {', '.join(f'{100 * r:g} %' for r in RATES)} of lifters, "
        f"{', '.join(map(str, VENTINGS))} ventings, intra-engine correlation "
        f"{', '.join(f'{c:g}' for c in CORRELATIONS)}; {int(table['fleets'].min())} fleets a cell, 95 % intervals. "
        "Monte Carlo error of a cover of 95 % is "
        f"{100 * np.sqrt(0.95 * 0.05 / table['fleets'].min()):.2f} points. Every cell is in `rates.csv`.",
        "",
        'Width is the geometric mean over the cells, as a multiple of the method in use. "Under the bar" counts '
        f"cells whose cover is under {100 * BAR:g} % by more than twice its Monte Carlo error.",
    ]
    for (quantity, spread), part in table.groupby(["quantity", "spread"], sort=False):
        what = "Lifter share" if quantity == "lifter_share" else "Venting share"
        how = "beta" if spread == "beta" else "logit-normal"
        lines += ["", f"## {what}, engines spread by a {how} distribution", ""]
        lines += [
            "| interval | mean cover | lowest cover (ventings, rate, correlation) | cells under the bar | width |",
            "|---|---|---|---|---|",
        ]
        used = np.log(part.loc[part["method"] == "used", "width"]).mean()
        for method, rows in part.groupby("method", sort=False):
            worst = rows.loc[rows["cover"].idxmin()]
            under = (rows["cover"] < BAR - 2 * rows["cover_error"]).sum()
            lines.append(
                f"| {WORDS[str(method)]} | {100 * rows['cover'].mean():.1f} % | {100 * worst['cover']:.1f} % "
                f"({worst['ventings']}, {100 * worst['rate']:g} %, {worst['correlation']:g}) | {under} of {len(rows)} | "
                f"{np.exp(np.log(rows['width']).mean() - used):.2f} |"
            )
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=4000)
    parser.add_argument("--part", choices=("all", "shares", "positions"), default="all")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "tables")
    call = parser.parse_args()
    call.out.mkdir(parents=True, exist_ok=True)
    tasks = [
        (spread, rate, ventings, correlation, call.fleets)
        for spread in ("beta", "logit_normal")
        for ventings, rate, correlation in itertools.product(VENTINGS, RATES, CORRELATIONS)
        if spread == "beta" or correlation > 0
    ]
    with runner.use(call):
        if call.part in ("all", "shares"):
            found = runner.run_fleets(measure_cell, tasks, what="rates, cells")
            rows = [row for part in found for row in part]
            pd.DataFrame(rows).to_csv(call.out / "rates.csv", index=False, lineterminator="\n")
        if call.part in ("all", "positions"):
            cells = [(*cell, call.fleets // 2) for cell in POSITION_CELLS]
            found = runner.run_fleets(measure_positions, cells, what="positions, cells")
            pd.DataFrame(found).to_csv(call.out / "rates_positions.csv", index=False, lineterminator="\n")
    page = ""
    for name, words in (("rates.csv", summarise), ("rates_positions.csv", summarise_positions)):
        if (call.out / name).exists():
            page += words(pd.read_csv(call.out / name))
    (call.out / "rates.md").write_text(page, encoding="utf-8")
    print(page)


if __name__ == "__main__":
    main()
