"""All streams of a fleet watched at once, venting by venting in the order of the days.

A lot or a revision begins at its first venting. A site, a gauge and an engine type begin anew each quarter in which they have
a venting and run for four quarters; their evidence for a year is the mean over the year's four starts, one that has not begun
counting 1, so that a stream is held against its own past and yet has one allowance a year. Everything that decides about a
venting (coefficients, uncertainty, weight) comes from ventings before it and from what came through the door in its month.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.numerics import Floats, Ints
from ventbook.statistics.monitor.evidence import spread_weights
from ventbook.statistics.monitor.expect import Design, Fit, code_level, fit_ridge, make_design
from ventbook.statistics.monitor.settings import KINDS, QUARTER, Settings, StreamRule, load_settings

YEAR_DAYS = 365
STARTS = 4
FLAGS = ("noted", "alarmed", "firm")


@dataclass(frozen=True)
class Trail:
    """One sort of stream and kind of finding, one row a venting and running start: positions of the venting in the outcomes,
    of the start and of the year's stream; expected log odds; evidence of the year's stream after it; whether the row is the
    last of its venting for that stream.
    """

    row: Ints
    process: Ints
    family: Ints
    log_odds: Floats
    evidence: Floats
    last: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Monitor:
    """What :func:`monitor_streams` found.

    ``outcomes``: the ventings, as given. ``streams``: one row a stream, kind of finding and year of its start, in that
    order: stream, level, kind, year, weight (nil: it has no share of the year's allowance, so notes only), ``evidence`` now,
    ``peak``, ``variance`` of its expected log odds, ``lead`` (the start that speaks loudest), and the venting (row of
    ``outcomes``, -1 for never) at which it was first ``noted``, ``alarmed`` and ``firm``. ``trails`` by stream and kind.
    """

    outcomes: pd.DataFrame
    streams: pd.DataFrame
    trails: dict[tuple[str, str], Trail]
    settings: Settings


@dataclass(frozen=True)
class _Month:
    """One month of ventings: its rows, its quarter, the fit in force, and the records behind it."""

    low: int
    high: int
    quarter: int
    design: Design
    fit: Fit
    residual: Floats  # of the rows before it, nil where left out
    included: npt.NDArray[np.bool_]
    told: npt.NDArray[np.bool_]  # ventings of a stream that alarmed and tells all about them
    counts: tuple[Floats, Floats]


class _Walk:
    """One sort of stream and kind of finding on its way through the months."""

    def __init__(self, rule: StreamRule, kind: str, outcomes: pd.DataFrame, settings: Settings) -> None:
        self.rule, self.settings = rule, settings
        self.failed = outcomes[kind].to_numpy(bool)
        self.codes, self.levels = code_level(outcomes[rule.column])
        # pandas counts quarters from 1970 on; from the year 0, four of them are a calendar year
        self.quarters = outcomes["date"].dt.to_period("Q").astype("int64").to_numpy() + 4 * 1970
        self.first_quarter = int(self.quarters[0]) if len(outcomes) else 0
        self.first_year = self.first_quarter // 4
        self.spans = int(self.quarters[-1]) - self.first_quarter + 1 if len(outcomes) else 1
        self.years = self.spans // 4 + 2
        self.many = rule.starts == QUARTER
        processes = len(self.levels) * (self.spans if self.many else 1)
        families = len(self.levels) * (self.years if self.many else 1)
        size = len(settings.grid)
        self.begun = np.zeros(processes, dtype=bool)
        self.w1, self.w0, self.likelihood = (
            np.zeros((processes, size)),
            np.zeros((processes, size)),
            np.ones((processes, size)),
        )
        self.own, self.variance = np.ones(processes), np.full(processes, np.nan)
        self.shared, self.weight = np.ones(families), np.zeros(families)
        self.family_spans = self._span_families(families)
        self.lead = np.full(families, -1)
        self.flag = {name: np.full(families, -1) for name in FLAGS}
        self.peak = np.ones(families)
        self.parts: list[tuple[npt.NDArray[np.generic], ...]] = []
        self._set_weights(outcomes["date"])

    def _span_families(self, families: int) -> Ints:
        """From which process to before which those of each stream and year stand."""
        if not self.many:
            return np.column_stack([np.arange(families), np.arange(families) + 1])
        code, year = np.divmod(np.arange(families), self.years)
        first = (year + self.first_year) * 4 - self.first_quarter
        ends = np.clip(np.column_stack([first, first + STARTS]), 0, self.spans)
        return np.asarray(code[:, None] * self.spans + ends, dtype=np.int64)

    def _set_weights(self, dates: pd.Series) -> None:
        """Each stream's part of the year's allowance, from the number of streams that the year before lets one expect."""
        known = np.flatnonzero(self.codes >= 0)
        codes, days = self.codes[known], dates.to_numpy("datetime64[D]")[known]
        first = np.unique(codes, return_index=True)[1]
        years = days.astype("datetime64[Y]").astype(np.int64) + 1970
        for year in np.unique(years):
            begin = np.datetime64(f"{year:04d}-01-01")
            before = (days < begin) & (days >= begin - YEAR_DAYS)
            expected = len(np.unique(codes[before])) if self.many else int(before[first].sum())
            slots = (
                self.rule.factor * (expected if (days < begin).any() else self.rule.first_year)
                + self.rule.more
            )
            here = first[years[first] == year] if not self.many else np.flatnonzero(years == year)
            levels = codes[here][np.sort(np.unique(codes[here], return_index=True)[1])][: int(slots)]
            families = levels * self.years + year - self.first_year if self.many else levels
            self.weight[families] = self.rule.share / slots / len(KINDS)

    def step(self, month: _Month) -> Iterator[tuple[int, int, int]]:
        """Takes a month's ventings in; gives the code, first and last quarter of each stream that alarmed in it."""
        from ventbook.statistics.monitor.kernels import add_evidence

        counts = self.codes[month.low : month.high] >= 0
        if not self.rule.tells:
            counts &= ~month.told[month.low : month.high]
        rows = month.low + np.flatnonzero(counts)
        if not len(rows):
            return
        self._begin(month, rows)
        row, process, family, place = self._list_pairs(month, rows)
        odds = np.exp(log_odds := self._expect(month, row, place))
        out, w = np.empty(len(row)), self.settings.grid
        add_evidence(
            process, family, self.family_spans, STARTS if self.many else 1, odds, self.failed[row], np.exp(w), self.w1,
            self.w0, self.likelihood, self.own, out,
        )  # fmt: skip
        self.shared[family] = out
        last = np.append((row[1:] != row[:-1]) | (family[1:] != family[:-1]), True)
        self.parts.append((row, process, family, log_odds, out, last))
        np.maximum.at(self.peak, family[last], out[last])
        limits = {
            "noted": (out >= self.settings.note, self.flag["noted"]),
            "alarmed": (self.weight[family] * out >= self.settings.alarm, self.flag["alarmed"]),
            "firm": (self.weight[family] * out >= self.settings.firm, self.flag["firm"]),
        }
        for name, (over, flag) in limits.items():
            for i in np.flatnonzero(over & last & (flag[family] < 0)):
                f = int(family[i])
                if flag[f] >= 0:
                    continue
                flag[f] = row[i]
                if name == "firm":
                    continue
                starts = np.unique(process[(family == f) & (row <= row[i])])
                self.lead[f] = starts[np.argmax(self.own[starts])]
                if name == "alarmed":
                    code = int(f // self.years) if self.many else f
                    since = (
                        int(self.lead[f] % self.spans + self.first_quarter)
                        if self.many
                        else self.first_quarter
                    )
                    until = (
                        (f % self.years + self.first_year) * 4 + 6 if self.many else int(self.quarters[-1])
                    )
                    yield code, since, until

    def _begin(self, month: _Month, rows: Ints) -> None:
        codes = np.unique(self.codes[rows])
        process = codes * self.spans + month.quarter - self.first_quarter if self.many else codes
        for code, s in zip(codes[~self.begun[process]], process[~self.begun[process]], strict=True):
            columns = month.design.columns[month.design.pattern[rows[self.codes[rows] == code]]]
            mean = np.bincount(columns.ravel(), minlength=month.design.size + 1)[:-1] / len(columns)
            v = float(mean @ month.fit.covariance @ mean)
            grid = self.settings.grid
            self.w1[s] = spread_weights(grid, mean=np.log(self.rule.odds_ratio), variance=self.rule.sd**2 + v)
            self.w0[s] = spread_weights(grid, mean=0.0, variance=v)
            self.begun[s], self.variance[s] = True, v

    def _list_pairs(self, month: _Month, rows: Ints) -> tuple[Ints, Ints, Ints, Ints]:
        """Each venting with each running start of its stream: row, process, family, and place among what is left out."""
        if not self.many:
            codes = self.codes[rows]
            return rows, codes, codes, codes
        every = []
        for back in range(STARTS - 1, -1, -1):
            quarter = month.quarter - back
            if quarter < self.first_quarter:
                continue
            process = self.codes[rows] * self.spans + quarter - self.first_quarter
            on = self.begun[process]
            codes = self.codes[rows[on]]
            family = codes * self.years + quarter // 4 - self.first_year
            every.append((rows[on], process[on], family, codes * STARTS + STARTS - 1 - back))
        row, process, family, place = (np.concatenate(part) for part in zip(*every, strict=True))
        order = np.argsort(row, kind="stable")
        return row[order], process[order], family[order], place[order]

    def _expect(self, month: _Month, row: Ints, place: Ints) -> Floats:
        """Expected log odds of each venting, its own stream left out."""
        from ventbook.statistics.monitor.kernels import sum_scores, sum_terms

        design, fit = month.design, month.fit
        first = int(np.searchsorted(self.quarters, month.quarter - STARTS + 1)) if self.many else 0
        past = slice(first, month.low)
        streams, stream = len(self.levels), np.where(month.included[past], self.codes[past], -1)
        if self.many:
            age = self.quarters[past] - month.quarter + STARTS - 1
            stream, streams = np.where(stream < 0, -1, stream * STARTS + age), streams * STARTS
        scores, own = np.zeros((streams, design.size + 1)), np.zeros(streams)
        sum_scores(design.columns, design.pattern[past], month.residual[past], stream, own, scores)
        if self.many:  # what lies behind a start is all quarters from it on
            scores, own = (_add_later(v, len(self.levels)) for v in (scores, own))
        large = own > fit.n / 2
        factor = np.where(large, 0.0, fit.n / np.maximum(fit.n - own, 1.0))
        shift = np.zeros_like(scores)
        shift[:, :-1] = (scores[:, :-1] @ fit.covariance) * factor[:, None]
        found, pattern = np.empty(len(row)), design.pattern[row]
        sum_terms(design.columns, pattern, place, fit.beta, shift, found)
        for s in np.unique(place[large[place]]):
            same = stream // STARTS == s // STARTS if self.many else stream == s
            mine = first + np.flatnonzero(same & (stream >= s))
            n, k = (
                counts
                - np.bincount(design.pattern[mine], weights=w, minlength=len(counts)).astype(np.float64)
                for counts, w in zip(month.counts, (np.ones(len(mine)), self.failed[mine]), strict=True)
            )
            other, at = fit_ridge(design, n, k, start=fit.beta[:-1]), place == s
            found[at] = other.beta[design.columns[pattern[at]]].sum(axis=1)
        return found

    def collect(self) -> Trail:
        """All ventings and running starts."""
        if not self.parts:
            none, numbers = np.zeros(0, dtype=np.int64), np.zeros(0)
            return Trail(none, none, none, numbers, numbers, np.zeros(0, dtype=bool))
        return Trail(*(np.concatenate(part) for part in zip(*self.parts, strict=True)))

    def describe(self, trail: Trail, kind: str) -> pd.DataFrame:
        """One row a stream and year of its start."""
        family, at = np.unique(trail.family, return_index=True)
        code = family // self.years if self.many else family
        lead = np.where(self.lead[family] >= 0, self.lead[family], trail.process[at])
        year = family % self.years + self.first_year if self.many else self.quarters[trail.row[at]] // 4
        return pd.DataFrame(
            {
                "stream": self.rule.name,
                "level": pd.Series([self.levels[c] for c in code], dtype="str"),
                "kind": kind,
                "year": year,
                "weight": self.weight[family],
                "evidence": self.shared[family],
                "peak": self.peak[family],
                "family": family,
                "lead": lead,
                "variance": self.variance[lead],
                **{name: self.flag[name][family] for name in FLAGS},
            }
        )


def _add_later(values: Floats, levels: int) -> Floats:
    """Values of each level and quarter, rising, as sums from each quarter to the last."""
    parts = values.reshape(levels, STARTS, -1)[:, ::-1].cumsum(axis=1)[:, ::-1]
    return parts.reshape(values.shape)


def monitor_streams(outcomes: pd.DataFrame, *, settings: Settings | None = None) -> Monitor:
    """Watches every lot, site, gauge, engine type and procedure revision of a fleet, venting by venting.

    Parameters
    ----------
    outcomes : DataFrame
        As :func:`list_outcomes` gives it, sorted by date and venting.
    settings : Settings, optional
        Default: ``data/monitor.toml``.

    Returns
    -------
    Monitor
        ``streams`` says which were noted or alarmed and at which venting, ``trails`` the evidence on the way.

    Notes
    -----
    If an innocent stream's log odds are the expected ones plus b, with b drawn from the normal distribution of
    the expectation's own uncertainty, then in a year at most one in ``settings.alarm`` fleets raises any alarm,
    and at most one in ``settings.note`` streams a note, at any number of looks and however the ventings hang
    together. The promise averages over b. From the next month on an alarmed stream's ventings are left out of
    what the others are held against, and those of an alarmed lot no longer count for the others at all.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import monitor
    >>> ventings, lifters = ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    >>> watched = monitor.monitor_streams(monitor.list_outcomes(ventings, lifters))
    >>> watched.streams.loc[watched.streams["alarmed"] >= 0, "level"].unique().tolist()
    ['LL-2505']
    """
    settings = settings or load_settings()
    walks = {(r.name, k): _Walk(r, k, outcomes, settings) for k in KINDS for r in settings.rules}
    rows = len(outcomes)
    designs = {k: make_design(outcomes, k, settings.expected) for k in KINDS} if rows else {}
    fits: dict[str, Fit] = {}
    included, told = np.ones(rows, dtype=bool), np.zeros(rows, dtype=bool)
    month = (
        outcomes["date"].dt.year.to_numpy(np.int64) * 12 + outcomes["date"].dt.month.to_numpy(np.int64) - 1
    )
    edges = np.append(np.flatnonzero(np.diff(month, prepend=-1)), rows)
    for low, high in itertools.pairwise(edges):
        alarms: list[tuple[_Walk, tuple[int, int, int]]] = []
        for kind, design in designs.items():
            failed, before = outcomes[kind].to_numpy(bool), np.flatnonzero(included[:low])
            size = len(design.columns)
            n = np.bincount(design.pattern[before], minlength=size).astype(np.float64)
            k = np.bincount(design.pattern[before], weights=failed[before], minlength=size).astype(np.float64)
            fit = fits[kind] = fit_ridge(design, n, k, start=fits[kind].beta[:-1] if kind in fits else None)
            share = 1.0 / (1.0 + np.exp(-fit.beta[design.columns].sum(axis=1)))
            residual = failed[:low] - share[design.pattern[:low]]
            now = _Month(
                int(low), int(high), int(month[low] // 3), design, fit, residual, included, told, (n, k)
            )
            for rule in settings.rules:
                walk = walks[rule.name, kind]
                alarms += [(walk, found) for found in walk.step(now)]
        for walk, (code, since, until) in alarms:
            mine = (walk.codes == code) & (walk.quarters >= since) & (walk.quarters <= until)
            included[mine] = False
            told[mine] |= walk.rule.tells
    trails = {key: walk.collect() for key, walk in walks.items()}
    streams = pd.concat([walks[key].describe(trails[key], key[1]) for key in walks], ignore_index=True)
    return Monitor(outcomes, streams, trails, settings)


def trace_stream(monitor: Monitor, row: pd.Series) -> pd.DataFrame:
    """The ventings of one stream with the evidence after each.

    Parameters
    ----------
    monitor : Monitor
        As :func:`monitor_streams` gives it.
    row : Series
        A row of ``monitor.streams``.

    Returns
    -------
    DataFrame
        One row a venting from the stream's first on: row (of the outcomes), venting_id, date, failed, evidence, and
        whether it counts for the start that speaks loudest (``counts``), with its expected ``log_odds`` there.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import monitor
    >>> ventings, lifters = ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    >>> watched = monitor.monitor_streams(monitor.list_outcomes(ventings, lifters))
    >>> lot = watched.streams[watched.streams["level"] == "LL-2505"].iloc[0]
    >>> monitor.trace_stream(watched, lot)["venting_id"].head(2).tolist()
    ['P25-018', 'R25-019']
    """
    trail = monitor.trails[str(row["stream"]), str(row["kind"])]
    mine = trail.family == row["family"]
    ends = np.flatnonzero(mine & trail.last)
    counted = np.flatnonzero(mine & (trail.process == row["lead"]))
    rows = trail.row[ends]
    own = pd.Series(trail.log_odds[counted], index=trail.row[counted]).reindex(rows)
    table = monitor.outcomes.iloc[rows][["venting_id", "date"]].reset_index(drop=True)
    return table.assign(
        row=rows,
        failed=monitor.outcomes[str(row["kind"])].to_numpy(bool)[rows],
        evidence=trail.evidence[ends],
        log_odds=own.to_numpy(),
        counts=own.notna().to_numpy(),
    )
