"""Sequences of intakes, corrections, mended rows and withdrawals against a plain model in memory: nothing is lost,
doubled or left standing, in whatever order they come.
"""

import datetime as dt
import shutil
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from ventbook.records import intake
from ventbook.records import store as stores

TODAY = dt.date(2026, 10, 1)
HEAD = "venting_id,engine_id,date,site,reason,rotations,rotations_counted_at,pressure_shown\n"
GOOD, BAD = ("40", "41", "42"), ("many", "few")


@dataclass
class Said:
    """A row that stands: what it says, the intake that let it in, and the intake that handed it in."""

    intake: int
    origin: int
    engine: str
    value: str


@dataclass
class Held:
    intake: int
    key: str
    engine: str
    value: str
    twice: bool = False  # held because its number stands for another engine's venting
    cleared_by: set[int] = field(default_factory=set)


@dataclass
class Model:
    """The plain truth: everything that was ever said, and which intakes are taken back."""

    engines: dict[str, int] = field(default_factory=dict)
    said: dict[str, list[Said]] = field(default_factory=dict)
    held: list[Held] = field(default_factory=list)
    gone: set[int] = field(default_factory=set)

    def rows(self) -> dict[str, tuple[str, str]]:
        found = {}
        for key, entries in self.said.items():
            alive = [e for e in entries if not {e.intake, e.origin} & self.gone]
            if alive:
                found[key] = (alive[-1].engine, alive[-1].value)
        return found

    def standing(self) -> list[Held]:
        def later(h: Held) -> bool:
            entries = [] if h.twice else self.said.get(h.key, [])
            entries = [
                e for e in entries if e.origin == e.intake
            ]  # one that had to wait was handed in before
            return any(e.intake > h.intake and not {e.intake, e.origin} & self.gone for e in entries)

        return [
            h
            for h in self.held
            if h.intake not in self.gone and not h.cleared_by - self.gone and not later(h)
        ]

    def knows(self, engine: str) -> bool:
        return engine in self.engines and self.engines[engine] not in self.gone

    def take(self, number: int, rows: list[tuple[str, str, str]], engine: str = "") -> None:
        if engine:
            self.engines[engine] = number
        good = {key for key, own, value in rows if self.fits(key, own, value)}
        stored = self.rows()
        fresh = {key for key, _, value in rows if value in GOOD}
        before = self.standing()
        released = [h for h in self.waiting() if h.key not in fresh]
        agreed = {key for key in {h.key for h in released} if self.agree(key, released)}
        for h in released:
            if h.key in agreed:
                h.cleared_by.add(number)
                self.said.setdefault(h.key, []).append(Said(number, h.intake, h.engine, h.value))
        for key, own, value in rows:
            if key in good:
                self.said.setdefault(key, []).append(Said(number, number, own, value))
                for h in before:
                    if h.key == key and (not h.twice or (h.engine, h.value) == (own, value)):
                        h.cleared_by.add(number)
            else:
                twice = value in GOOD and key in stored and stored[key][0] != own
                self.held.append(Held(number, key, own, value, twice))

    @staticmethod
    def agree(key: str, held: list[Held]) -> bool:
        """Whether all that wait under one key say the same: else neither is taken."""
        return len({(h.engine, h.value) for h in held if h.key == key}) == 1

    def fits(self, key: str, engine: str, value: str) -> bool:
        """Whether a row can be taken: a number belongs to one engine's venting."""
        known = self.rows().get(key)
        return value in GOOD and self.knows(engine) and (known is None or known[0] == engine)

    def waiting(self) -> list[Held]:
        """Held rows that had to wait for their engine and can be taken now."""
        return [h for h in self.standing() if not h.twice and self.fits(h.key, h.engine, h.value)]


row = st.tuples(
    st.sampled_from(("V1", "V2")), st.sampled_from(("E1", "E1", "E2")), st.sampled_from(GOOD + BAD)
)
event = st.one_of(
    st.tuples(st.just("take"), st.lists(row, min_size=1, max_size=2, unique_by=lambda r: r[0])),
    st.tuples(st.just("take"), st.lists(row, min_size=1, max_size=2, unique_by=lambda r: r[0])),
    st.tuples(st.just("withdraw"), st.integers(0, 9)),
    st.tuples(st.just("again"), st.integers(0, 9)),
    st.just(("engine", None)),
)


QUICK = (Phase.explicit, Phase.reuse, Phase.generate)  # shrinking takes longer than reading what failed


def hold_sequence(events):
    folder = Path(tempfile.mkdtemp())
    try:
        _hold_sequence(folder, events)
    finally:
        shutil.rmtree(folder)


