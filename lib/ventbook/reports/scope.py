"""What a page is about (snapshot, period, filters, the analysis tables cut to them) and what it was made from.

The stamp is enough to make the page again, and holds nothing that changes from run to run or names a person.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import importlib.metadata
import os
import platform
import subprocess
from collections.abc import Callable, Mapping
from functools import cache, cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd

from ventbook import __version__, tables
from ventbook.document import wording
from ventbook.places import Place, find_place
from ventbook.records.store import Snapshot
from ventbook.reports.kept import keep, keep_table
from ventbook.reports.mapped import Parts
from ventbook.reports.parameters import ParameterError, Period, ReportSpec, choose_against, nearest
from ventbook.tables import DATA
from ventbook.tables.units import System

if TYPE_CHECKING:
    from ventbook.physics.priming import Constants
    from ventbook.tables import Gauges, Limits

T = TypeVar("T")


FILTERS = ("site", "engine_type", "engine")
PACKAGES = (
    "numpy",
    "pandas",
    "scipy",
    "statsmodels",
    "matplotlib",
    "pyarrow",
    "deltalake",
    "papermill",
)
# Set by the runner so that the kernels do not each ask for it.
COMMIT_VARIABLE = "VENTBOOK_COMMIT"


def find_path(text: str | Place) -> Place:
    """A path or address as asked for; a relative path that isn't there is looked for from the project's folder as well.

    A notebook opened by hand runs in ``notebooks/``, a report run in the folder of the call.
    """
    path = find_place(text)
    if not isinstance(path, Path):
        return path
    path = path.expanduser()
    other = tables.DATA.parent / path
    return other if not path.is_absolute() and not path.exists() and other.exists() else path


def cut_days(frame: pd.DataFrame, period: Period) -> pd.DataFrame:
    """The rows of ``frame`` whose ``date`` lies in the period; of a frame in order of date a slice, which copies nothing."""
    days = frame["date"].to_numpy("datetime64[D]")
    first = pd.Timestamp(max(period.start, dt.date(1, 1, 1))).to_datetime64().astype("datetime64[D]")
    chosen = (days >= first) & (days < pd.Timestamp(period.end).to_datetime64().astype("datetime64[D]"))
    rows = np.flatnonzero(chosen)
    if len(rows) and rows[-1] - rows[0] + 1 == len(rows):
        return frame.iloc[rows[0] : rows[-1] + 1]
    return frame[chosen]


def cut_before(frame: pd.DataFrame, day: dt.date) -> pd.DataFrame:
    """The rows of ``frame`` whose ``date`` lies before the day, as :func:`cut_days` gives them."""
    return cut_days(frame, Period("", dt.date.min, day))


class Scope:
    """Which records a page is about.

    Frames (all as the analysis tables are, none to be changed in place):
    ``jobs`` and ``lifters``: period and filters applied; ``history_jobs`` and ``history_lifters``: filters, all
    periods up to the end of the period; ``all_jobs`` and ``all_lifters``: everything in the snapshot.
    ``records``: the record tables of the snapshot, whole.
    """

    def __init__(
        self, *, spec: ReportSpec, parameters: Mapping[str, Any], snapshot: Snapshot, period: Period
    ) -> None:
        self.spec = spec
        self.name = spec.name
        self.title = spec.title
        self.parameters = dict(parameters)
        self.snapshot = snapshot
        self.today: dt.date = snapshot.today
        self.period = period
        self.level: float = parameters["level"]
        self.units: System = parameters["units"]
        self.seed: int = parameters["seed"]
        self.filters = {name: parameters[name] for name in FILTERS if parameters[name]}

    @cached_property
    def records(self) -> Mapping[str, pd.DataFrame]:
        """The record tables of the snapshot by name, unfiltered."""
        return self.snapshot.records()

    @cached_property
    def limits_file(self) -> Place | None:
        """The shop's own table of limits: the one asked for, else ``limits.toml`` beside the store, if there."""
        if self.parameters["limits"]:
            path = find_path(self.parameters["limits"])
            if not path.is_file():
                raise ParameterError(f"{self.name}: limits file {path} does not exist")
            return path
        return tables.find_own_limits(find_path(self.parameters["store"]))

    @cached_property
    def limits(self) -> Limits:
        """The limits in force: the shop's own and, where it has none, the placeholders."""
        return tables.load_limits(self.limits_file, engine_types=self.snapshot.engine_types)

    @cached_property
    def gauges_file(self) -> Place | None:
        """The shop's register of gauges beside the store, if there."""
        return tables.find_own_gauges(find_path(self.parameters["store"]))

    @cached_property
    def gauges(self) -> Gauges:
        """What the gauges are worth: the shop's register and, where it has none, the studies on record."""
        from ventbook.model import choose_gauges

        return choose_gauges(self.records, tables.load_gauges(self.gauges_file))

    def keep_made(self, make: Callable[..., T], *args: Any, **options: Any) -> T:
        """What ``make(*args, **options)`` gives; kept in the store's cache for other pages (:mod:`ventbook.reports.kept`)."""
        return keep(self.snapshot.path, make, *args, **options)

    def fit_constants(self, jobs: pd.DataFrame) -> Constants:
        """The constants of the pump's formula as the counts of ``jobs`` give them, worked out once for all pages of the store."""
        from ventbook.physics import priming

        return self.keep_made(priming.fit_constants, priming.take_counts(jobs))

    @cached_property
    def _all_constants(self) -> Constants:
        from ventbook.model import list_counts

        return self.fit_constants(list_counts(self.records))

    @cached_property
    def all_jobs(self) -> pd.DataFrame:
        """One row a venting, the whole snapshot."""
        from ventbook.model import build_ventings

        return self._keep_table(
            "ventings",
            lambda: [
                build_ventings(
                    self.records,
                    limits=self.limits,
                    lifters=self.all_lifters,
                    constants=self._all_constants,
                )
            ],
        )

    @cached_property
    def all_lifters(self) -> pd.DataFrame:
        """One row a lifter and venting, the whole snapshot."""
        from ventbook.model.lifters import build_parts

        return self._keep_table(
            "lifters",
            # of records that are let go of again
            lambda: build_parts(self.snapshot.records(), limits=self.limits, gauges=self.gauges),
        )

    def _keep_table(self, name: str, make_parts: Parts) -> pd.DataFrame:
        """An analysis table of the snapshot, kept for all pages (:func:`ventbook.reports.kept.keep_table`)."""
        made_from = [name, self.snapshot.rests_on, self.limits, self.gauges]
        return keep_table(self.snapshot.path, made_from, make_parts)

    @cached_property
    def jobs(self) -> pd.DataFrame:
        """Ventings of the period that pass the filters."""
        return self.within(self.keep(self.all_jobs), self.period)

    @cached_property
    def lifters(self) -> pd.DataFrame:
        """Lifters of the period's ventings that pass the filters."""
        return self.within(self.keep(self.all_lifters), self.period)

    @cached_property
    def history_jobs(self) -> pd.DataFrame:
        """Ventings that pass the filters, from the first record to the end of the period."""
        return cut_before(self.keep(self.all_jobs), self.period.end).reset_index(drop=True)

    @cached_property
    def history_lifters(self) -> pd.DataFrame:
        """Lifters that pass the filters, from the first record to the end of the period."""
        return cut_before(self.keep(self.all_lifters), self.period.end).reset_index(drop=True)

    def keep(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The rows of ``frame`` that pass the page's filters (site, engine type, engine)."""
        for name, value in self.filters.items():
            column = "engine_id" if name == "engine" else name
            frame = frame[(frame[column] == value).fillna(False).to_numpy(dtype=bool)]
        return frame.reset_index(drop=True)

    def within(self, frame: pd.DataFrame, period: Period) -> pd.DataFrame:
        """The rows of ``frame`` whose ``date`` lies in the period (start included, end not)."""
        return cut_days(frame, period).reset_index(drop=True)

    @property
    def asked_against(self) -> bool:
        """Whether a period to be held against was asked for."""
        return bool(self.parameters.get("against"))

    @cached_property
    def against(self) -> Period:
        """The earlier period that this one is held against: the one asked for, else the one just before."""
        return choose_against(self.parameters.get("against", ""), self.period)

    @cached_property
    def scope_words(self) -> str:
        """Period and filters as they read in a sentence: ``2026Q3 (2026-07-01 to 2026-09-30), site Harbour``."""
        names = {"site": "site", "engine_type": "engine type", "engine": "engine"}
        parts = [f"{names[name]} {wording.clean_text(value)}" for name, value in self.filters.items()]
        parts += [f"against {self.against.words}"] if self.asked_against else []
        return ", ".join([self.period.words, *parts])

    def check_scope(self) -> None:
        """Raises ParameterError when a filter's value is unknown, or there are ventings but none in period and filters."""
        ventings = self.snapshot.read("ventings", columns=["engine_id", "date", "site"])
        engines = self.snapshot.read("engines", columns=["engine_id", "engine_type"])
        ventings = ventings.merge(engines, on="engine_id", how="left")
        faults = []
        for name, value in self.filters.items():
            known = sorted(ventings["engine_id" if name == "engine" else name].dropna().unique())
            if value not in known:
                shown = ", ".join(map(wording.clean_text, known[:12])) + (", ..." if len(known) > 12 else "")
                faults.append(
                    f"{name} {value!r} is not in the records{nearest(value, known)}; known: {shown}"
                )
        if faults:
            raise ParameterError(f"{self.name}: {'; '.join(faults)}")
        # a store without any venting is no wrong question: every report says what it can't say
        if ventings.empty or not self.spec.needs_ventings:
            return
        kept = self.keep(ventings)
        if self.asked_against and not len(self.within(kept, self.against)):
            raise ParameterError(
                f"{self.name}: no venting in {self.against.words} to hold {self.period.label} against"
            )
        if len(self.within(kept, self.period)):
            return
        if self.spec.quiet_periods and len(kept):
            first, last = kept["date"].min().date(), kept["date"].max().date()
            if self.period.start <= last and self.period.end > first:
                return
        span = f"{kept['date'].min():%Y-%m-%d} to {kept['date'].max():%Y-%m-%d}" if len(kept) else "none"
        raise ParameterError(f"{self.name}: no venting in {self.scope_words}; records there: {span}")

    @cached_property
    def trace_limits(self) -> tuple[int, int, str]:
        """Of the features of traces: how many starts were read under other thresholds or bands than those in force (they
        are left out), how many by a version that didn't write down which, and the revisions that the former name.
        """
        from ventbook.model.traces import match_limits

        features = self.records.get("start_features")
        if features is None or features.empty:
            return 0, 0, ""
        if "limits_key" not in features:
            return 0, len(features), ""
        ventings = self.records["ventings"][["venting_id", "engine_id", "date", "pressure_threshold_bar"]]
        ventings = ventings.merge(self.records["engines"][["engine_id", "engine_type"]], on="engine_id")
        other = features[~match_limits(features, ventings, among=self.limits)]
        revisions = sorted(map(str, other["limits_revision"].dropna().unique()))
        return len(other), int(features["limits_key"].isna().sum()), "; ".join(revisions)

    @cached_property
    def placeholder_steps(self) -> list[str]:
        """Steps (in words) whose limit in force is a placeholder for some engine type on this page."""
        kinds = self.all_engine_types or ["*"]
        day = self.period.end - dt.timedelta(days=1)
        steps = []
        for step in self.limits.steps:
            found = [self.limits.find(step, kind, day) for kind in kinds]
            if any(limit is not None and limit.status == "placeholder" for limit in found):
                steps.append(step.replace("_", " "))
        return steps

    @cached_property
    def all_engine_types(self) -> list[str]:
        """Engine types of the engines that pass the filters, sorted."""
        engines = self.records.get("engines")
        if engines is None or engines.empty:
            return []
        named = {key: value for key, value in self.filters.items() if key != "site"}
        for name, value in named.items():
            engines = engines[engines["engine_id" if name == "engine" else name] == value]
        return sorted(engines["engine_type"].dropna().unique())


def file_hash(path: Place) -> str:
    """SHA-256 of a file's bytes as hexadecimal text."""
    with path.open("rb") as source:
        return hashlib.file_digest(source, "sha256").hexdigest()


@cache
def read_commit() -> str:
    """The library's commit, ``+changes`` added when files of the library or its tables differ; empty if unknown."""
    known = os.environ.get(COMMIT_VARIABLE)
    if known is not None:
        return known
    root = DATA.parent
    try:

        def ask(*words: str) -> str:
            made = subprocess.run(
                ["git", "-C", str(root), *words], capture_output=True, text=True, timeout=10, check=True
            )
            return made.stdout.strip()

        if not (root / ".git").exists():
            return ""
        commit = ask("rev-parse", "--short=12", "HEAD")
        changed = ask("status", "--porcelain", "--", "lib", "notebooks", "data/*.toml")
    except (OSError, subprocess.SubprocessError):
        return ""
    return f"{commit}+changes" if changed else commit


@cache
def package_versions() -> dict[str, str]:
    """Versions of Python and of the packages that numbers come from."""
    versions = {"python": platform.python_version(), "ventbook": __version__}
    for name in PACKAGES:
        try:
            versions[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            continue
    return versions


def make_stamp(
    *,
    report: str,
    parameters: Mapping[str, Any],
    snapshot: int,
    today: str,
    sources: list[dict[str, str]],
    limits: Mapping[str, str],
    gauges: Mapping[str, str],
) -> dict[str, Any]:
    """The stamp as a dict that goes into ``run.json`` and, shortened, onto the page."""
    digest = hashlib.sha256("".join(sorted(source["sha256"] for source in sources)).encode()).hexdigest()
    return {
        "report": report,
        "parameters": dict(parameters),
        "snapshot": snapshot,
        "today": today,
        "sources": sources,
        "sources_sha256": digest if sources else "",
        "limits": dict(limits),
        "gauges": dict(gauges),
        "seed": parameters.get("seed"),
        "commit": read_commit(),
        "versions": package_versions(),
    }


def _name_register(gauges: Mapping[str, str]) -> str:
    if not gauges["sha256"]:
        return "no register: what the studies on record say"
    return f"register (file {gauges['sha256'][:16]}), {gauges['decides'].replace('_', ' ')} decides"


def stamp_pairs(stamp: Mapping[str, Any], defaults: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The stamp as names and values for a reader; parameters at their default are left out."""
    asked = [
        f"{name} = {value}"
        for name, value in stamp["parameters"].items()
        if name not in ("out", "store", "limits", "as_of") and value != defaults.get(name)
    ]
    files = len(stamp["sources"])
    versions = stamp["versions"]
    return [
        ("Report", stamp["report"]),
        ("Asked for", "; ".join(asked) or "nothing beyond the defaults"),
        ("Snapshot", f"{stamp['snapshot']}, records as of {stamp['today']}"),
        ("Record files", f"{files}, together {stamp['sources_sha256'][:16]}" if files else "none named"),
        ("Limits", f"{stamp['limits']['revision']} (file {stamp['limits']['sha256'][:16]})"),
        ("Gauges", _name_register(stamp["gauges"])),
        ("Random seed", str(stamp["seed"])),
        ("Library", f"ventbook {versions.get('ventbook', '')} {stamp['commit']}".strip()),
        ("With", ", ".join(f"{name} {v}" for name, v in versions.items() if name != "ventbook")),
    ]
