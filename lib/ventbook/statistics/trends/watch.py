"""One rule for the whole page: is anything on it different from the past, at a stated rate of false alarms?

Twenty series, each with one false alarm in 370, make a page that is wrong one quarter in twenty. So the limits here
are set together: innocent pasts and presents are drawn from what the past leaves possible (its uncertainty included),
every series of the page is worked out on each, and the limits are those at which ``false_alarms`` (5 %) of innocent
pages show any signal at all.

The allowance is not shared out evenly: the failing share of a site going up gets most of it, because that is the
question; the weights stand in ``SHARES_OF_ALLOWANCE``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from ventbook.numerics import Floats
from ventbook.statistics.trends.mix import ShareModel, check_columns, make_design, make_matrix
from ventbook.statistics.trends.series import FAILING, Watched, watch_numbers, watch_shares

#: (is it the failing share?, is it one site?, direction) -> share of the page's allowance of false alarms.
SHARES_OF_ALLOWANCE = {
    (True, True, "up"): 1.0,
    (True, False, "up"): 0.6,
    (True, True, "down"): 0.2,
    (True, False, "down"): 0.2,
    (False, True, "up"): 0.12,
    (False, False, "up"): 0.12,
    (False, True, "down"): 0.06,
    (False, False, "down"): 0.06,
}
#: Periods watched at most, and periods kept to compare with before any but the last is watched.
LONGEST_WATCH, SHORTEST_PAST, LONGEST_PAST = 6, 5, 20

SERIES_COLUMNS = (
    "series", "group", "direction", "chart", "value", "limit", "signal", "since", "observed", "expected", "ratio",
    "shift", "shift_error", "n",
)  # fmt: skip


@dataclass(frozen=True)
class PageWatch:
    """What the page's rule says of one period.

    series : a row a series, group ("" = all sites) and direction: SERIES_COLUMNS. ``value`` against ``limit``
        decides ``signal``; ``since`` is the period the climb began; ``observed``, ``expected``, ``ratio`` and ``n``
        are of the periods since then (failing ventings; for a number, ratio is that of the geometric means and
        ``shift`` the difference of means on the watched scale, ``shift_error`` its standard error).
    cells : a row a period and site ("" = all): observed, expected, n.
    state : "estimated", or "too_few" with the reason in ``note`` (then ``series`` is empty).
    """

    period: str
    past: tuple[str, ...]
    watched: tuple[str, ...]
    series: pd.DataFrame
    cells: pd.DataFrame
    false_alarms: float
    achieved: float
    draws: int
    spread: float
    state: str = "estimated"
    note: str = ""
    model: ShareModel | None = field(default=None, repr=False)

    @property
    def signals(self) -> pd.DataFrame:
        return self.series[self.series["signal"]].reset_index(drop=True)


def split_periods(periods: Sequence[str], current: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Periods to compare with, and periods watched.

    Parameters
    ----------
    periods : sequence of str
        In order.
    current : str
        The last one watched.

    Returns
    -------
    past, watched : tuple of str
        Watched are the last ones up to six, as long as five earlier ones remain.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> past, watched = trends.split_periods([f"q{n}" for n in range(1, 9)], "q8")
    >>> len(past), watched
    (5, ('q6', 'q7', 'q8'))
    """
    upto = [p for p in periods if p <= current]
    watched = max(1, min(LONGEST_WATCH, len(upto) - SHORTEST_PAST))
    return tuple(upto[:-watched][-LONGEST_PAST:]), tuple(upto[-watched:])


@dataclass(frozen=True)
class WatchRule:
    """How often a page of innocent records may signal, and how that is found out.

    false_alarms : share of innocent periods on whose page anything signals. draws, seed : of the innocent pages drawn.
    """

    false_alarms: float = 0.05
    draws: int = 20_000
    seed: int = 0

    def __post_init__(self) -> None:
        if not 0 < self.false_alarms < 1:
            raise ValueError(f"false_alarms must lie between 0 and 1; got {self.false_alarms}")


