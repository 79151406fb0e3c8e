"""What a reader sees of fleets unlike the model: headline numbers and statements of the final pages, counted.

    python -m calibrate.calibrate_worlds [--fleets 40] [--jobs 1] [--cluster ADDRESS] [--out calibrate/tables]

writes calibrate/tables/worlds.csv and worlds.md. Fleets of ``worlds.py``, which shares nothing with the library, are put into a
store, and the functions of the notebooks are run on it; only pictures are left out. What is read is what they show: findings with
their intervals, tables, and the names and sentences of the answers. The tables are written anew after every few fleets.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd
import pyarrow as pa

from calibrate import runner, worlds
from calibrate.worlds import WORLDS, Drawn, World
from ventbook import tables
from ventbook.document.sequence import Blocks
from ventbook.model import traces
from ventbook.model.traces.features import name_settings
from ventbook.physics import priming
from ventbook.records import store as st
from ventbook.reports import account, time_to_pressure, waiting
from ventbook.reports.alarms import ALARM, open_alarms
from ventbook.reports.drifted import find_drifts, say_drifted
from ventbook.reports.left_out import count_left_out
from ventbook.reports.lifter_gaps.page import say_positions
from ventbook.reports.page import Page, start_page
from ventbook.reports.parameters import check_parameters, find_report
from ventbook.reports.planned_venting import ahead
from ventbook.reports.quarterly_review.data import load_data as load_review
from ventbook.reports.quarterly_review.groups import site_funnel
from ventbook.reports.quarterly_review.known import judge_actions
from ventbook.reports.quarterly_review.signals import read_signals
from ventbook.reports.rotations_to_prime import page as rotations
from ventbook.reports.rotations_to_prime import times as counts
from ventbook.reports.rotations_to_prime.words import let_through_sentence
from ventbook.reports.sensitivity import find_sensitivity
from ventbook.reports.spongy_lifters.words import recurrence_sentence
from ventbook.reports.unchecked import say_unchecked
from ventbook.statistics import causes, rates, trends
from ventbook.statistics.forecast import predict_rotations, predict_times, tell_deviation
from ventbook.statistics.trends.before_after import WORKED

WHOLE = "2024-10/2026-09"
#: Names under which each plant may stand as a cause.
CAUSES = {
    "cooler": ("cooler_empty",), "mended": ("cooler_empty",), "both": ("empty_cooler_unpressurised",), "lot": ("lifter_lot=F",),
    "site": ("Harbour",), "gauge": ("gauge Harbour 2",),
}  # fmt: skip
#: Statements of the pages; by plant, the names that are meant.
STATEMENTS: dict[str, dict[str, tuple[str, ...]]] = {
    "named cause": CAUSES,
    "named for times": {"cooler": ("cooler_empty",)},
    "signal": {"site": ("Harbour",)},
    "alarm": {"lot": ("F",), "site": ("Harbour",)},
    "alarm or note": {"lot": ("F",), "site": ("Harbour",)},
    "gauge verdict": {"gauge": ("Harbour 2",)},
    "worked": {"mended": ("A-1",)},
    "steps by site": {"step": ("Plain",)},
    "the pump lets air through": {"pump": ("pump",)},
    "said and came differ": {},
    "site outside": {"site": ("Harbour",)},
    "positions": {"place": ("positions",)},
    "returning engines": {"engine": ("engines",)},
    "asked cause": CAUSES,
    "stands through every change": CAUSES,
}
#: What the shop says it did at the beginning of 2026; only in the fleet "mended" did anything change.
ACTION = """[[action]]
id = "A-1"
since = "2026-01-01"
kind = "air"
bad_quarter = "2025Q4"
what = "Cooler filled before turning"
"""
#: Of these a quarter's reports are promised to carry none in 95 of 100 where nothing acts.
PROMISED = tuple(
    name
    for name in STATEMENTS
    if name not in ("asked cause", "stands through every change", "said and came differ", "alarm or note")
)
#: Statements that are right to speak of more than what is planted.
TOUCHED = {
    "lot": {"signal", "alarm", "alarm or note"},
    "site": {"signal", "alarm", "alarm or note", "named cause"},
    "gauge": {"signal", "alarm", "alarm or note", "site outside"},
    "mended": {"signal", "alarm", "alarm or note"},
}
#: Site spread from which a site may rightly be said to lie outside the others.
APART = 0.5
QUANTITIES = {
    "failing share": 0.95, "failing share by site": 0.95, "median time": 0.95, "time ratio": 0.95, "rotations ratio by site": 0.95,
    "rotations of a new venting": 0.9, "seconds of a new venting": 0.9, "avoidable count": 0.9, "chance of a spongy lifter": 0.9,
    "gauge drift": 0.95,
}  # fmt: skip
HERE = Path(__file__).parent
SHARES_FROM = 100_000  # first number of fleets that only shares are asked of
UNLIKE = "all unlike worlds"
EVERY = 5  # of so many fleets one is read whole
ROUND = 2  # fleets of each kind between two states of the tables


def write_limits(folder: Path) -> None:
    """The invented limits of worlds.py as a shop's own table beside the store."""
    rows = []
    for step, row in worlds.LIMITS.items():
        given = {
            "step": step,
            "engine_type": "*",
            "status": "manual",
            "revision": "A1",
            "source": "invented",
            **row,
        }
        lines = [f"{name} = {json.dumps(value)}" for name, value in given.items()]
        rows.append("\n".join(["[[limit]]", *lines, "effective_from = 2020-01-01"]))
    (folder / "limits.toml").write_text("\n\n".join(rows) + "\n", encoding="utf-8")


