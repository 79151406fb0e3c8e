"""Which step is outside its limit at one site far more often than at the others, engines in the same state side by side.

Sites differ in the engines that come to them, and what has to be done differs by the state that an engine comes in. So jobs
are counted by step, site and state, and a site is held against the others within each state.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ventbook import distributions as stats
from ventbook.model.conformity import JUDGED
from ventbook.numerics import find_places
from ventbook.results import Estimate
from ventbook.statistics.rates.shares import venting_share
from ventbook.tables import evidence, load_states, load_steps

#: The statements' share of the quarter's error budget.
STEPS_FAMILY = "review_signals.steps_by_site"
COUNTS = ("outside", "judged", "blank", "others_outside", "others_judged")


@dataclass(frozen=True)
class StateCount:
    """Jobs of one site with engines in one state, and those of all other sites: outside of judged."""

    state: str
    outside: int
    judged: int
    others_outside: int
    others_judged: int


@dataclass(frozen=True)
class SiteStep:
    """One step at one site. ``blank``: jobs where it was not written down; ``zero``: every
    record outside is 0 (no); ``states``: by the state that the engine came in, most jobs outside first. The other sites' jobs are
    those in any state, in ``states`` those in the same.
    """

    step: str
    site: str
    outside: int
    judged: int
    blank: int
    others_outside: int
    others_judged: int
    zero: bool
    states: tuple[StateCount, ...]

    @property
    def p(self) -> float:
        """The exact chance that so many or more of the jobs outside would lie at the site, in each state the number outside given
        (Fisher within the states, their sum over them as in Mantel and Haenszel's test).
        """
        law, least = np.ones(1), 0
        for s in sorted(self.states, key=lambda s: s.state):
            bad, jobs = s.outside + s.others_outside, s.judged + s.others_judged
            low, high = max(0, bad - s.others_judged), min(bad, s.judged)
            law = np.convolve(law, stats.hypergeom.pmf(np.arange(low, high + 1), jobs, bad, s.judged))
            least += low
        return float(min(1.0, law[self.outside - least :].sum()))


def name_states(jobs: pd.DataFrame) -> pd.Series:
    """The state that each venting's engine came in.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting, with the yes/no columns that the states of ``data/steps.toml`` are told by.

    Returns
    -------
    Series of str
        On the same index.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.statistics import rates
    >>> jobs = pd.DataFrame({"cooler_empty": [True, False, None], "lines_empty": [None, True, True]}, dtype="boolean")
    >>> rates.name_states(jobs).tolist()
    ['cooler_empty', 'line_empty', 'not_recorded']
    """
    named = pd.Series("", index=jobs.index, dtype="str")
    for state in load_states():
        fits = named == ""
        for column, wanted in state.where.items():
            fits &= jobs[column].astype("boolean").eq(wanted).fillna(False).astype(bool)
        named = named.mask(fits, state.name)
    return named


def count_steps(verdicts: pd.DataFrame, jobs: pd.DataFrame) -> pd.DataFrame:
    """Jobs by step, site and state: how many were outside, and how many of the same state were at all other sites.

    Parameters
    ----------
    verdicts : DataFrame
        Of :func:`ventbook.model.conformity.check_steps`. Only what was done counts (actions), and a job whose step has several
        records (two checks) is outside where one of them is.
    jobs : DataFrame
        The ventings, with what :func:`name_states` needs.

    Returns
    -------
    DataFrame
        step, site, state, and COUNTS: outside of judged there, jobs where the step was not written down, outside of judged at all
        other sites.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.model import conformity
    >>> from ventbook.statistics import rates
    >>> page = ventbook.open_page("conformity", {"store": "data/demo/store", "period": "2026Q3"})
    >>> verdicts = conformity.check_steps(page.records, page.jobs, page.lifters, limits=page.limits)
    >>> counts = rates.count_steps(verdicts, page.jobs)
    >>> row = counts[(counts["step"] == "tank_overpressure_when_empty") & (counts["site"] == "Plain")].iloc[0]
    >>> row["state"], int(row["outside"]), int(row["judged"]), int(row["others_outside"]), int(row["others_judged"])
    ('cooler_empty', 6, 6, 2, 14)
    """
    return _sum_cells(_list_jobs(verdicts, jobs), ["step", "site", "state"])


def _list_rows(verdicts: pd.DataFrame) -> pd.DataFrame:
    """One row a venting and step that was to be done: outside, judged, blank, and whether what is outside is other than 0."""
    actions = [name for name, step in load_steps().items() if step.kind == "action"]
    part = verdicts[verdicts["step"].isin(actions) & verdicts["site"].notna()]
    outside = part["verdict"].eq("outside")
    rows = pd.DataFrame(
        {
            "step": part["step"].astype(str),
            "venting_id": part["venting_id"],
            "engine_id": part["engine_id"],
            "site": part["site"].astype(str),
            "outside": outside,
            "judged": part["verdict"].isin(JUDGED),
            "blank": part["verdict"].eq("not_recorded"),
            "other": outside & part["value"].ne(0),
        }
    )
    one = rows.groupby(["step", "site", "venting_id", "engine_id"], sort=True).any().reset_index()
    one["blank"] &= ~one["judged"]
    return one


def _list_jobs(verdicts: pd.DataFrame, jobs: pd.DataFrame) -> pd.DataFrame:
    """The same with the state that the engine came in."""
    one = _list_rows(verdicts)
    place = find_places(one["venting_id"], jobs["venting_id"])
    return one.assign(state=name_states(jobs).array.take(place))


def _sum_cells(rows: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    own = rows.groupby(keys, sort=True)[["outside", "judged", "blank"]].sum().astype(int).reset_index()
    rest = [key for key in keys if key != "site"]
    whole = own.groupby(rest)[["outside", "judged"]].transform("sum")
    return own.assign(
        others_outside=whole["outside"] - own["outside"], others_judged=whole["judged"] - own["judged"]
    )


def compare_steps(verdicts: pd.DataFrame, jobs: pd.DataFrame) -> list[SiteStep]:
    """The steps of :func:`tell_steps` with enough jobs to hold a site against the others.

    Parameters
    ----------
    verdicts, jobs : DataFrame
        As in :func:`count_steps`.

    Returns
    -------
    list of SiteStep
        Those with any job outside and, in states that both sides have, as many jobs there and elsewhere as ``steps_by_site`` in
        ``data/tiers.toml`` asks for.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.model import conformity
    >>> from ventbook.statistics import rates
    >>> page = ventbook.open_page("conformity", {"store": "data/demo/store", "period": "2026Q3"})
    >>> verdicts = conformity.check_steps(page.records, page.jobs, page.lifters, limits=page.limits)
    >>> first = min(rates.compare_steps(verdicts, page.jobs), key=lambda row: row.p)
    >>> first.site, first.step, first.outside, first.judged, first.others_outside, first.others_judged
    ('Plain', 'tank_overpressure_when_empty', 10, 10, 2, 29)
    """
    need = evidence.need("steps_by_site")
    kept = []
    for row in tell_steps(verdicts, jobs):
        # a state that only one side has says nothing of the difference
        both = [s for s in row.states if s.judged and s.others_judged]
        enough = sum(s.judged for s in both) >= need["jobs"]
        if row.outside and enough and sum(s.others_judged for s in both) >= need["elsewhere"]:
            kept.append(row)
    return kept


def tell_steps(verdicts: pd.DataFrame, jobs: pd.DataFrame) -> list[SiteStep]:
    """Every step at every site beside the other sites, with the chance of so many outside were the sites alike.

    Parameters
    ----------
    verdicts, jobs : DataFrame
        As in :func:`count_steps`.

    Returns
    -------
    list of SiteStep
        However few its jobs.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.model import conformity
    >>> from ventbook.statistics import rates
    >>> page = ventbook.open_page("conformity", {"store": "data/demo/store", "period": "2026Q3"})
    >>> verdicts = conformity.check_steps(page.records, page.jobs, page.lifters, limits=page.limits)
    >>> rows = {(row.step, row.site): row for row in rates.tell_steps(verdicts, page.jobs)}
    >>> rows["tank_overpressure_when_empty", "Lake"].outside
    1
    """
    rows = _list_jobs(verdicts, jobs)
    cells = _sum_cells(rows, ["step", "site", "state"])
    judged = rows[rows["judged"]]
    parts = dict(list(judged.groupby(["step", "site"], sort=False)))
    found = []
    for (step, site), own in cells.groupby(["step", "site"], sort=True):
        mine = parts.get((step, site), judged.iloc[:0])
        states = [
            StateCount(str(r["state"]), *(int(r[n]) for n in COUNTS if n != "blank"))
            for r in own.sort_values(["outside", "state"], ascending=[False, True]).to_dict("records")
        ]
        sums = {name: int(own[name].sum()) for name in COUNTS}
        whole = cells[cells["step"] == step]
        for name in ("outside", "judged"):
            sums[f"others_{name}"] = int(whole[name].sum()) - sums[name]
        zero = not bool(mine["other"].any())
        found.append(SiteStep(str(step), str(site), **sums, zero=zero, states=tuple(states)))
    return found


def share_outside(verdicts: pd.DataFrame, *, step: str, site: str, level: float = 0.95) -> Estimate:
    """Share of a site's judged jobs in which a step was outside its limit.

    Parameters
    ----------
    verdicts : DataFrame
        As in :func:`count_steps`.
    step, site : str
        Which.
    level : float, 0..1
        Of the interval.

    Returns
    -------
    Estimate
        With the interval that carries that jobs of one engine go together.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.statistics import rates
    >>> rows = pd.DataFrame({"venting_id": [*"abcdef"], "engine_id": [*"uvwxyz"], "site": "Lake", "step": "first_hold"})
    >>> rows = rows.assign(verdict=["outside"] * 3 + ["within"] * 3, value=30.0)
    >>> rates.share_outside(rows, step="first_hold", site="Lake").estimate
    0.5
    """
    asked = (verdicts["step"].eq(step) & verdicts["site"].eq(site)).fillna(False)
    rows = _list_rows(verdicts[asked.to_numpy(bool)])
    mine = rows[rows["judged"]]
    return venting_share(mine["outside"], cluster=mine["engine_id"], level=level)


def find_left_out(found: list[SiteStep]) -> list[SiteStep]:
    """Of those compared, the steps that may be said to be outside more often at a site than elsewhere.

    Parameters
    ----------
    found : list of SiteStep
        Of :func:`compare_steps`, all of a page's together.

    Returns
    -------
    list of SiteStep
        Those beyond what chance makes among all of them looked at (Holm, the family's share of the error budget) and at least
        ``steps_by_site.difference`` of ``data/tiers.toml`` apart; most jobs outside first.

    Examples
    --------
    >>> from ventbook.statistics import rates
    >>> rates.find_left_out([])
    []
    """
    need = evidence.need("steps_by_site")
    allowed = evidence.judge_family([row.p for row in found], STEPS_FAMILY)
    kept = [
        row
        for row, standing in zip(found, allowed, strict=True)
        if standing == evidence.NAMED
        and row.outside / row.judged - row.others_outside / max(row.others_judged, 1)
        > need["difference"] - 1e-9
    ]
    return sorted(kept, key=lambda row: (-row.outside, row.step, row.site))