def watch_page(
    frame: pd.DataFrame,
    *,
    current: str,
    period: str = "quarter",
    factors: Sequence[str] = (),
    numbers: Mapping[str, str] | None = None,
    levels: Mapping[str, str] | None = None,
    periods: Sequence[str] | None = None,
    rule: WatchRule | None = None,
) -> PageWatch:
    """Hold the current period of every series against the past, at one rate of false alarms for the page.

    Parameters
    ----------
    frame : DataFrame
        One row a venting with site, failed_first (missing = no result, left out), ``period`` and the columns
        named below.
    current : str
        The period asked about.
    period : str
        Column of the periods, labels that sort in time.
    factors : sequence of str
        Columns of the mix (categories; bin numbers beforehand).
    numbers : mapping of str to str, optional
        Name of a series to a column of positive numbers whose logarithm is watched (time to pressure,
        rotations ratio). Missing values are left out.
    levels : mapping of str to str, optional
        The same for numbers watched as they are (gaps of sound lifters, which can be 0).
    periods : sequence of str, optional
        All periods up to ``current`` in order, so that one without ventings keeps its place.
    rule : WatchRule, optional
        Rate of false alarms, draws and seed; default 5 %.

    Returns
    -------
    PageWatch
        ``signals`` and the ``series`` they come from; state "too_few" without an earlier period to compare
        with.

    Raises
    ------
    ValueError
        Naming all columns that the frame lacks.

    Notes
    -----
    Sums: risk-adjusted CUSUM (odds doubled, odds halved) for the failing share, EWMA of the standardised mean
    residual for numbers, over the watched periods, starting at 0. Limits from innocent pages drawn by the
    rule.

    References
    ----------
    S. H. Steiner, R. J. Cook, V. T. Farewell, T. Treasure, Biostatistics 1 (2000) 441.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import trends
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> page = trends.watch_page(ventings, current="2026Q3", rule=trends.WatchRule(draws=2000))
    >>> page.state, page.watched
    ('estimated', ('2026Q1', '2026Q2', '2026Q3'))
    """
    rule = WatchRule() if rule is None else rule
    false_alarms, draws = rule.false_alarms, rule.draws
    site, failed = "site", "failed_first"
    labels = sorted({str(p) for p in frame[period].dropna().unique()} | set(periods or ()) | {current})
    past, watched = split_periods(labels, current)
    columns = [period, site, failed, *factors, *(numbers or {}).values(), *(levels or {}).values()]
    check_columns(frame, columns)
    used = frame.loc[frame[period].isin([*past, *watched]).to_numpy(), list(dict.fromkeys(columns))]
    if not past or not used[period].isin(past).any():
        return _nothing(current, past, watched, false_alarms, "no earlier period to compare with")
    rng = np.random.default_rng(rule.seed)
    design = make_design(used, factors=factors, site=site)
    asked = Watched(used, design, period, site, past, watched, draws)
    parts = [watch_shares(asked, failed, rng)]
    if parts[0] is None:
        note = "no venting with a result in the earlier periods"
        return _nothing(current, past, watched, false_alarms, note)
    for named, log in ((numbers or {}, True), (levels or {}, False)):
        for name, column in named.items():
            parts.append(watch_numbers(asked, name, column, rng, log=log))
    rows = [row for part in parts if part for row in part.rows]
    simulated = np.concatenate([part.simulated for part in parts if part])
    weight = np.array(
        [SHARES_OF_ALLOWANCE[row["series"] == FAILING, row["group"] != "", row["direction"]] for row in rows]
    )
    limits, achieved = set_limits(simulated, weight, false_alarms)
    series = pd.DataFrame(rows)
    series["limit"] = limits
    series["signal"] = (series["value"] > limits) & (series["n"] > 0)
    first = parts[0]
    return PageWatch(
        current, past, watched, series[list(SERIES_COLUMNS)], first.cells, false_alarms, achieved, draws,
        first.spread, model=first.model,
    )  # fmt: skip


