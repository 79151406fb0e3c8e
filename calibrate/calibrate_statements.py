"""How often the reports name a circumstance where none acts, and how often one that acts: the final sentences counted.

    python -m calibrate.calibrate_statements [--fleets 200] [--kind NAME ...] [--jobs 1] [--out calibrate/tables]

writes calibrate/tables/statements.csv and statements.md. Simulated fleets with known truth go through the functions that
write the reports' sentences: ratios of times and of rotations, circumstances of spongy lifters, the review's signals, and
what the failing ventings of a signalled site share. What counts is what a reader sees: a name in an answer, or a question
beside it. Fleets of 300 ventings on 120 engines at 4 sites (see calibrate_contexts), small ones of 120 on 60.
"""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from calibrate import calibrate_trends as quarters
from calibrate import fleets, runner
from ventbook.reports import account, time_to_pressure, waiting
from ventbook.reports.parameters import Period
from ventbook.reports.quarterly_review import words as trend_words
from ventbook.reports.quarterly_review.signals import FAMILY, Signal, explain_signal
from ventbook.reports.rotations_to_prime import times as rotations_to_prime_times
from ventbook.results import Estimate
from ventbook.statistics import causes, trends
from ventbook.tables import evidence

SEED = 20261129
#: Relative spread of times between engines and between ventings; a stopwatch's step.
ENGINE_SPREAD, VENTING_SPREAD, STEP_S = 0.25, 0.4, 0.5
TURNS, TURNS_SPREAD = 40.0, 0.14
#: Circumstances that a sheet asks for and may be left blank.
ASKED = (
    "lines_empty", "cooler_empty", "filter_new", "turned_by", "plugs_removed", "pressure_steady", "tank_ran_low",
    "turned_backwards", "lifters_reused",
)  # fmt: skip


@dataclass(frozen=True)
class Said:
    """What one report's sentences say of one fleet: names in the answer, and names asked beside it."""

    named: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()


@dataclass(frozen=True)
class Kind:
    """One kind of fleet. ``read`` gives what each family of statements says; ``truth`` what acts ("" = nothing)."""

    name: str
    read: Callable[[np.random.Generator], dict[str, Said]]
    truth: str = ""


def draw_fleet(
    rng: np.random.Generator, *, ventings: int = 300, engines: int = 120, odds: float = 1.0, times: float = 1.0,
    site_spread: float | None = None, hide: str = "",
) -> tuple[pd.DataFrame, pd.DataFrame]:  # fmt: skip
    """Ventings with findings, times and rotations, and their lifters; an empty cooler multiplies odds and times, nothing else acts.

    ``site_spread``: log odds between sites. ``hide``: "sheet" leaves sound ventings' sheets blanker throughout, "yes" leaves
    half of what happened on them unwritten ("it ran low" is remembered where a lifter was spongy).
    """
    jobs, engine = fleets.draw_context(rng, ventings=ventings, engines=engines)
    case = fleets.Case("ordinary", partial(fleets.plant_cooler, odds_ratio=odds))
    if site_spread is not None:
        own = rng.normal(0, site_spread, len(fleets.SITES))[pd.factorize(jobs["site"])[0]]
        case = fleets.Case("ordinary", lambda jobs, rng: own)
    jobs, lifters = fleets.draw_findings(case, jobs, engine, rng)
    jobs = add_waits(jobs, engine, rng, times=times)
    return (hide_blanks(jobs, rng, how=hide) if hide else jobs), lifters


def add_waits(
    jobs: pd.DataFrame, engine: np.ndarray, rng: np.random.Generator, *, times: float
) -> pd.DataFrame:
    """``jobs`` with seconds to pressure by stopwatch and counted rotations, as intervals."""
    n, engines = len(jobs), int(engine.max()) + 1
    spread = rng.normal(0, ENGINE_SPREAD, engines)[engine] + rng.normal(0, VENTING_SPREAD, n)
    seconds = np.exp(0.9 + spread + np.log(times) * jobs["cooler_empty"].to_numpy(float))
    read = np.round(seconds / STEP_S) * STEP_S
    turns = np.ceil(TURNS * np.exp(rng.normal(0, TURNS_SPREAD, n) + rng.normal(0, 0.05, engines)[engine]))
    return waiting.add_groupings(jobs).assign(
        time_low_s=np.maximum(read - STEP_S / 2, 0.0), time_high_s=read + STEP_S / 2,
        rotations_low=turns - 1, rotations_high=turns,
    )  # fmt: skip