def _hold_sequence(folder, events):
    model, files = Model(), []
    store = folder / "store"

    def take(text, name):
        (folder / str(len(files))).mkdir()
        files.append((folder / str(len(files)) / name, None))
        files[-1][0].write_text(text)
        return intake.ingest([files[-1][0]], store=store, today=TODAY)

    take("engine_id,engine_type,cylinders\nE1,flat4,4\n", "engines.csv")
    model.take(1, [], "E1")
    number, taken = 1, []
    for kind, what in events:
        if kind == "engine":
            if "E2" in model.engines:
                continue
            number = take("engine_id,engine_type,cylinders\nE2,flat4,4\n", "engines.csv").number
            model.take(number, [], "E2")
        elif kind == "take":
            text = "".join(f"{k},{e},2026-07-01,Harbour,oil_change,{v},crankshaft,yes\n" for k, e, v in what)
            text = text + "\n" * len(files)  # no two files are the same, byte by byte
            result = take(HEAD + text, "ventings.csv")
            number = result.number
            taken.append((number, files[-1][0], what))
            model.take(number, what)
        elif kind == "again" and taken:
            _, file, rows = taken[what % len(taken)]
            before = model.rows(), Counter((h.key, h.engine, h.value) for h in model.standing())
            result = intake.ingest([file], store=store, today=TODAY)
            same = any(n not in model.gone for n, f, _ in taken if f == file) and all(
                before[0].get(k) == (e, v) if model.fits(k, e, v) else before[1][k, e, v] for k, e, v in rows
            )
            fresh = {k for k, _, v in rows if v in GOOD}
            released = [h for h in model.waiting() if h.key not in fresh]
            waiting = any(model.agree(h.key, released) for h in released)
            good = [row for row in rows if model.fits(*row)]
            cleared = any(
                h.key == k and (not h.twice or (h.engine, h.value) == (e, v))
                for h in model.standing()
                for k, e, v in good
            )
            assert result.unchanged == (same and not waiting and not cleared)
            if result.unchanged:
                assert result.number == number
            else:
                number = result.number
                model.take(number, rows)
                taken.append((number, file, rows))
        elif kind == "withdraw":
            live = [n for n, _, _ in taken if n not in model.gone]
            if live:
                model.gone.add(live[what % len(live)])
                number = intake.withdraw(live[what % len(live)], store=store)
        snapshot = stores.open_store(store).snapshot()
        assert snapshot.number == number
        rows = snapshot.read("ventings")
        found = {
            k: (e, str(v))
            for k, e, v in rows[["venting_id", "engine_id", "rotations"]].itertuples(index=False)
        }
        assert found == model.rows() and len(rows) == len(found)
        held = snapshot.read("quarantine")
        times = Counter((h.key, h.engine, h.value) for h in model.standing())
        if held.empty:
            assert not times
            continue
        import json

        cells = [json.loads(text) for text in held["original"]]
        keys = [(c["venting_id"], c["engine_id"], c["rotations"]) for c in cells]
        assert dict(zip(keys, map(int, held["hand_ins"]), strict=True)) == times
        assert len(keys) == len(set(keys))


@settings(
    max_examples=4, deadline=None, phases=QUICK, suppress_health_check=list(HealthCheck), derandomize=True
)
@given(st.lists(event, min_size=5, max_size=8))
def test_any_sequence_is_as_a_plain_model_has_it(events):
    hold_sequence(events)


@pytest.mark.long
@settings(max_examples=150, deadline=None, phases=QUICK, suppress_health_check=list(HealthCheck))
@given(st.lists(event, min_size=4, max_size=12))
def test_many_sequences_are_as_a_plain_model_has_them(events):
    hold_sequence(events)


A = ("V1", "E1", "40")


@pytest.mark.parametrize(
    "events",
    [
        [
            ("take", [("V2", "E2", "40")]),
            ("take", [A]),
            ("withdraw", 1),
            ("take", [A]),
            ("withdraw", 1),
            ("take", [A]),
        ],
        [
            ("take", [A]),
            ("take", [("V1", "E1", "41")]),
            ("take", [("V1", "E1", "41")]),
            ("withdraw", 1),
            ("withdraw", 1),
        ],
        [("take", [("V1", "E1", "many")]), ("take", [A]), ("take", [A]), ("withdraw", 1), ("withdraw", 1)],
        [("take", [("V1", "E2", "40")]), ("engine", None), ("withdraw", 0)],
        [
            ("take", [("V1", "E1", "many")]),
            ("take", [("V1", "E1", "many")]),
            ("again", 0),
            ("withdraw", 0),
            ("again", 1),
        ],
        [("take", [A]), ("take", [("V1", "E2", "40")]), ("take", [("V1", "E2", "40")]), ("withdraw", 0)],
        [("take", [("V2", "E2", "40")]), ("take", [("V2", "E2", "40")]), ("take", [A]), ("withdraw", 0)],
        [("take", [("V2", "E2", "40")]), ("take", [("V2", "E2", "40")]), ("engine", None), ("withdraw", 0)],
    ],
    ids=[
        "held beside",
        "said twice",
        "mended twice",
        "released, then taken back",
        "held twice",
        "waiting twice",
        "waiting twice, tried again",
        "waiting twice, released, one taken back",
    ],
)
def test_sequences_that_went_wrong_once(events):
    hold_sequence(events)