def expect_failing(
    page: PageWatch, frame: pd.DataFrame, *, site: str = "site", failed: str = "failed_first"
) -> pd.DataFrame:
    """Observed and expected failing ventings by site and over all, with the past that a watched page had.

    Parameters
    ----------
    page : PageWatch
        As :func:`watch_page` gives it.
    frame : DataFrame
        One row a venting, columns as there.
    site, failed : str
        Columns of the site and of the result.

    Returns
    -------
    DataFrame
        site ("" = all), observed, expected, n; empty where the page had no past.

    Notes
    -----
    So a signal of an earlier period can be followed up against what was expected then, when it has since
    become part of the past itself.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import trends
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> page = trends.watch_page(ventings, current="2026Q3", rule=trends.WatchRule(draws=2000))
    >>> now = trends.expect_failing(page, ventings[ventings["quarter"] == "2026Q3"])
    >>> now["site"].tolist()
    ['', 'Harbour', 'Lake', 'Plain', 'Ridge']
    """
    columns = ["site", "observed", "expected", "n"]
    known = frame[frame[failed].notna()]
    if page.model is None or known.empty:
        return pd.DataFrame(columns=columns)
    expected = page.model.share(make_matrix(page.model.design, known, site=site))
    table = pd.DataFrame(
        {
            "site": known[site].to_numpy(),
            "observed": known[failed].to_numpy(bool).astype(float),
            "expected": expected,
            "n": 1,
        }
    )
    sums = table.groupby("site")[columns[1:]].sum().reset_index()
    whole = sums[columns[1:]].sum().to_frame().T.assign(site="")
    return pd.concat([whole, sums])[columns].reset_index(drop=True)


def expect_by_mix(page: PageWatch, frame: pd.DataFrame, *, site: str = "site") -> Floats | None:
    """Chance of failing of each venting by its mix alone, as at an average site.

    Parameters
    ----------
    page : PageWatch
        As :func:`watch_page` gives it.
    frame : DataFrame
        One row a venting.
    site : str
        Column of the site.

    Returns
    -------
    ndarray, shape (n,), or None
        None where the page had no past.

    Notes
    -----
    What a site's own past was is left out on purpose: this is for setting sites against each other.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import trends
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> page = trends.watch_page(ventings, current="2026Q3", rule=trends.WatchRule(draws=2000))
    >>> chances = trends.expect_by_mix(page, ventings)
    >>> chances.shape == (len(ventings),)
    True
    """
    if page.model is None:
        return None
    matrix = make_matrix(page.model.design, frame, site=site)
    matrix[:, page.model.design.site_start :] = 0.0
    return page.model.share(matrix)


def set_limits(simulated: Floats, weight: Floats, false_alarms: float) -> tuple[Floats, float]:
    """Limits of all series of a page together.

    Parameters
    ----------
    simulated : ndarray, shape (series, draws)
        Values of innocent pages.
    weight : ndarray, shape (series,)
        Share of the allowance of each series.
    false_alarms : float
        Share of innocent pages on which anything may signal.

    Returns
    -------
    limits : ndarray, shape (series,)
    achieved : float
        Share of the innocent pages with a signal.

    Notes
    -----
    Each series gets the quantile at its weight's share of the allowance; one factor on all shares is raised
    as far as the page's rate stays within ``false_alarms``.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.statistics import trends
    >>> innocent = np.random.default_rng(0).normal(size=(4, 2000))
    >>> limits, achieved = trends.set_limits(innocent, np.ones(4), 0.05)
    >>> bool(0.03 < achieved <= 0.05)
    True
    """
    draws = simulated.shape[1]
    ordered = np.sort(simulated, axis=1)[:, ::-1]
    share = weight / weight.sum() * false_alarms

    def limits_at(factor: float) -> Floats:
        rank = np.clip(np.floor(share * factor * draws).astype(int), 0, draws - 1)
        return np.take_along_axis(ordered, rank[:, None], axis=1)[:, 0]

    low, high = 0.0, float(np.min(0.5 / share))
    for _ in range(24):
        middle = (low + high) / 2
        rate = float((simulated > limits_at(middle)[:, None]).any(axis=0).mean())
        low, high = (middle, high) if rate <= false_alarms else (low, middle)
    limits = limits_at(low)
    return limits, float((simulated > limits[:, None]).any(axis=0).mean())


def _nothing(
    current: str, past: tuple[str, ...], watched: tuple[str, ...], false_alarms: float, note: str
) -> PageWatch:
    cells = pd.DataFrame(columns=["period", "site", "observed", "expected", "n", "variance"])
    series = pd.DataFrame(columns=list(SERIES_COLUMNS)).astype({"signal": bool})
    return PageWatch(current, past, watched, series, cells, false_alarms, 0.0, 0, 1.0, "too_few", note)