def write_fleet(drawn: Drawn, folder: Path) -> Path:
    """A store of one snapshot in ``folder`` that holds the fleet, features of its traces included, with limits beside it."""
    write_limits(folder)
    (folder / "actions.toml").write_text(ACTION, encoding="utf-8")
    store = st.create_store(folder / "store")
    with st.write_snapshot(store) as writer:
        for name, frame in drawn.tables.items():
            writer.add_rows(name, to_arrow(name, frame))
        if len(drawn.samples):
            limits = tables.load_limits(folder / "limits.toml", engine_types=list(worlds.TYPES))
            rows = pa.Table.from_pandas(reduce_samples(drawn, limits), preserve_index=False)
            texts = [
                pa.field(f.name, pa.string()) if pa.types.is_large_string(f.type) else f for f in rows.schema
            ]
            writer.change_rows(
                "start_features", add=rows.replace_schema_metadata(None).cast(pa.schema(texts))
            )
        accepted = {name: {"accepted": len(frame)} for name, frame in drawn.tables.items()}
        sources = [
            {"file": f"{n}.csv", "sheet": "", "table": n, "rows": len(f), "sha256": "ab" * 32}
            for n, f in drawn.tables.items()
        ]
        writer.commit(kind="intake", today=worlds.TODAY, counts=accepted, sources=sources)
    return folder / "store"


def to_arrow(name: str, frame: pd.DataFrame) -> pa.Table:
    """Rows of a record table as an intake keeps them; columns left out are empty."""
    book = {"_intake": 1, "_file": f"{name}.csv"}
    columns = []
    for column in st.record_schema(name):
        if column.name == "_line":
            values: list[Any] = list(range(2, len(frame) + 2))
        elif column.name in book:
            values = [book[column.name]] * len(frame)
        else:
            values = frame[column.name].tolist() if column.name in frame else [None] * len(frame)
        kept = [None if v is None or v != v else v for v in values]
        columns.append(pa.array(kept).cast(column.type, safe=False))
    return pa.table(columns, schema=st.record_schema(name))


