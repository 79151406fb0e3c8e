"""Steps of the procedure that one site leaves out, or does outside the limit, far more often than the others.

Whether one is named is decided on the year up to the period's end; it is told with the period's own counts, and only where
the period still shows it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from ventbook.document import wording
from ventbook.document.sequence import Blocks
from ventbook.model import conformity
from ventbook.reports.page import Page, once_a_page, section
from ventbook.reports.parameters import Period
from ventbook.reports.suggestions import Said, suggest
from ventbook.results import Estimate
from ventbook.statistics import rates
from ventbook.tables import evidence, load_states, load_steps

CELLS = ("step", "site", "state", *rates.COUNTS)


@dataclass(frozen=True)
class LeftOut:
    """A named step at a site: its counts in the period and in the year that it is named from, and the shares outside."""

    now: rates.SiteStep
    year: rates.SiteStep
    shares: tuple[Estimate, ...]

    @property
    def suggestion(self) -> str:
        """What to do about it, by its name in ``data/suggestions.toml``; empty: nothing at the engine."""
        return load_steps()[self.now.step].suggestion

    @property
    def title(self) -> str:
        """The step's title inside a sentence."""
        title = load_steps()[self.now.step].title
        return title[0].lower() + title[1:]

    @property
    def question(self) -> str:
        """What to ask where nothing is suggested."""
        return f"Ask why {self.title} is so often outside its limit there, before anything is changed."


@dataclass(frozen=True)
class Counted:
    """Jobs of the period by step, site and state (CELLS), and what is named of them, most jobs outside first."""

    cells: pd.DataFrame
    named: tuple[LeftOut, ...]


def year_of(period: Period) -> Period:
    """The year up to the period's end, or the period where that is longer."""
    start = min(period.start, (pd.Timestamp(period.end) - pd.DateOffset(months=12)).date())
    return Period("", max(start, dt.date(1980, 1, 1)), period.end)


@once_a_page
def period_verdicts(page: Page) -> pd.DataFrame:
    """Verdicts of the period's ventings."""
    return check_kept(page, page.jobs)


@once_a_page
def count_left_out(page: Page) -> Counted:
    """The period's steps by site and state. The other sites stand beside a page's own where it is about one site."""
    inside = {name: value for name, value in page.filters.items() if name != "site"}
    jobs = page.all_jobs
    for name, value in inside.items():
        jobs = jobs[jobs["engine_id" if name == "engine" else name].eq(value).fillna(False).to_numpy(bool)]
    year = year_of(page.period)
    whole = page.within(jobs, year)
    if whole.empty:
        return Counted(pd.DataFrame(columns=list(CELLS)), ())
    jobs = page.look_at(whole)
    verdicts = check_kept(page, jobs)
    ours = verdicts[(verdicts["date"] >= pd.Timestamp(page.period.start)).to_numpy(bool)]
    if len(jobs) < len(whole):
        mine = "site" in page.filters
        ours = check_kept(page, page.within(whole, page.period)) if mine else period_verdicts(page)
    cells = rates.count_steps(ours, whole)
    now = {(row.step, row.site): row for row in rates.tell_steps(ours, whole) if row.outside}
    named = []
    for row in rates.find_left_out(rates.compare_steps(verdicts, jobs)):
        if (row.step, row.site) in now and row.site == page.filters.get("site", row.site):
            shares = (
                rates.share_outside(part, step=row.step, site=row.site, level=page.level)
                for part in (ours, verdicts)
            )
            named.append(LeftOut(now[row.step, row.site], row, tuple(shares)))
    if "site" in page.filters:
        cells = cells[cells["site"] == page.filters["site"]]
    order = sorted(named, key=lambda row: (-row.now.outside, row.now.step, row.now.site))
    return Counted(cells.reset_index(drop=True), tuple(order))


@once_a_page
def gather_readings(page: Page) -> dict[str, pd.DataFrame]:
    """What is judged of other tables than the ventings' own, of all ventings."""
    return conformity.gather_readings(page.records, page.all_jobs, page.all_lifters, limits=page.limits)


def check_kept(page: Page, jobs: pd.DataFrame) -> pd.DataFrame:
    """The steps of these ventings against the limits in force."""
    return conformity.lay_table(conformity.judge_steps(gather_readings(page), jobs, limits=page.limits), jobs)


def say_left_out(page: Page) -> list[str]:
    """The named steps for an answer: the first in full, the others in one sentence. Keeps their numbers as findings."""
    named = count_left_out(page).named
    for row in named:
        _keep(page, row)
        _keep_states(page, row)
    if not named:
        return []
    said = [full_sentence(named[0], label=page.period.label, year=_beyond(page))]
    if len(named) > 1:
        said.append(also_sentence(named[1:]))
    return said


def suggest_left_out(page: Page, row: LeftOut) -> Said:
    """What to do about a named step, within the limits in force and with the cautions."""
    said = suggest(page, row.suggestion) if row.suggestion else None
    return said or Said(row.question.removesuffix("."), ())


def _beyond(page: Page) -> bool:
    return year_of(page.period).start < page.period.start