def draw_times(rng: np.random.Generator, *, ventings: int, engines: int, times: float = 1.0) -> pd.DataFrame:
    """Ventings with wait_low and wait_high of the time to pressure; an empty cooler multiplies it by ``times``."""
    jobs, engine = fleets.draw_context(rng, ventings=ventings, engines=engines)
    jobs = add_waits(jobs, engine, rng, times=times)
    return jobs.assign(wait_low=jobs["time_low_s"], wait_high=jobs["time_high_s"])


def hide_blanks(jobs: pd.DataFrame, rng: np.random.Generator, *, how: str) -> pd.DataFrame:
    """``jobs`` with cells left blank more often where no lifter was spongy (see draw_fleet)."""
    sound = (jobs["lifters_over_first"] == 0).to_numpy()
    out = jobs.copy()
    for name in ASKED:
        happened = (jobs[name].astype(object).isin([True, "starter", "flickered"])).to_numpy(bool)
        share = np.where(sound, 0.35, 0.05) if how == "sheet" else np.where(sound & happened, 0.5, 0.05)
        blank = rng.random(len(jobs)) < share
        column = jobs[name].astype("boolean") if jobs[name].dtype == bool else jobs[name].astype("str")
        out[name] = column.mask(blank)
    return out


def read_waits(jobs: pd.DataFrame, wait: waiting.TimeToEvent) -> Said:
    """What the page of ``wait`` says of these ventings: in the answer's sentence, and in the question beside it."""
    effects = waiting.fit_effects(jobs, wait, level=0.95)
    answer, asked = waiting.say_effects(effects, wait), waiting.ask_effects(effects, wait)
    labels = effects.named["label"].tolist()
    return Said(tuple(x for x in labels if x in answer), tuple(x for x in labels if x in asked))


def read_causes(jobs: pd.DataFrame, lifters: pd.DataFrame) -> Said:
    """Circumstances of spongy lifters that the answer names, and those that the page asks about."""
    found = causes.explain_failures(jobs, lifters, factors=fleets.FACTORS, draws=0)
    answer = account.causes_sentence(found)
    named = [row["name"] for row in account.list_named(found) if row["title"] in answer]
    asked = [row["name"] for row in account.list_hints(found)]  # the page asks about every hint
    return Said(*(tuple(str(name).partition("=")[0] for name in names) for names in (named, asked)))


def read_all(rng: np.random.Generator, **fleet: Any) -> dict[str, Said]:
    """All three reports on one fleet."""
    jobs, lifters = draw_fleet(rng, **fleet)
    said = {"named_causes.circumstances": read_causes(jobs, lifters)}
    for wait, low, high in (
        (time_to_pressure.WAIT, "time_low_s", "time_high_s"),
        (rotations_to_prime_times.WAIT, "rotations_low", "rotations_high"),
    ):
        said[wait.family] = read_waits(jobs.assign(wait_low=jobs[low], wait_high=jobs[high]), wait)
    return said


def read_causes_alone(rng: np.random.Generator, **fleet: Any) -> dict[str, Said]:
    """The report on spongy lifters on one fleet."""
    return {"named_causes.circumstances": read_causes(*draw_fleet(rng, **fleet))}


def read_times_alone(rng: np.random.Generator, **fleet: Any) -> dict[str, Said]:
    """The report on times to pressure on one fleet."""
    jobs, _ = draw_fleet(rng, **fleet)
    jobs = jobs.assign(wait_low=jobs["time_low_s"], wait_high=jobs["time_high_s"])
    return {time_to_pressure.WAIT.family: read_waits(jobs, time_to_pressure.WAIT)}


