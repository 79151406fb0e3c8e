"""The page that a report is written on: its parameters, its records, and what it shows and leaves behind.

A notebook opens one page, hands it to the functions of its report module, and finishes it. The page holds what was
asked, what was worked out for it once (:func:`once_a_page`) and what was said; the analyses stay in the lower modules.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import pandas as pd

from ventbook import tables
from ventbook.document import wording
from ventbook.document.blocks import (
    LINES,
    TODO,
    Answer,
    Cautions,
    Closing,
    Column,
    Data,
    Explain,
    Figure,
    Finding,
    Heading,
    Numbers,
    Pairs,
    make_words,
)
from ventbook.document.columns import ROWS_SHOWN, choose_columns, make_data, make_table
from ventbook.document.findings import finding_row, write_files, write_whole
from ventbook.document.formulas import find_formulas
from ventbook.document.sequence import Blocks
from ventbook.document.values import json_scalar
from ventbook.numerics import LOOKED_AT, thin_engines
from ventbook.places import place_beside
from ventbook.records.store import BESIDE, Snapshot, open_store, take_columns
from ventbook.reports.kept import find_kept, hash_value, is_on, put_kept
from ventbook.reports.parameters import (
    ParameterError,
    Period,
    ReportSpec,
    check_parameters,
    choose_against,
    choose_period,
    find_report,
    name_span,
    pick_parameters,
    quarter_of,
)
from ventbook.reports.scope import Scope, file_hash, find_path, make_stamp, stamp_pairs
from ventbook.reports.suggestions import Said
from ventbook.results import VERDICTS, Estimate
from ventbook.shipped import WHOLE_TABLES
from ventbook.tables.reader import OneOf, read_rows

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing


TIERS = ("list", "describe", "compare", "model")
WHEN = ("always", "work", "placeholder", "provisional", "traces_left_out", "traces_unknown", "thinned")
T = TypeVar("T")
INTERVAL = ("estimate", "low", "high")
#: What sections leave on a page beside what they show; none takes anything away.
LEFT = ("found", "figures", "answers", "alerts", "more_cautions", "_frames", "_data")
MOST_FRAMES = 20_000_000  # bytes of tables that a section may leave to be kept


def open_page(name: str, parameters: Mapping[str, Any] | None = None) -> Page:
    """Opens the page of a report: its parameters checked, its records read.

    Parameters
    ----------
    name : str
        Name of the report (``quarterly-review``); :func:`ventbook.reports.report_specs` lists them.
    parameters : mapping of str to value, optional
        What is asked for by name (``store``, ``period``, ``site``, ...); the rest takes the defaults of
        ``data/parameters.toml``. A notebook hands on its ``locals()``, of which the report's own parameters
        are taken.

    Returns
    -------
    Page
        With the two tables of the period and the filters, ``period``, ``limits``, and what a notebook shows
        and leaves behind: ``answer``, ``add_finding``, ``add_table``, ``add_figure``, ``finish``. The
        functions of the report's module (``ventbook.reports.quarterly_review``, ...) take the page.

    Raises
    ------
    InputError
        With one line: unknown report or parameter, wrong value, a store or snapshot that isn't there, a
        period or filter without any venting.

    Examples
    --------
    >>> import ventbook
    >>> page = ventbook.open_page("lifter-gaps", {"store": "data/demo/store", "period": "2026Q3"})
    >>> page.period.label
    '2026Q3'
    >>> page.lifters["quarter"].unique().tolist()
    ['2026Q3']
    >>> ventbook.open_page("lifter-gaps", {"store": "data/demo/store", "period": "2026Q9"})
    Traceback (most recent call last):
        ...
    ventbook.reports.parameters.ParameterError: lifter-gaps: period must be like 2026Q3, 2026-07, 2026, 2026-07/2026-09 or 12m/2026-09; got '2026Q9'
    """
    spec = find_report(name)
    checked = check_parameters(spec, pick_parameters(spec, parameters or {}))
    store = open_store(find_path(checked["store"]))
    page = start_page(spec, checked, store.snapshot(checked["as_of"] or None))
    page.check_scope()
    return page


def start_page(spec: ReportSpec, parameters: Mapping[str, Any], snapshot: Snapshot) -> Page:
    """The page of a report on a snapshot, with parameters that are checked already."""
    try:
        period = choose_period(
            parameters["period"], parameters["since"], parameters["until"], today=snapshot.today
        )
        period = _of_one(parameters, snapshot) or period
        choose_against(parameters.get("against", ""), period)
    except ValueError as error:
        raise ParameterError(f"{spec.name}: {error}") from None
    return Page(spec=spec, parameters=parameters, snapshot=snapshot, period=period)


def _of_one(parameters: Mapping[str, Any], snapshot: Snapshot) -> Period | None:
    """Where an engine or a venting is named and no period: the quarter of its newest venting."""
    if any(parameters[name] for name in ("period", "since", "until")):
        return None
    named = {"engine_id": parameters["engine"], "venting_id": parameters.get("venting", "")}
    wanted = {column: value for column, value in named.items() if value}
    if not wanted:
        return None
    ventings = snapshot.read("ventings", columns=["venting_id", "engine_id", "date"])
    for column, value in wanted.items():
        ventings = ventings[(ventings[column] == value).fillna(False).to_numpy(bool)]
    if ventings["date"].notna().sum() == 0:
        return None
    return choose_period(quarter_of(ventings["date"].max().date()), "", "", today=snapshot.today)


def once_a_page(make: Callable[[Page], T]) -> Callable[[Page], T]:
    """A function of the page alone whose result is worked out at the first call and kept on the page."""

    @wraps(make)
    def kept(page: Page) -> T:
        if kept not in page.kept:
            page.kept[kept] = make(page)
        return page.kept[kept]

    return kept


def section(make: Callable[[Page], Blocks]) -> Callable[[Page], Blocks]:
    """A part of a page, as a function of the page alone; kept in the store's cache, with what it left on the page.

    Where records, parameters, limits, gauges, the files beside the store and this library are what they were, and the
    same sections were shown before it, it is not worked out again.
    """

    @wraps(make)
    def shown(page: Page) -> Blocks:
        return page.show_section(make)

    return shown


@dataclass(frozen=True)
class Caution:
    """One row of ``data/cautions.toml``; the file's head says what ``when`` means."""

    id: str
    when: Annotated[str, OneOf(*WHEN)]
    reports: tuple[str, ...]
    text: str