def full_sentence(row: LeftOut, *, label: str, year: bool) -> str:
    """``At Plain the tank was left without pressure ... in 10 of 10 jobs of 2026Q3 (cooler empty 6 of 6; ...), elsewhere in ...``."""
    now, then = row.now, row.year
    titles = {state.name: state.title for state in load_states()}
    states = [f"{titles[s.state]} {wording.of_total(s.outside, s.judged)}" for s in now.states if s.outside]
    left_out = load_steps()[now.step].left_out if now.zero else ""
    said = (
        f"At {wording.clean_text(now.site)} {left_out or f'{row.title} was outside its limit'} in "
        f"{wording.of_total(now.outside, now.judged, 'job')} of {label}{f' ({wording.join_words(states)})' if len(now.states) > 1 else ''}, "
        f"elsewhere in {_of(now.others_outside, now.others_judged)}"
    )
    if year:
        said += f"; in the year to then in {_of(then.outside, then.judged)}, elsewhere in {_of(then.others_outside, then.others_judged)}"
    blank = f" It is not written down for {wording.count(now.blank, 'more job')}." if now.blank else ""
    return f"{said}.{blank}"


def _of(part: int, whole: int) -> str:
    return wording.of_total(part, whole) if whole else "none"


def also_sentence(rows: Sequence[LeftOut]) -> str:
    """The further named steps, one clause each."""
    parts = [
        f"{row.title} at {wording.clean_text(row.now.site)} ({_of(row.now.outside, row.now.judged)}, elsewhere "
        f"{_of(row.now.others_outside, row.now.others_judged)})"
        for row in rows
    ]
    return f"Outside far more often than elsewhere as well: {wording.join_words(parts)}."


def _keep(page: Page, row: LeftOut) -> None:
    spans = [(page.period, row.now, row.shares[0]), (year_of(page.period), row.year, row.shares[1])]
    for period, counts, share in spans[: 1 + _beyond(page)]:
        site = wording.clean_text(counts.site)
        title = load_steps()[counts.step].title
        elsewhere = Estimate(
            counts.others_outside / counts.others_judged if counts.others_judged else None, None, None, page.level, "share",
            counts.others_judged, 0, "count", "estimated" if counts.others_judged else "too_few",
        )  # fmt: skip
        for who, estimate, n in (
            ({"site": counts.site}, share, counts.outside),
            ({"other_than": counts.site}, elsewhere, counts.others_outside),
        ):
            where = site if "site" in who else f"sites other than {site}"
            page.add_finding(
                "step_outside_share", estimate, group={"step": counts.step, **who}, period=period,
                tier=evidence.tier(ventings=counts.judged, findings=0),
                sentence=f"{title}, {where}: {wording.of_total(n, estimate.n)} outside.",
            )  # fmt: skip


def _keep_states(page: Page, row: LeftOut) -> None:
    """The counts by state that :func:`full_sentence` tells."""
    titles = {state.name: state.title for state in load_states()}
    for s in row.now.states:
        if s.outside:
            share = Estimate(s.outside / s.judged, None, None, page.level, "share", s.judged, 0, "count")
            page.add_finding(
                "step_outside_share", share, group={"step": row.now.step, "site": row.now.site, "state": s.state},
                tier=evidence.tier(ventings=s.judged, findings=0),
                sentence=f"{load_steps()[row.now.step].title}, {wording.clean_text(row.now.site)}, {titles[s.state]}: "
                f"{wording.of_total(s.outside, s.judged)} outside.",
            )  # fmt: skip


@section
def show_left_out(page: Page) -> Blocks:
    """Every step that was outside anywhere, by site and by the state that the engine came in, the other sites beside it."""
    cells = count_left_out(page).cells
    outside = cells[cells["outside"] > 0].sort_values(
        ["outside", "step", "site", "state"], ascending=[False, True, True, True], kind="stable"
    )
    said = say_rule()
    if outside.empty:
        return page.text(f"In {page.period.label} no step was outside its limit at any site.", said)
    titles = {state.name: state.title for state in load_states()}
    rest = cells[cells["outside"] == 0]
    table = pd.concat([outside, rest], ignore_index=True)
    table = table.assign(
        title=table["step"].map({name: step.title for name, step in load_steps().items()}),
        engine_state=table["state"].map(titles),
        here=[wording.of_total(a, b) for a, b in zip(table["outside"], table["judged"], strict=True)],
        elsewhere=[_of(a, b) for a, b in zip(table["others_outside"], table["others_judged"], strict=True)],
    )
    return page.text(said) + page.add_table(
        "conformity_by_state",
        table,
        title=f"Outside the limit by step, site and state of the engine, {page.period.label}",
        columns=["title", "site", "engine_state", "here", "elsewhere", "blank"],
        rows=min(len(outside), 20),
        note="Jobs outside of jobs judged, most first; elsewhere: engines in the same state at all other sites. The CSV file holds all rows.",
    )


def say_rule() -> str:
    """When a step is said to be left out at a site."""
    need = evidence.need("steps_by_site")
    share = evidence.load_budget().share(rates.STEPS_FAMILY)
    return (
        f"A site is named only with {need['jobs']} jobs there and {need['elsewhere']} elsewhere in the same states of the engine, from "
        f"{100 * need['difference']:.0f} points of difference on, and beyond what chance makes among all steps and sites looked at together in "
        f"the year to the period's end ({100 * share:g} in 100 quarters in which all sites are alike)."
    )