def reduce_samples(drawn: Drawn, limits: tables.Limits) -> pd.DataFrame:
    """The features of each logged start, by the kernel that reads traces at intake."""
    jobs = drawn.tables["ventings"].merge(
        drawn.tables["engines"][["engine_id", "engine_type"]], on="engine_id"
    )
    jobs = jobs.set_index("venting_id", drop=False)
    samples = drawn.samples
    first = np.flatnonzero(samples["venting_id"].ne(samples["venting_id"].shift()))
    names = samples["venting_id"].iloc[first]
    own = jobs.loc[names].reset_index(drop=True)
    own["date"] = pd.to_datetime(own["date"])
    steps = traces.start_settings(
        own, among=limits, threshold_bar=own["pressure_threshold_bar"].to_numpy(float)
    )
    found = traces.start_features(
        np.append(first, len(samples)), *(samples[c].to_numpy(float) for c in ("t_s", "speed_rpm", "oil_pressure_bar", "oil_temperature_degC")),
        start_no=np.ones(len(first)), steps=steps,
    )  # fmt: skip
    found.insert(0, "venting_id", names.to_numpy())
    found.insert(1, "start_no", 1)
    return found.assign(limits_key=name_settings(steps), limits_revision="A1")


@contextmanager
def without_pictures() -> Iterator[None]:
    """Pages that keep everything but their pictures."""
    from matplotlib import pyplot

    def skip(page: Page, name: str, figure: Any, **words: str) -> Blocks:
        pyplot.close(figure)
        return Blocks()

    with mock.patch.object(Page, "add_figure", skip):
        yield


@contextmanager
def share_fits() -> Iterator[None]:
    """The formula's constants fitted once for all pages that ask for them with the same counts."""
    fit, fitted = priming.fit_constants, list[tuple[pd.DataFrame, dict[str, Any], priming.Constants]]()

    def fit_once(jobs: pd.DataFrame, **asked: Any) -> priming.Constants:
        own = priming.take_counts(jobs)
        for frame, options, found in fitted:
            if options == asked and frame.equals(own):
                return found
        fitted.append((own, asked, fit(jobs, **asked)))
        return fitted[-1][-1]

    with mock.patch.object(priming, "fit_constants", fit_once):
        yield


class Reader:
    """The pages of one store, each opened once; records, analysis tables and the account are made once and handed on."""

    def __init__(self, store: Path) -> None:
        self.snapshot = st.open_store(store).snapshot()
        self.store = store
        self.pages: dict[tuple[Any, ...], Page] = {}

    def open(self, name: str, **asked: Any) -> Page:
        """The page of a report, opened as a notebook opens it."""
        key = name, *asked.items()
        if key not in self.pages:
            self.pages[key] = self._start(name, asked)
        return self.pages[key]

    def _start(self, name: str, asked: dict[str, Any]) -> Page:
        spec = find_report(name)
        page = start_page(spec, check_parameters(spec, {"store": str(self.store), **asked}), self.snapshot)
        page.check_scope()
        for other in self.pages.values():
            page.records, page.all_lifters, page.all_jobs = other.records, other.all_lifters, other.all_jobs
            if other.period.end == page.period.end and account.load_account in other.kept:
                page.kept[account.load_account] = other.kept[account.load_account]
        return page


@dataclass
class Read:
    """What the pages say of one fleet: intervals with the truth, names by statement (empty: said nothing), warnings by number."""

    numbers: list[tuple[str, float, float, float]] = field(default_factory=list)
    said: dict[str, list[str]] = field(default_factory=dict)
    warned: dict[str, list[str]] = field(default_factory=dict)

    def add(self, quantity: str, low: float | None, high: float | None, truth: float) -> None:
        if low is not None and high is not None and np.isfinite([low, high]).all():
            self.numbers.append((quantity, float(low), float(high), float(truth)))


#: Pages that are read of a fleet: of a plant made for one statement that statement's, else all that the world touches.
READ_OF = {
    "pump": ("rotations",), "step": ("steps",), "site": ("review", "monitor"), "lot": ("causes", "monitor"), "mended": ("causes", "review"),
    "place": ("shares",), "engine": ("returning",),
}  # fmt: skip


