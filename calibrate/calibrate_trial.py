"""Does a trial keep its word? Ventings that it takes, false "works" when looking after every block, and what deviations cost.

    python -m calibrate.calibrate_trial [--runs 2000] [--seed 1]

writes calibrate/tables/trial.csv, trial_looks.csv and trial.md. Worlds: "alike" (every venting fails with one chance);
"fleet": log odds differ by engine (sd 1) and by site (sd .5) and rise by ln 2 over the trial, so that the odds ratio is that
within an engine and the share is the average. An engine counts once. Numbers are log-normal; in a fleet engines add a standard
deviation of .6 times that of a job, which pairs don't take out. "Works" is counted as reached at any look; "naive" is a
one-sided test of two shares (of numbers: t) at 5 % after every block from 20 ventings on.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special, stats

from calibrate import runner
from ventbook.statistics import trials
from ventbook.statistics.trials import Evidence
from ventbook.tables import load_trial_rules

TABLES = Path(__file__).parent / "tables"
RULES = load_trial_rules()
Array = npt.NDArray[np.float64]
ENGINE, SITE, RISE = 1.0, 0.5, np.log(2.0)
PART = 250


def draw_chances(
    base: float, odds_ratio: float, shape: tuple[int, int], world: str, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Chances of failing as before and with the change, of shape (runs, blocks, 4)."""
    runs, blocks = shape
    eta = np.zeros((runs, blocks, 4))
    if world == "fleet":
        eta = eta + SITE * rng.normal(size=(runs, blocks, 1)) + ENGINE * rng.normal(size=(runs, blocks, 4))
        eta += RISE * (np.linspace(0, 1, blocks)[np.newaxis, :, np.newaxis] - 0.5)
    level = optimize.brentq(lambda a: float(special.expit(a + eta[:20]).mean()) - base, -12, 12)
    return special.expit(level + eta), special.expit(level + eta + np.log(odds_ratio))