def read_signalled(rng: np.random.Generator, *, odds: float = 1.0, ventings: int = 90) -> dict[str, Said]:
    """A site of the review whose failing share doubled: what the sentences say that its failing ventings share.

    Thirteen recorded columns as at a workshop; lot C multiplies the odds by ``odds``, nothing else acts.
    """
    jobs, _ = fleets.draw_context(rng, ventings=ventings, engines=ventings // 2)
    jobs = jobs.assign(
        site="Ridge",
        form_revision=rng.choice(["2", "3"], ventings),
        procedure_revision=rng.choice(["C", "D"], ventings),
    )
    logit = special.logit(0.24) + np.log(odds) * (jobs["lifter_lot"] == "C").to_numpy(float)
    jobs["failed_first"] = rng.random(ventings) < special.expit(logit)
    columns = [
        "engine_type", "reason", "lines_empty", "cooler_empty", "filter_new", "gauge", "lifter_lot", "oil_grade",
        "procedure_revision", "form_revision", "turned_by",
    ]  # fmt: skip
    common = trends.compare_failing(jobs, failed="failed_first", columns=columns, stratum="site", draws=999)
    none = Estimate(2.0, 1.4, 2.8, 0.95, "1", ventings, 0, "made up")
    period = Period("", dt.date(2026, 7, 1), dt.date(2026, 10, 1), False)
    signal = Signal(
        trends.FAILING,
        "Ridge",
        "up",
        "",
        1.0,
        1.0,
        "2026Q3",
        period,
        none,
        0,
        0.0,
        "",
        pd.DataFrame(),
        (),
        common,
    )
    sentences = explain_signal(signal, mix=False)
    label = f"{common['column'].iloc[0]} {common['level'].iloc[0]}".replace("_", " ")
    named = any(s.startswith("Most of all the failing ventings share") for s in sentences)
    asked = any("matter? These records can't say" in s for s in sentences)
    return {"what failing ventings share": Said((label,) if named else (), (label,) if asked else ())}


def read_signals(rng: np.random.Generator, *, times: float = 1.0) -> dict[str, Said]:
    """The review's signals in the third quarter after a site's failing share was multiplied by ``times``."""
    scenario = quarters.Scenario("", times=times)
    frame = quarters.draw_fleet(scenario, rng=rng)
    rule = trends.WatchRule(evidence.load_budget().share(FAMILY), 10_000, int(rng.integers(2**31)))
    watch = trends.watch_page(
        frame, current=f"q{scenario.base_quarters + 2:02d}", numbers=quarters.NUMBERS, levels=quarters.LEVELS,
        rule=rule,
    )  # fmt: skip
    rows = watch.signals.to_dict("records")
    return {
        FAMILY: Said(
            tuple(f"{trend_words.place_words(r['group'])} {r['series']} {r['direction']}" for r in rows)
        )
    }


SMALL = {"ventings": 120, "engines": 60}
KINDS = (
    Kind("nothing acts", read_all),
    Kind("nothing acts, 120 ventings", partial(read_all, **SMALL)),
    Kind("nothing acts, sites differ strongly", partial(read_causes_alone, site_spread=1.0)),
    Kind("nothing acts, sheets fuller on failing ventings", partial(read_causes_alone, hide="sheet")),
    Kind("nothing acts, written down where a lifter was spongy", partial(read_causes_alone, hide="yes")),
    Kind("an empty cooler: odds of a spongy lifter times 4", partial(read_causes_alone, odds=4.0), "cooler_empty"),
    Kind("an empty cooler: odds of a spongy lifter times 2", partial(read_causes_alone, odds=2.0), "cooler_empty"),
    Kind("an empty cooler: times to pressure times 1.3", partial(read_times_alone, times=1.3), "oil cooler empty before venting"),
    Kind("a signalled site, nothing else acts", read_signalled),
    Kind("a signalled site, one lot: odds times 6", partial(read_signalled, odds=6.0), "lifter lot C"),
    Kind("review, nothing acts", read_signals),
    Kind("review, failing share doubled at one site of four", partial(read_signals, times=2.0), "at Harbour failing_ventings up"),
)  # fmt: skip


def read_one(name: str, number: int) -> dict[str, Said]:
    """One fleet of a kind, by its number."""
    at = [kind.name for kind in KINDS].index(name)
    return KINDS[at].read(np.random.default_rng([SEED, at, number]))


def count_kind(kind: Kind, *, count: int) -> pd.DataFrame:
    """Shares of ``count`` fleets with a named and with an asked circumstance, by family and over all of them.

    Where something acts: named and asked count the truth, ``others`` fleets on which anything else is named.
    """
    said = runner.run_fleets(read_one, [(kind.name, number) for number in range(count)], what=kind.name)
    rows = []
    for family in [*said[0], *(["all of these"] if len(said[0]) > 1 else [])]:
        of = [list(s.values()) if family == "all of these" else [s[family]] for s in said]
        named = [any(kind.truth in x.named if kind.truth else x.named for x in each) for each in of]
        listed = [
            any(kind.truth in (*x.named, *x.asked) if kind.truth else x.asked for x in each) for each in of
        ]
        others = [any(set(x.named) - {kind.truth} for x in each) for each in of]
        shares = [float(np.mean(v)) for v in (named, listed, others)]
        errors = [float(np.sqrt(max(s * (1 - s), 1 / count) / count)) for s in shares]
        rows.append(
            (
                kind.name,
                family,
                kind.truth,
                *(v for pair in zip(shares, errors, strict=True) for v in pair),
                count,
            )
        )
    names = [
        "fleet",
        "family",
        "truth",
        "named",
        "named_error",
        "asked",
        "asked_error",
        "others",
        "others_error",
        "fleets",
    ]
    return pd.DataFrame(rows, columns=names)


def main(arguments: list[str] | None = None) -> None:
    """Counts the kinds and writes the tables; kinds not asked for keep the figures that stand there."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=500)
    parser.add_argument("--kind", action="append", default=[])
    parser.add_argument("--out", default=str(Path(__file__).parent / "tables"))
    asked = parser.parse_args(arguments)
    path = Path(asked.out) / "statements.csv"
    kept = pd.read_csv(path, keep_default_na=False) if path.exists() else pd.DataFrame()
    with runner.use(asked):
        for kind in KINDS:
            if asked.kind and kind.name not in asked.kind:
                continue
            start = time.perf_counter()
            found = count_kind(kind, count=asked.fleets)
            print(
                found.to_string(index=False, header=False), f"{time.perf_counter() - start:.0f} s", flush=True
            )
            kept = pd.concat([kept[kept["fleet"] != kind.name] if len(kept) else kept, found])
            write_tables(kept, Path(asked.out))


def write_tables(table: pd.DataFrame, folder: Path) -> None:
    """statements.csv with every figure, statements.md for readers."""
    folder.mkdir(parents=True, exist_ok=True)
    place = {kind.name: at for at, kind in enumerate(KINDS)}
    table = table.sort_values("fleet", key=lambda s: s.map(place), kind="stable")
    table.round(4).to_csv(folder / "statements.csv", index=False, lineterminator="\n")
    lines = [
        "# What the reports name and ask on simulated fleets",
        "",
        "Fleets in 100 on which a reader is told of a circumstance in an answer (named), or asked about one beside it (asked; where something "
        "acts: named or asked), with the chance error. Where something acts, that is what is counted, and beside it fleets on which anything else is named.",
        "",
        "| fleet | statements | named | asked | anything else named | fleets |",
        "|---|---|---|---|---|---|",
    ]
    for row in table.to_dict("records"):
        cells = [f"{100 * row[n]:.1f} +- {100 * row[f'{n}_error']:.1f}" for n in ("named", "asked", "others")]
        if not row["truth"]:
            cells[2] = ""
        lines.append(
            f"| {row['fleet']} | {row['family'].replace('_', ' ')} | {' | '.join(cells)} | {row['fleets']} |"
        )
    (folder / "statements.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