def choose_pages(world: World, *, whole: bool) -> tuple[str, ...]:
    """Names of the pages to be read; ``whole``: also those that take long."""
    if world.logger_hz:
        return ("times",)
    if world.heaped:
        return ("rotations", "ahead")
    if world.plant in READ_OF:
        return READ_OF[world.plant]
    if not world.engine_spread:
        return "returning", "shares", "review"
    return (
        "times",
        "rotations",
        "ahead",
        "causes",
        "returning",
        "shares",
        "review",
        "monitor",
        *(("steps", "chances") if whole else ()),
    )


def read_fleet(world: World, drawn: Drawn, store: Path, *, whole: bool) -> Read:
    """Reads the pages that a world is about; ``whole``: also what takes long (steps by site, chances, changes tried)."""
    reader, read = Reader(store), Read()
    pages = choose_pages(world, whole=whole)
    if "times" in pages:
        read_times(reader.open("time-to-pressure", period=WHOLE), world, drawn, read)
    if "rotations" in pages:
        read_rotations(reader.open("rotations-to-prime", period=WHOLE), world, drawn, read)
    if "ahead" in pages:
        read_ahead(reader.open("planned-venting"), drawn, read)
    if "causes" in pages:
        read_causes(reader.open("spongy-lifters", period=WHOLE), world, drawn, read, whole=whole)
    if "returning" in pages:
        read_returning(reader.open("spongy-lifters", period=WHOLE), read)
    if "shares" in pages:
        read_shares(reader.open("lifter-gaps", period=WHOLE), drawn, read)
    if "review" in pages:
        read_review(reader.open("quarterly-review"), world, read)
    if "monitor" in pages:
        read_monitor(reader.open("monitor"), read)
    if "steps" in pages:
        named = count_left_out(reader.open("quarterly-review")).named
        read.said["steps by site"] = [row.now.site for row in named]
    if "chances" in pages:
        read_chances(reader.open("planned-venting"), drawn, read)
    return read


def read_causes(page: Page, world: World, drawn: Drawn, read: Read, *, whole: bool) -> None:
    """The page on spongy lifters: who is named in the answer, what is asked, the avoidable count, doubts."""
    found = account.load_account(page)
    answer = account.causes_sentence(found)
    read.said["named cause"] = [str(r["name"]) for r in account.list_named(found) if r["title"] in answer]
    read.said["asked cause"] = [str(r["name"]) for r in account.list_hints(found)]
    account.keep_causes(page, found, causes.sum_causes(found), tier="model")
    for row in page.findings:
        if (
            row["id"] == "avoidable_failures"
            and row["group"]["cause"] == "cooler_empty"
            and world.plant == "cooler"
        ):
            read.add("avoidable count", row["low"], row["high"], drawn.truth.avoidable)
    if whole:
        changes = find_sensitivity(page).changes if read.said["named cause"] else pd.DataFrame()
        stands = changes.groupby("cause")["stands"].all() if len(changes) else pd.Series(dtype=bool)
        read.said["stands through every change"] = [str(cause) for cause, held in stands.items() if held]
    read.warned["avoidable count"] = [s for s in account.doubt_sentences(found) if "fuller on failing" in s]


def read_returning(page: Page, read: Read) -> None:
    """The same page: whether findings come back on the same engines."""
    told = recurrence_sentence(causes.find_recurrent_engines(page.all_jobs, seed=page.seed))
    read.said["returning engines"] = ["engines"] * told.endswith("More than chance alone would bring.")