def draw_failing(
    before: Array, changed: Array, rng: np.random.Generator
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Which of each block are drawn to the change, and which fail."""
    treated = np.argsort(np.argsort(rng.random(before.shape), axis=-1), axis=-1) < 2
    return treated, rng.random(before.shape) < np.where(treated, changed, before)


def weigh(
    treated: npt.NDArray[np.bool_],
    failing: npt.NDArray[np.bool_],
    known: npt.NDArray[np.bool_],
    *,
    planned: float,
) -> Evidence:
    counts = [
        part.sum(axis=-1) for part in (known & failing, known, known & treated, known & treated & failing)
    ]
    return trials.weigh_blocks(*counts, planned=planned)


def first_look(yes: npt.NDArray[np.bool_], step: int) -> Array:
    return np.where(yes.any(axis=-1), step * (yes.argmax(axis=-1) + 1.0), np.inf)


def ends(found: Evidence, step: int) -> tuple[Array, Array]:
    """Ventings until "works", and until the trial ends by any verdict."""
    three = [
        first_look(getattr(found, name) >= getattr(RULES, name), step) for name in ("works", "harm", "no_use")
    ]
    return three[0], np.minimum.reduce(three)


def count_needed(runs: int, seed: int) -> pd.DataFrame:
    """Ventings for 80 % power, both ways of working together."""
    cells = [
        cell
        for world in ("alike", "fleet")
        for cell in (
            *(("share", world, base, ratio) for base in (0.1, 0.2, 0.4) for ratio in (0.25, 0.5)),
            *(("number", world, spread, ratio) for ratio, spread in ((0.9, 0.14), (0.85, 0.14), (0.8, 0.45))),
        )
    ]
    tasks = [(*cell, runs, seed) for cell in cells]
    return pd.DataFrame(runner.run_fleets(need_in_cell, tasks, what="ventings needed, cells"))


def need_in_cell(
    outcome: str, world: str, base: float, ratio: float, runs: int, seed: int
) -> dict[str, object]:
    """One row; ``base`` is the share failing, or the spread of a number."""
    if outcome == "share":
        return _share_row(world, base, ratio, runs, seed)
    return _number_row(world, ratio, base, runs, seed)


def _share_row(world: str, base: float, ratio: float, runs: int, seed: int) -> dict[str, object]:
    rng = np.random.default_rng([seed, int(100 * base), int(100 * ratio), world == "fleet"])
    works, acts, nothing, share = [], [], [], []
    for _ in range(0, runs, PART):
        before, changed = draw_chances(base, ratio, (PART, 600), world, rng)
        share.append(changed.mean())
        all_known = np.ones(before.shape, bool)
        for effect, kept in ((changed, acts), (before, nothing)):
            reached = ends(weigh(*draw_failing(before, effect, rng), all_known, planned=ratio), 4)
            kept.append(reached[1])
            if kept is acts:
                works.append(reached[0])
    odds = np.mean(share) / (1 - np.mean(share)) * (1 - base) / base
    planned = trials.need_share(base, float(odds), runs=50)
    return _row(world, "share", base, 1 / ratio, planned, *map(np.concatenate, (works, acts, nothing)))


def _number_row(world: str, ratio: float, spread: float, runs: int, seed: int) -> dict[str, object]:
    rng = np.random.default_rng([seed, int(100 * ratio), int(100 * spread), world == "fleet"])
    wide = spread * (np.sqrt(1 + 0.6**2) if world == "fleet" else 1.0)
    planned = trials.need_number(wide, ratio, runs=50)
    found = []
    for shift in (-np.log(ratio), 0.0):
        d = rng.normal(shift, wide * np.sqrt(2), (runs, 500))
        found.append(ends(trials.weigh_pairs(d, spread=spread, planned=ratio), 2))
    return _row(world, "number", spread, ratio, planned, found[0][0], found[0][1], found[1][1])


def _row(
    world: str,
    kind: str,
    base: float,
    effect: float,
    planned: trials.Needed,
    works: Array,
    acts: Array,
    nothing: Array,
) -> dict[str, object]:
    most = float(np.quantile(works, RULES.power, method="inverted_cdf"))
    error = np.sqrt(RULES.power * (1 - RULES.power) / len(works))
    low, high = (float(np.quantile(works, RULES.power + s * error, method="inverted_cdf")) for s in (-1, 1))
    return {
        "world": world, "outcome": kind, "base": base, "effect": round(effect, 3),
        "one_look": planned.one_look, "four_looks": planned.four_looks, "most": most, "most_error": (high - low) / 2,
        "mean_with": np.minimum(acts, most).mean(), "mean_without": np.minimum(nothing, most).mean(), "runs": len(works),
    }  # fmt: skip


# ---- looking after every block -----------------------------------------------------------------------------------------

BLOCKS = 100  # 400 ventings


def count_looks(runs: int, seed: int) -> pd.DataFrame:
    """How often a trial says "works": where the change does nothing, and where it acts but goes wrong on the way."""
    names = [*SCENARIOS, *(f"{OF_NUMBERS}{name}" for name in NUMBERS)]
    return pd.DataFrame(
        runner.run_fleets(look_often, [(name, runs, seed) for name in names], what="looks, scenarios")
    )


def look_often(name: str, runs: int, seed: int) -> dict[str, object]:
    """One row, by the scenario's name."""
    return _look(name, runs, seed, **SCENARIOS[name]) if name in SCENARIOS else _look_number(name, runs, seed)


SCENARIOS: dict[str, dict[str, Any]] = {
    **{
        f"nothing acts, {world}, {base:.0%} failing": {"base": base, "world": world}
        for world in ("alike", "fleet")
        for base in (0.1, 0.2, 0.4)
    },
    "nothing acts, half of failures with the change not on record": {"unrecorded": 0.5},
    "nothing acts, 10 % missing at random": {"missing": 0.1},
    "odds / 4": {"ratio": 0.25},
    "odds / 4, 3 % missing at random": {"ratio": 0.25, "missing": 0.03},
    "odds / 4, 10 % missing at random": {"ratio": 0.25, "missing": 0.1},
    "odds / 4, 20 % not done as drawn": {"ratio": 0.25, "not_done": 0.2},
    "odds times 4": {"ratio": 4.0},
}
OF_NUMBERS = "nothing acts, numbers: "


def _look(
    name: str, runs: int, seed: int, *, base: float = 0.2, ratio: float = 1.0, world: str = "alike", missing: float = 0.0,
    unrecorded: float = 0.0, not_done: float = 0.0,
) -> dict[str, object]:  # fmt: skip
    rng = np.random.default_rng([seed, *name.encode()])
    before, changed = draw_chances(base, ratio, (runs, BLOCKS), world, rng)
    treated, _ = draw_failing(before, changed, rng)
    done = treated & (rng.random(treated.shape) >= not_done)
    failing = rng.random(before.shape) < np.where(done, changed, before)
    known = rng.random(before.shape) >= missing
    known &= ~(treated & failing & (rng.random(before.shape) < unrecorded))
    first = weigh(treated, failing, known, planned=0.25)
    against = weigh(treated, np.where(known, failing, treated), np.ones(known.shape, bool), planned=0.25)
    return _verdicts(name, first, against, _naive_shares(treated, failing, known))


def _naive_shares(
    treated: npt.NDArray[np.bool_], failing: npt.NDArray[np.bool_], known: npt.NDArray[np.bool_]
) -> float:
    x1, n1, x0, n0 = (
        np.cumsum(part.sum(axis=-1), axis=-1)
        for part in (known & treated & failing, known & treated, known & ~treated & failing, known & ~treated)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        p = (x1 + x0) / (n1 + n0)
        z = (x0 / n0 - x1 / n1) / np.sqrt(p * (1 - p) * (1 / n1 + 1 / n0))
    return float((np.nan_to_num(z)[:, 4:] > stats.norm.ppf(0.95)).any(axis=-1).mean())


NUMBERS = {
    "log-normal": lambda rng, size: rng.normal(0, 0.2, size),
    "heavy tails": lambda rng, size: 0.15 * rng.standard_t(2, size),
    "skewed": lambda rng, size: 0.3 * (rng.exponential(1, size) - 1),
    "engines differ": lambda rng, size: (
        rng.normal(0, 0.14, size) + 0.4 * rng.normal(0, 1, size) * (rng.random(size) < 0.2)
    ),
}


def _look_number(name: str, runs: int, seed: int) -> dict[str, object]:
    rng, law = np.random.default_rng([seed, *name.encode()]), NUMBERS[name.removeprefix(OF_NUMBERS)]
    one, other = (law(rng, (runs, 2 * BLOCKS)) for _ in range(2))
    d = one - other  # the coin that draws the pair makes it symmetric whatever the law
    found = trials.weigh_pairs(d, spread=0.2, planned=0.9)
    n = np.arange(1, d.shape[1] + 1)
    mean = np.cumsum(d, axis=-1) / n
    with np.errstate(divide="ignore", invalid="ignore"):
        t = mean / np.sqrt((np.cumsum(d**2, axis=-1) / n - mean**2) / (n - 1))
    naive = float((t[:, 9:] > stats.t.ppf(0.95, n[9:] - 1)).any(axis=-1).mean())
    return _verdicts(name, found, found, naive)


def _verdicts(name: str, first: Evidence, against: Evidence, naive: float) -> dict[str, object]:
    runs = len(first.works)
    line = (first.works >= RULES.works).any(axis=-1)
    both = ((first.works >= RULES.works) & (against.works >= RULES.works)).any(axis=-1)
    works = float(both.mean())
    return {
        "scenario": name, "nothing": "yes" if name.startswith("nothing acts") and "record" not in name else "", "works": works, "error": float(np.sqrt(max(works * (1 - works), 1 / runs) / runs)),
        "first_line": float(line.mean()), "naive": naive,
        "harm": float((first.harm >= RULES.harm).any(axis=-1).mean()),
        "no_use": float((first.no_use >= RULES.no_use).any(axis=-1).mean()), "runs": runs,
    }  # fmt: skip


def main() -> None:
    """Writes the tables."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with runner.use(asked):
        needed = count_needed(asked.runs // 2, asked.seed)
        looks = count_looks(asked.runs, asked.seed)
    TABLES.mkdir(exist_ok=True)
    needed.round(2).to_csv(TABLES / "trial.csv", index=False)
    looks.round(4).to_csv(TABLES / "trial_looks.csv", index=False)
    lines = [
        "# Trials of a change",
        "",
        f'Ventings for a chance of {RULES.power:.0%} of "works", both ways of working together; {asked.runs // 2} simulated trials a row. '
        "Fixed numbers by the usual formula at one-sided 5 %. Effect: odds divided by, or ratio of numbers; base: share failing, or standard deviation of the log.",
        "",
        "| world | outcome | base | effect | one look | four looks | any look, at most | on average, it acts | on average, nothing |",
        "|---|---|---|---|---|---|---|---|---|",
        *(
            f"| {r.world} | {r.outcome} | {r.base:g} | {r.effect:g} | {r.one_look} | {r.four_looks} | {r.most:.0f} +- {r.most_error:.0f} | {r.mean_with:.0f} | {r.mean_without:.0f} |"
            for r in needed.itertuples()
        ),
        "",
        f"Looked at after every block, {4 * BLOCKS} ventings, {asked.runs} trials a row. Works: reached at any look, with missing outcomes counted against "
        "the change as well; first line: without that.",
        "",
        "| scenario | works | first line | a naive test at every look | harm | no use |",
        "|---|---|---|---|---|---|",
        *(
            f"| {r.scenario} | {r.works:.1%} +- {r.error:.1%} | {r.first_line:.1%} | {r.naive:.1%} | {r.harm:.1%} | {r.no_use:.1%} |"
            for r in looks.itertuples()
        ),
    ]
    (TABLES / "trial.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