@cache
def load_cautions() -> tuple[Caution, ...]:
    """All of ``data/cautions.toml``."""
    return read_rows(tables.DATA / "cautions.toml", "caution", Caution, label="id")


def release_caution() -> str:
    """That no page releases an engine: the first thing on every page."""
    return next(row.text for row in load_cautions() if row.id == "no_release")


class Page(Scope):
    """One report in the making. Made by :func:`open_page`; its frames are described at :class:`Scope`."""

    def __init__(self, **scope: Any) -> None:
        super().__init__(**scope)
        self.found: dict[tuple[Any, ...], Finding] = {}
        self.figures: dict[str, Figure] = {}
        self.answers: list[str] = []
        self.alerts: list[str] = []
        self.more_cautions: list[str] = []
        self.thinned_from = 0  # ventings that fits were to be made from, where they were thinned
        #: What functions marked :func:`once_a_page` worked out for this page, by function.
        self.kept: dict[Callable[[Page], Any], Any] = {}
        self._frames: dict[str, pd.DataFrame] = {}
        self._data: dict[str, Data] = {}
        self._sections: list[str] = []
        self._within = False  # a section

    def reopen(self, asked: Mapping[str, Any]) -> Page:
        """A page of the same report and records with these parameters instead of its own; what is read is not read again.

        Raises ParameterError as :func:`open_page` does.
        """
        checked = check_parameters(self.spec, {**self.parameters, **asked})
        other = start_page(self.spec, checked, self.snapshot)
        other.records, other.all_lifters, other.all_jobs = self.records, self.all_lifters, self.all_jobs
        other.check_scope()
        return other

    @cached_property
    def made_from(self) -> str:
        """A hash of what its sections are made from, the library itself left out."""
        placed = ("store", "limits", "as_of")
        asked = {name: value for name, value in self.parameters.items() if name not in placed}
        beside = [place_beside(self.snapshot.path, name) for name in BESIDE]
        hashes = [file_hash(file) if file.is_file() else "" for file in beside]
        records = [self.snapshot.number, self.today, self.snapshot.rests_on]
        return hash_value([self.name, asked, records, self.limits, self.gauges, hashes]).hex()

    def show_section(self, make: Callable[[Page], Blocks]) -> Blocks:
        """What a :func:`section` shows, kept or made; one within another is part of it."""
        if self._within or self.snapshot.path is None or not is_on():
            return make(self)
        key = [self.made_from, *self._sections, f"{make.__module__}.{make.__qualname__}"]
        before = {name: len(getattr(self, name)) for name in LEFT}
        found = find_kept(self.snapshot.path, *key)
        self._sections.append(key[-1])
        if found is not None:
            blocks, left, thinned = found
            for name, held in ((name, getattr(self, name)) for name in LEFT):
                held.update(left[name]) if isinstance(held, dict) else held.extend(left[name])
            self.thinned_from = max(self.thinned_from, thinned)
            return Blocks(*blocks)
        self._within = True
        try:
            shown = make(self)
        finally:
            self._within = False
        left = {name: _cut(getattr(self, name), start) for name, start in before.items()}
        if sum(frame.memory_usage().sum() for frame in left["_frames"].values()) <= MOST_FRAMES:
            put_kept(self.snapshot.path, [list(shown), left, self.thinned_from], *key)
        return shown

    @property
    def findings(self) -> list[dict[str, Any]]:
        """The findings kept so far, as they stand in findings.json."""
        return [finding_row(finding) for finding in self.found.values()]

    @property
    def tables(self) -> dict[str, Data]:
        """The tables kept so far, by name."""
        return dict(self._data)

    def frame(self, name: str) -> pd.DataFrame:
        """The whole frame of the table kept under ``name``. Raises KeyError where there is none yet."""
        return self._frames[name]

    def answer(
        self, *lines: str, todo: Sequence[str | Said | None] = (), picture: Blocks | None = None, more: Sequence[str] = ()
    ) -> Blocks:  # fmt: skip
        """The first screen: alerts and what releases nothing, the answer in at most five lines, what to do, one picture.

        ``picture`` is what :meth:`add_figure` gave. Lines beyond the fifth, things to do beyond the third and ``more``
        stand right after it. Cautions of suggestions stand once below what is to be done.
        """
        said = [line for line in (*self.alerts, *lines) if line]
        steps = [(Said(step, ()) if isinstance(step, str) else step).closed for step in todo if step]
        rest = [*said[LINES:], *(step.whole for step in steps[TODO:]), *(line for line in more if line)]
        self.answers += [*said[:LINES], *(step.whole for step in steps[:TODO]), *rest]
        scope = f"{self.scope_words}. Records as of {self.today.isoformat()}.{self._newer_records()}"
        warnings = dict.fromkeys(caution for step in steps[:TODO] for caution in step.cautions)
        texts = tuple(step.text for step in steps[:TODO])
        first = Answer(scope, tuple(said[:LINES]), self.banner, release_caution(), texts, tuple(warnings))
        shown = Blocks(first) + (picture or Blocks())
        return shown + Blocks(Heading(make_words("More of the answer"), 3, "more"), *rest) if rest else shown

    def alert(self, sentence: str) -> None:
        """A sentence that goes before everything else, in the answer and on the start page; to be said before :meth:`answer`."""
        if sentence:
            self.alerts.append(sentence)

    @property
    def banner(self) -> str:
        """That limits are placeholders, and which; empty where none is."""
        if not self.placeholder_steps:
            return ""
        many = len(self.placeholder_steps)
        steps = wording.join_words(self.placeholder_steps)
        if many > 6:
            steps = f"{many} of {len(self.limits.steps)} steps (named under Cautions)"
        return f"Against a placeholder: no manual's limit was entered for {steps}."

    def _newer_records(self) -> str:
        ventings = take_columns(self.records, "ventings", ("engine_id", "date", "site"))
        if ventings.empty:
            return ""
        engines = take_columns(self.records, "engines", ("engine_id", "engine_type"))
        kept = self.keep(ventings.merge(engines, on="engine_id", how="left"))
        newer = kept[(kept["date"] >= pd.Timestamp(self.period.end)).fillna(False).to_numpy(bool)]
        if newer.empty:
            return ""
        last = newer["date"].max()
        return f" {wording.count(len(newer), 'newer venting')}, to {last:%Y-%m-%d}, lie{'s' if len(newer) == 1 else ''} outside this period."

    def text(self, *sentences: str) -> Blocks:
        """Sentences as paragraphs; everything in them is taken as text, never as mark-up."""
        return Blocks(*sentences)

    def explain(self, title: str, text: str) -> Blocks:
        """A folded "how this was worked out".

        ``text`` is the author's own prose: paragraphs split at blank lines, formulas in TeX between dollar signs (each
        with its row in ``data/formulas.toml``). Values from records do not belong here.
        """
        paragraphs = re.split(r"\n\s*\n", text.strip())
        return Blocks(Explain(title, tuple(find_formulas(paragraph) for paragraph in paragraphs)))

    def caution(self, text: str) -> None:
        """Adds a caution of this page's own to those that :meth:`finish` shows."""
        if text not in self.more_cautions:
            self.more_cautions.append(text)

    def look_at(self, jobs: pd.DataFrame) -> pd.DataFrame:
        """The ventings of ``jobs`` that a fit or a comparison over all records is made from (:func:`ventbook.numerics.thin_engines`).

        Where that isn't all of them, the page's cautions say so.
        """
        some = thin_engines(jobs, most=LOOKED_AT)
        if len(some) == len(jobs):
            return jobs
        self.thinned_from = max(self.thinned_from, len(jobs))
        return some.reset_index(drop=True)

    def add_finding(
        self,
        id: str,
        estimate: Estimate,
        *,
        tier: str,
        sentence: str,
        group: Mapping[str, Any] | None = None,
        period: Period | None = None,
        verdict: str | None = None,
    ) -> Blocks:
        """Keeps one number under its stable id and shows its sentence.

        ``group`` names what part of the records it is about (``{"site": "Harbour"}``; empty is all), ``period``
        defaults to the page's. Raises ValueError for an unknown tier or verdict and for a key that stands already.
        """
        if tier not in TIERS:
            raise ValueError(f"tier must be one of {', '.join(TIERS)}; got {tier!r}")
        if verdict is not None and verdict not in VERDICTS:
            raise ValueError(f"verdict must be one of {', '.join(VERDICTS)} or None; got {verdict!r}")
        period = period or self.period
        labels = {str(key): json_scalar(value) for key, value in (group or {}).items()}
        if "technician" in labels:
            raise ValueError("a finding is never about one technician")
        start, end = period.start.isoformat(), period.end.isoformat()
        key = (id, tuple(sorted(labels.items())), start, end)
        if key in self.found:
            raise ValueError(f"finding {id} {labels} {start} to {end} stands already")
        self.found[key] = Finding(
            id=id,
            group=labels,
            period_start=start,
            period_end=end,
            period=name_span(period.start, period.end),
            estimate=estimate.estimate,
            low=estimate.low,
            high=estimate.high,
            level=estimate.level,
            unit=estimate.unit,
            n=estimate.n,
            clusters=estimate.clusters,
            tier=tier,
            state=estimate.state,
            verdict=verdict,
            sentence=wording.clean_text(sentence, longest=2000),
            method=estimate.method,
        )
        return Blocks(self.found[key])

    def add_table(
        self,
        name: str,
        frame: pd.DataFrame,
        *,
        title: str,
        columns: Sequence[str | Column] | None = None,
        note: str = "",
        rows: int = ROWS_SHOWN,
    ) -> Blocks:
        """Keeps a table under its stable name and shows it.

        ``columns`` names, in order, the columns that readers see (None: all); how each is headed stands in
        ``data/columns.toml``, and a :class:`~ventbook.document.blocks.Column` is given where a header is put together at run
        time. The CSV file carries all columns of ``frame`` under their own names, in canonical units. Readers see the
        first ``rows`` rows.
        """
        if name in self._data:
            raise ValueError(f"table {name} stands already")
        if "technician" in frame.columns:
            raise ValueError(f"table {name}: technician codes stay out of reports; drop or group the column")
        if columns and frame.empty and frame.columns.empty:
            # a table without rows has the columns that it would have had
            frame = frame.reindex(columns=[c if isinstance(c, str) else c.name for c in columns])
        chosen = choose_columns(map(str, frame.columns), columns, table=name)
        frame = frame.reset_index(drop=True)
        self._data[name] = make_data(name, frame, chosen, title=title, note=note)
        self._frames[name] = frame
        return Blocks(make_table(name, frame, chosen, title=title, units=self.units, note=note, rows=rows))

    def add_figure(self, name: str, figure: Drawing, *, alt: str, caption: str) -> Blocks:
        """Keeps a figure under its stable name and shows it.

        ``alt`` says in words what the figure shows, for readers who don't see it; it can't be empty. ``caption``
        stands below.
        """
        from ventbook.document.plotting import svg_bytes

        if name in self.figures:
            raise ValueError(f"figure {name} stands already")
        alt, caption = (wording.clean_text(words, longest=2000) for words in (alt, caption))
        self.figures[name] = Figure(name, svg_bytes(figure).decode("utf-8"), alt, caption)
        return Blocks(self.figures[name])

    # -- the end -------------------------------------------------------------------------------------------------------

    def cautions(self) -> list[str]:
        """The cautions that apply to this page, the general ones first."""
        left_out, unknown, revisions = self.trace_limits
        words = {
            "steps": wording.join_words(self.placeholder_steps),
            "period": self.period.words,
            "left_out": wording.count(left_out, "logged start"),
            "then": revisions,
            "now": self.limits.revision(),
            "looked_at": f"{LOOKED_AT:,}".replace(",", " "),
            "thinned_from": wording.count(self.thinned_from, "venting"),
        }
        applies = {
            "always": True,
            "work": True,
            "placeholder": bool(self.placeholder_steps),
            "provisional": self.period.provisional,
            "traces_left_out": left_out > 0,
            "traces_unknown": unknown > 0,
            "thinned": self.thinned_from > 0,
        }
        chosen = []
        for row in load_cautions():
            if applies[row.when] and ("*" in row.reports or self.name in row.reports):
                chosen.append(row.text.format(**words))
        return chosen + self.more_cautions

    def stamp(self) -> dict[str, Any]:
        """What the page was made from."""
        limits_path = self.limits_file or tables.DATA / "limits.toml"
        files = self.snapshot.sources()[["file", "sha256", "intake"]].drop_duplicates()
        sources = [{str(key): str(value) for key, value in row.items()} for row in files.to_dict("records")]
        return make_stamp(
            report=self.name,
            parameters={
                **{name: value for name, value in self.parameters.items() if name != "out"},
                "as_of": int(self.snapshot.number),
            },
            snapshot=int(self.snapshot.number),
            today=self.today.isoformat(),
            sources=sources,
            limits={"revision": self.limits.revision(), "sha256": file_hash(limits_path)},
            gauges={
                "decides": self.gauges.decides,
                "sha256": file_hash(self.gauges_file) if self.gauges_file else "",
            },
        )

    def finish(self) -> Blocks:
        """Shows all numbers, the cautions and the stamp, and writes the page's files where ``out`` is set."""
        stamp = self.stamp()
        defaults = {name: parameter.default for name, parameter in self.spec.parameters.items()}
        closing = Closing(
            title=self.title,
            scope=self.scope_words,
            units=self.units,
            period={
                "label": self.period.label,
                "start": self.period.start.isoformat(),
                "end": self.period.end.isoformat(),
            },
            answers=tuple(self.answers),
            stamp=stamp,
            tables=tuple(self._data.values()),
            banner=self.banner,
            alerts=tuple(self.alerts),
        )
        findings = tuple(self.found.values())
        if self.parameters["out"]:
            write_files(Path(self.parameters["out"]), closing, findings, self.figures, frames=self._frames)
        elif folder := os.environ.get(WHOLE_TABLES):
            write_whole(Path(folder), closing, self._frames)
        return Blocks(
            Heading(make_words("All numbers of this page"), 2, "numbers"),
            Numbers(findings, self.units, bool(self.placeholder_steps)),
            Heading(make_words("Cautions"), 2, "cautions"),
            Cautions(tuple(self.cautions())),
            Heading(make_words("Made from"), 2, "stamp"),
            Pairs("What this page was made from", tuple(stamp_pairs(stamp, defaults))),
            closing,
        )


def _cut(held: Any, start: int) -> Any:
    """What a list or mapping that only grows holds from a place on."""
    return dict(list(held.items())[start:]) if isinstance(held, dict) else held[start:]


def frame_of(
    rows: Sequence[Mapping[str, Any]], texts: Sequence[str], *, numbers: Sequence[str] = INTERVAL
) -> pd.DataFrame:
    """Rows as a frame with the columns ``texts`` and, as float, ``numbers``, also where there is none.

    Further columns of the rows are kept.
    """
    frame = pd.DataFrame(list(rows), columns=None if rows else [*texts, *numbers])
    return frame.astype(dict.fromkeys(numbers, "float64"))