def read_shares(page: Page, drawn: Drawn, read: Read) -> None:
    """The page on gaps: failing share overall and by site, as its functions give them, and whether positions differ."""
    told = say_positions(page.history_lifters, seed=page.seed)
    read.said["positions"] = ["positions"] * told.startswith("Failures keep to some positions")
    every = rates.failing_share(page.jobs, level=page.level)
    read.add("failing share", every.low, every.high, drawn.truth.failing[""])
    sites = rates.failing_by(
        page.jobs, "site", groups=list(worlds.SITES), of="venting", check="first", level=page.level
    )
    for row in sites.to_dict("records"):
        read.add("failing share by site", row["low"], row["high"], drawn.truth.failing[str(row["site"])])
    doubts = [
        say_unchecked(page, tier="model"),
        say_drifted(page, page.jobs, page.lifters, find_drifts(page), tier="model"),
    ]
    read.warned |= {name: list(filter(None, doubts)) for name in ("failing share", "failing share by site")}


def read_times(page: Page, world: World, drawn: Drawn, read: Read) -> None:
    """The page on times: median, ratio of an empty cooler, and who is named in the answer."""
    time_to_pressure.answer(page)
    effects = time_to_pressure.load_data(page).effects
    read.said["named for times"] = list_effects(effects, time_to_pressure.WAIT)
    median = next(r for r in page.findings if r["id"] == "median_time_to_pressure")
    read.add("median time", median["low"], median["high"], drawn.truth.median_s)
    table = effects.table
    for row in table[table["factor"].eq("cooler_empty") & table["level"].eq("yes")].to_dict("records"):
        read.add("time ratio", row["low"], row["high"], worlds.TIME_RATIO if world.plant == "cooler" else 1.0)


def list_effects(effects: waiting.Effects, wait: waiting.TimeToEvent) -> list[str]:
    """Factors that the answer's sentence names."""
    told = waiting.say_effects(effects, wait)
    return [str(r["factor"]) for r in effects.named.to_dict("records") if str(r["label"]) in told]


def read_rotations(page: Page, world: World, drawn: Drawn, read: Read) -> None:
    """The page on rotations: ratio by site against all sites, whether pumps let air through, heaped counts."""
    _, history = rotations.counted(page)
    constants = priming.fit_constants(page.all_jobs)
    for _, own in history.groupby("site", observed=True):
        ratio = priming.estimate_ratio(own, level=page.level)
        read.add(
            "rotations ratio by site", ratio.low, ratio.high, true_ratio(own, drawn.truth.jobs, constants)
        )
    told = let_through_sentence(priming.check_let_through(history, level=page.level))
    read.said["the pump lets air through"] = ["pump"] * told.startswith("Pumps let air through")
    if world.heaped or world.like:
        told = counts.heaping(page).text.split("\n")[0]
        read.warned["rotations of a new venting"] = [told] * told.startswith("Counts stop at round numbers")


def true_ratio(own: pd.DataFrame, true: pd.DataFrame, constants: priming.Constants) -> float:
    """What these ventings need without the luck of engine and day, over what the page, had it no blanks, expects of them."""
    used = priming.usable_counts(own).set_index("venting_id", drop=False)
    true = true.loc[used.index]
    filled = {name: used[name].fillna(true[name].astype("boolean")) for name in worlds.FLAGS}
    expected = priming.expected_rotations(used.assign(**filled), constants=constants)["expected_rotations"]
    return float(np.exp(np.mean(np.log(true["needed"] / expected))))


def read_ahead(page: Page, drawn: Drawn, read: Read) -> None:
    """The page on planned ventings: 90 % ranges of rotations and seconds, held against what then came."""
    rows = ahead.planned_rows(page)
    true = drawn.truth.planned.set_index("venting_id").loc[rows["venting_id"]]
    for quantity, table, name in (
        (
            "rotations of a new venting",
            predict_rotations(
                page.all_jobs, rows, constants=ahead.past_constants(page), level=ahead.UPCOMING_LEVEL
            ),
            "true_rotations",
        ),
        (
            "seconds of a new venting",
            predict_times(page.all_jobs, rows, level=ahead.UPCOMING_LEVEL),
            "true_time_s",
        ),
    ):
        for (low, high), came in zip(table[["low", "high"]].to_numpy(float), true[name], strict=True):
            read.add(quantity, low, high, came)


def read_chances(page: Page, drawn: Drawn, read: Read) -> None:
    """The same page: the chance of a spongy lifter with its range, corrected by the past."""
    fared = tell_deviation(ahead.past_chances(page))
    read.said["said and came differ"] = ["chance"] if abs(fared.said - fared.came) > 2 * fared.error else []
    found, shift, rows = account.load_account(page), ahead.past_shift(page), ahead.planned_rows(page)
    true = drawn.truth.planned.set_index("venting_id").loc[rows["venting_id"], "chance"]
    for (_, row), chance in zip(rows.iterrows(), true, strict=True):
        _, low, high = shift.correct_one(causes.chance_for(found, row))
        read.add("chance of a spongy lifter", low, high, float(chance))


def read_review(page: Page, world: World, read: Read) -> None:
    """The review: signals, sites outside what chance allows, gauges that moved, what became of an action."""
    facts = load_review(page)
    read.said["signal"] = [s.site or "all" for s in read_signals(page)]
    by_site = rates.failing_by(facts.now, "site", groups=facts.sites, level=page.level)
    funnel, _ = site_funnel(facts, by_site)
    read.said["site outside"] = funnel.loc[funnel["outside"].ne(""), "site"].tolist()
    drifts = [d for d in facts.drifts if d.is_plain and d.verdict != trends.SITE]
    read.said["gauge verdict"] = [d.gauge for d in drifts]
    for d in drifts:
        if world.drift_mm and d.gauge == "Harbour 2":
            read.add("gauge drift", d.shift.low, d.shift.high, worlds.DRIFTED * world.drift_mm)
    judged = [j for j in judge_actions(page) if j.verdict and j.verdict.called == WORKED]
    read.said["worked"] = [j.action.id for j in judged]


def read_monitor(page: Page, read: Read) -> None:
    """The monitor's page: alarms that stand, and what is noted without being one."""
    standing = open_alarms(page)
    read.said["alarm"] = [str(alarm.level) for alarm in standing if alarm.what == ALARM]
    read.said["alarm or note"] = [str(alarm.level) for alarm in standing]


def judge_fleet(place: int, number: int) -> dict[str, Any]:
    """One fleet of ``WORLDS[place]``, drawn, put into a store and read; what came of it as plain values."""
    world = WORLDS[place]
    drawn = worlds.draw_world(world, number)
    with tempfile.TemporaryDirectory() as folder, without_pictures(), share_fits():
        read = read_fleet(world, drawn, write_fleet(drawn, Path(folder)), whole=(place + number) % EVERY == 0)
    said = {name: sorted(set(names)) for name, names in read.said.items()}
    warned = {name: bool(texts) for name, texts in read.warned.items()}
    return {
        "world": world.name,
        "plant": world.plant,
        "number": number,
        "numbers": read.numbers,
        "said": said,
        "warned": warned,
    }


def judge_shares(place: int, number: int) -> dict[str, Any]:
    """The failing shares of one fleet alone, by the pages' functions on its readings as written down: cheap, so that many can be asked."""
    world = WORLDS[place]
    drawn, read = worlds.draw_world(world, number), Read()
    checks = drawn.tables["lifter_checks"]
    own = (
        checks[checks["check_no"] == 1]
        .assign(over=lambda f: f["gap_mm"] > worlds.LIMIT_MM)
        .groupby("venting_id")["over"]
    )
    jobs = drawn.tables["ventings"].set_index("venting_id").loc[own.sum().index].reset_index()
    jobs = jobs.assign(
        lifters_over_first=own.sum().to_numpy(), lifters_judged_first=own.size().to_numpy(),
        failed_first=pd.array(own.any().to_numpy(), dtype="boolean"),
    )  # fmt: skip
    every = rates.failing_share(jobs, level=0.95)
    read.add("failing share", every.low, every.high, drawn.truth.failing[""])
    for site, mine in jobs.groupby("site"):
        found = rates.failing_share(mine, level=0.95)
        read.add("failing share by site", found.low, found.high, drawn.truth.failing[str(site)])
    return {
        "world": world.name,
        "plant": world.plant,
        "number": number,
        "numbers": read.numbers,
        "said": {},
        "warned": {},
    }


def is_meant(name: str, wanted: tuple[str, ...]) -> bool:
    """Whether a name is one of those meant; a site may be named since some quarter, or as growing."""
    return any(name == one or name.startswith(f"{one} ") for one in wanted)


def list_touched(world: World) -> set[str]:
    """Statements that are right to speak of more in this world than what is planted."""
    touched = set(TOUCHED.get("gauge" if world.drift_mm else world.plant, set()))
    if world.engine_spread:
        touched.add("returning engines")
    if world.site_spread >= APART:
        touched.add("site outside")
    return touched


def count_kind(world: World, fleets: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of the table for the fleets of one kind."""
    rows: list[dict[str, Any]] = []

    def add(kind: str, what: str, values: list[float], each: list[int], width: float = np.nan) -> None:
        means, weight = np.array(values, dtype=float), np.array(each, dtype=float)
        if not weight.sum():
            return
        rate = float((means * weight).sum() / weight.sum())
        n = len(means)
        among = float(np.sqrt(np.sum(np.square(weight * (means - rate))))) / weight.sum()
        error = max(among, float(np.sqrt(max(rate * (1 - rate), 1 / n) / weight.sum())))
        rows.append({"world": world.name, "plant": world.plant, "like": world.like, "kind": kind, "what": what, "rate": rate,
                     "error": error, "counted": int(weight.sum()), "fleets": n, "width": width})  # fmt: skip

    for quantity in QUANTITIES:
        own = [
            [
                (low <= true <= high, (high - low) / abs(true))
                for name, low, high, true in f["numbers"]
                if name == quantity and true
            ]
            for f in fleets
        ]
        own = [pairs for pairs in own if pairs]
        if own:
            width = float(np.median([w for pairs in own for _, w in pairs]))
            add(
                "cover",
                quantity,
                [float(np.mean([h for h, _ in pairs])) for pairs in own],
                [len(p) for p in own],
                width=width,
            )
    fleets = [f for f in fleets if f["said"]]
    plant = "gauge" if world.drift_mm else world.plant
    for name, meant in STATEMENTS.items():
        known = [f["said"][name] for f in fleets if name in f["said"]]
        right = (*meant.get(world.plant, ()), *meant.get(plant, ()))
        wanted = meant.get(world.plant) or meant.get(plant, ())
        if wanted:
            add(
                "found",
                name,
                [float(any(is_meant(n, wanted) for n in names)) for names in known],
                [1] * len(known),
            )
        if name not in list_touched(world):
            add(
                "false",
                name,
                [float(any(not is_meant(n, right) for n in names)) for names in known],
                [1] * len(known),
            )
    if not plant:
        promised = set(PROMISED) - list_touched(world)
        every = [float(any(f["said"].get(name) for name in promised)) for f in fleets]
        add("false", "any statement", every, [1] * len(every))
    for quantity in dict.fromkeys(name for f in fleets for name in f["warned"]):
        known = [float(f["warned"][quantity]) for f in fleets if quantity in f["warned"]]
        add("warned", quantity, known, [1] * len(known))
    return rows


def count_all(parts: list[dict[str, Any]]) -> pd.DataFrame:
    """The table of all fleets that were read: a row a kind of fleet and figure, then the worlds unlike the model together."""
    rows = []
    for world in WORLDS:
        own = [f for f in parts if (f["world"], f["plant"]) == (world.name, world.plant)]
        rows += count_kind(world, own) if own else []
    table = pd.DataFrame(rows)
    return pd.concat([table, pool_unlike(table)], ignore_index=True)


def pool_unlike(table: pd.DataFrame) -> pd.DataFrame:
    """The rows of all worlds unlike the model together, each kind of fleet with the same weight."""
    unlike = table[~table["like"].to_numpy(bool) & table["plant"].isin(["", "cooler"])]
    rows = []
    for (plant, kind, what), own in unlike.groupby(["plant", "kind", "what"], sort=False):
        error = float(np.sqrt(np.square(own["error"]).sum())) / len(own)
        rows.append({"world": UNLIKE, "plant": plant, "like": False, "kind": kind, "what": what, "rate": own["rate"].mean(), "error": error,
                     "counted": own["counted"].sum(), "fleets": own["fleets"].sum(), "width": own["width"].mean()})  # fmt: skip
    return pd.DataFrame(rows)


def write_tables(table: pd.DataFrame, folder: Path) -> None:
    """worlds.csv with every figure, worlds.md for readers."""
    folder.mkdir(parents=True, exist_ok=True)
    table.round(4).to_csv(folder / "worlds.csv", index=False, lineterminator="\n")
    (folder / "worlds.md").write_text(write_page(table), encoding="utf-8")


def _cell(table: pd.DataFrame, kind: str, what: str) -> str:
    own = table[table["kind"].eq(kind) & table["what"].eq(what)]
    return " ".join(f"{100 * r.rate:.0f} +- {100 * r.error:.0f} (n = {r.counted})" for r in own.itertuples())


def write_page(table: pd.DataFrame) -> str:
    """The tables in words: cover, then what is said falsely and found."""
    lines = ["# What a reader sees of fleets unlike the model", ""]
    fleets = list(dict.fromkeys(zip(table["world"], table["plant"], strict=True)))

    def block(kind: str, names: list[str], head: str) -> None:
        shown = [n for n in names if (table["kind"].eq(kind) & table["what"].eq(n)).any()]
        lines.extend([head, "", f"| fleets | {' | '.join(shown)} |", "|---" * (len(shown) + 1) + "|"])
        for world, plant in fleets:
            own = table[table["world"].eq(world) & table["plant"].eq(plant)]
            cells = [_cell(own, kind, name) for name in shown]
            if any(cells):
                label = world + (f"; {worlds.PLANTS[plant]}" if plant else "; nothing acts")
                lines.append(f"| {label} | {' | '.join(cells)} |")
        lines.append("")

    levels = ", ".join(f"{name} {100 * level:.0f} %" for name, level in QUANTITIES.items())
    block(
        "cover",
        list(QUANTITIES),
        f"Intervals that hold the truth, in 100, with the chance error. Said to hold it: {levels}.",
    )
    block(
        "false", [*STATEMENTS, "any statement"], "Fleets in 100 in which a statement names what does not act."
    )
    block("found", list(STATEMENTS), "Fleets in 100 in which it names what does.")
    block(
        "warned",
        list(QUANTITIES),
        "Fleets in 100 in which the page says that the number may be off.",
    )
    lines += [(worlds.__doc__ or "").strip(), ""]
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> None:
    """Reads fleets until each kind has as many as asked for, and brings the tables up to date after every few."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=40)
    parser.add_argument(
        "--shares", type=int, default=200, help="fleets of each kind that only failing shares are asked of"
    )
    parser.add_argument("--out", default=str(HERE / "tables"))
    asked = parser.parse_args(arguments)
    read: list[dict[str, Any]] = []
    touched = [place for place, world in enumerate(WORLDS) if "shares" in choose_pages(world, whole=False)]
    with runner.use(asked):
        numbers = range(SHARES_FROM, SHARES_FROM + asked.shares)
        read += runner.run_fleets(
            judge_shares, [(place, number) for number in numbers for place in touched], what="failing shares"
        )
        for first in range(0, asked.fleets, ROUND):
            numbers = range(first, min(first + ROUND, asked.fleets))
            tasks = [(place, number) for number in numbers for place in range(len(WORLDS))]
            read += runner.run_fleets(
                judge_fleet, tasks, what=f"fleets {first + 1} to {numbers[-1] + 1} of each world"
            )
            write_tables(count_all(read), Path(asked.out))


if __name__ == "__main__":
    main()
