"""A trial on disk: the hidden list, the log chained by hashes, and what is said of a file that was changed by hand."""

from __future__ import annotations

import base64
import dataclasses
import datetime as dt
import hashlib
import json
import zlib
from collections import Counter
from pathlib import Path

import pytest

from ventbook.errors import InputError
from ventbook.records import intake
from ventbook.records import trials as kept
from ventbook.records.store import open_store

DAY = dt.date(2026, 10, 1)
STRATUM = "Harbour / flat4"


def make_trial(tmp_path: Path, *, blocks: int = 3, seed: int | None = 4) -> tuple[Path, kept.Trial]:
    store = tmp_path / "store"
    places = kept.make_list([STRATUM, "Lake / flat4"], blocks=blocks, seed=seed)
    plan = kept.TrialPlan(
        name="tank-pressure", day="2026-10-01", question='Fewer "spongy" lifters? \\ \x7f', change="0.9 bar on the tank",
        outcome="spongy_lifter", planned=0.25, strata=("site", "engine_type"), agreed="T-0123456789",
        list_sha256=kept.hash_places(places), steps=("tank_overpressure = 0.9 bar",), share=0.17, most=276,
    )  # fmt: skip
    return store, kept.write_trial(store, plan, places)


def draw(store: Path, engine: str, *, stratum: str = STRATUM, day: dt.date = DAY) -> kept.Draw:
    with kept.lock_trial(store, "tank-pressure"):
        return kept.draw_next(
            kept.read_trial(store, "tank-pressure"), engine_id=engine, stratum=stratum, day=day
        )[1]


@pytest.fixture
def drawn(tmp_path: Path) -> tuple[Path, Path]:
    """A trial with five engines drawn: the store's path and the trial's folder."""
    store, trial = make_trial(tmp_path)
    for number in range(5):
        draw(store, f"{number:03d}")
    return store, trial.folder


class TestList:
    def test_every_block_is_half_and_half_and_every_pair_one_of_each(self) -> None:
        places = kept.make_list([STRATUM], blocks=200, seed=1)[STRATUM]
        assert len(places) == 800
        for first in range(0, 800, 4):
            block = places[first : first + 4]
            assert Counter(arm for arm, _ in block) == {"changed": 2, "as_before": 2}
        assert {frozenset(arms) for arms in _by_pair(places).values()} == {frozenset(kept.ARMS)}

    def test_every_order_is_equally_likely(self) -> None:
        """Six orders of a block, and 3 pairings of its places, beside each other alike: chi-square from the shares."""
        places = kept.make_list([STRATUM], blocks=6000, seed=2)[STRATUM]
        orders: Counter[tuple[str, ...]] = Counter()
        for first in range(0, len(places), 4):
            orders[tuple(arm for arm, _ in places[first : first + 4])] += 1
        assert len(orders) == 6
        chi = sum((n - 1000) ** 2 / 1000 for n in orders.values())
        assert chi < 20.5  # .999 of chi-square with 5 degrees of freedom (any table)

    def test_without_a_seed_it_can_not_be_drawn_again(self) -> None:
        one, two = (kept.make_list([STRATUM], blocks=40) for _ in range(2))
        assert one != two

    def test_what_lies_there_does_not_read_as_assignments(self, tmp_path: Path) -> None:
        _, trial = make_trial(tmp_path)
        text = (trial.folder / kept.LIST).read_text("utf-8")
        assert "changed" not in text.replace("Leave this file", "") and "as_before" not in text


def _by_pair(places: list[tuple[str, int]]) -> dict[int, list[str]]:
    pairs: dict[int, list[str]] = {}
    for arm, pair in places:
        pairs.setdefault(pair, []).append(arm)
    return pairs


class TestDrawing:
    def test_one_at_a_time_in_the_order_of_the_list(self, tmp_path: Path) -> None:
        store, trial = make_trial(tmp_path)
        found = [draw(store, f"{n:03d}") for n in range(12)]
        assert [(d.arm, d.pair) for d in found] == list(trial.places[STRATUM])
        assert draw(store, "L1", stratum="Lake / flat4").place == 1
        read = kept.read_trial(store, "tank-pressure")
        assert read.plan == trial.plan and len(read.log) == 13 and read.places.keys() == trial.places.keys()
        with pytest.raises(InputError, match="used up after 12 engines"):
            draw(store, "012")

    def test_an_engine_is_drawn_once(self, drawn) -> None:
        with pytest.raises(
            InputError, match=r"engine 003 was drawn on 2026-10-01: \w+; an engine counts once"
        ):
            draw(drawn[0], "003")

    def test_what_can_not_be_drawn(self, drawn) -> None:
        store, _ = drawn
        with pytest.raises(InputError, match="no list for Ridge / flat4; it has Harbour / flat4, Lake"):
            draw(store, "9", stratum="Ridge / flat4")
        with pytest.raises(InputError, match="2026-09-30 is before the last assignment"):
            draw(store, "9", day=dt.date(2026, 9, 30))
        with pytest.raises(InputError, match=r"did you mean tank-pressure\?"):
            kept.read_trial(store, "tank-presure")
        with pytest.raises(InputError, match="none is planned"):
            kept.read_trial(store.parent / "elsewhere" / "store", "x")

    def test_two_at_once_is_refused(self, drawn) -> None:
        with (
            kept.lock_trial(drawn[0], "tank-pressure"),
            pytest.raises(InputError, match="somebody else is drawing"),
            kept.lock_trial(drawn[0], "tank-pressure"),
        ):
            pass

    def test_a_stop_between_log_and_list_loses_nothing(self, drawn) -> None:
        store, folder = drawn
        before = (folder / kept.LIST).read_bytes()
        draw(store, "005")
        (folder / kept.LIST).write_bytes(before)
        assert len(kept.read_trial(store, "tank-pressure").log) == 6
        assert draw(store, "006").place == 7

    def test_names(self, drawn) -> None:
        store, _ = drawn
        plan = kept.read_trial(store, "tank-pressure").plan
        with pytest.raises(InputError, match="stands already"):
            kept.write_trial(store, plan, {})
        with pytest.raises(InputError, match="small letters, digits and hyphens"):
            kept.write_trial(store, dataclasses.replace(plan, name="../x"), {})
        assert kept.list_trials(store) == ["tank-pressure"]


def rewrite(folder: Path, change) -> None:
    """The log with its rows changed, each line's own hash left as it was."""
    path = folder / kept.LOG
    rows = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    rows = change(rows) or rows
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), "utf-8")


def hash_row(row: dict) -> dict:
    """The row with its hash made anew, as somebody would who knows how: SHA-256 of its other fields as sorted JSON."""
    other = {key: value for key, value in row.items() if key != "hash"}
    text = json.dumps(other, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return {**other, "hash": hashlib.sha256(text.encode()).hexdigest()}


def flip(row: dict) -> dict:
    return {**row, "arm": "as_before" if row["arm"] == "changed" else "changed"}


def rechain(rows: list[dict]) -> list[dict]:
    for number, row in enumerate(rows):
        if number:
            row = {**row, "previous": rows[number - 1]["hash"], "number": number + 1}
        rows[number] = hash_row(row)
    return rows


CHANGES = {
    "an edited arm": (lambda rows: [*rows[:2], flip(rows[2]), *rows[3:]], "line 3 (engine 002) was edited by hand"),
    "an edited arm with its own hash": (
        lambda rows: [*rows[:2], hash_row(flip(rows[2])), *rows[3:]], "line 3 (engine 002) has another assignment than the list",
    ),
    "an edited engine, hashes of all lines made anew": (
        lambda rows: rechain([*rows[:2], {**rows[2], "engine_id": "777"}, *rows[3:]]), "log.jsonl has 5 lines that don't end as the list remembers",
    ),
    "a line taken out": (lambda rows: [*rows[:2], *rows[3:]], "line 3 (engine 003) doesn't follow on the line before"),
    "the last line taken out": (lambda rows: rows[:-1], "log.jsonl has 4 lines that don't end as the list remembers (5 were given)"),
    "an assignment skipped": (
        lambda rows: rechain([*rows[:4], {**rows[4], "place": 6}]), "line 5 (engine 004) is not the next assignment of Harbour / flat4",
    ),
    "an engine drawn again": (
        lambda rows: rechain([*rows[:4], {**rows[4], "engine_id": "001"}]), "line 5 (engine 001) draws an engine again",
    ),
    "a field taken out": (lambda rows: [{k: v for k, v in row.items() if k != "pair"} for row in rows], "line 1 can't be read"),
}  # fmt: skip


class TestTampering:
    @pytest.mark.parametrize("name", CHANGES)
    def test_a_log_changed_by_hand_is_told_in_one_line(self, drawn, name: str) -> None:
        store, folder = drawn
        change, said = CHANGES[name]
        rewrite(folder, change)
        kept_files = {path.name: path.read_bytes() for path in folder.iterdir()}
        with pytest.raises(InputError) as caught:
            kept.read_trial(store, "tank-pressure")
        assert said in str(caught.value) and "\n" not in str(caught.value)
        assert str(caught.value).startswith("trial tank-pressure: ")
        with pytest.raises(InputError):
            draw(store, "900")
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == kept_files

    @pytest.mark.parametrize(
        ("file", "change", "said"),
        [
            (kept.PLAN, lambda t: t.replace("0.25", "0.5"), "plan.toml was changed after the list was drawn"),
            (kept.LIST, lambda t: t[:-30] + "A" * 29 + "\n", "list.sealed was changed by hand"),
            (kept.LIST, lambda t: "", "list.sealed was changed by hand"),
            (kept.LOG, lambda t: t + "and one more\n", "log.jsonl, line 6 can't be read"),
            (kept.PLAN, lambda t: t.replace("outcome =", "outcme ="), "unknown outcme; missing outcome"),
        ],
    )
    def test_a_file_changed_by_hand(self, drawn, file: str, change, said: str) -> None:
        store, folder = drawn
        path = folder / file
        path.write_text(change(path.read_text("utf-8")), "utf-8")
        with pytest.raises(InputError) as caught:
            kept.read_trial(store, "tank-pressure")
        assert said in str(caught.value) and "\n" not in str(caught.value)

    def test_a_list_decoded_and_turned_round_is_found(self, drawn) -> None:
        store, folder = drawn
        lines = (folder / kept.LIST).read_text("utf-8").splitlines()
        sealed = json.loads(zlib.decompress(base64.b64decode("".join(x for x in lines if x[0] != "#"))))
        sealed["strata"][STRATUM].reverse()
        (folder / kept.LIST).write_bytes(base64.b64encode(zlib.compress(json.dumps(sealed).encode())))
        with pytest.raises(InputError, match=r"list\.sealed is not the list that the plan names"):
            kept.read_trial(store, "tank-pressure")

    def test_a_file_that_is_gone(self, drawn) -> None:
        store, folder = drawn
        (folder / kept.LOG).unlink()
        with pytest.raises(InputError, match=r"log\.jsonl is missing or can't be read"):
            kept.read_trial(store, "tank-pressure")


def test_two_trials_on_one_venting_are_held_and_an_arm_alone_is_noted(tmp_path: Path) -> None:
    (tmp_path / "engines.csv").write_text(
        "engine_id,engine_type,cylinders\nE1,flat4,4\nE2,flat4,4\nE3,flat4,4\n"
    )
    head = "venting_id,engine_id,date,site,reason,rotations,rotations_counted_at,pressure_shown,trial,trial_arm\n"
    rows = ("V1,E1,2026-07-01,Harbour,oil_change,40,crankshaft,yes,tank-pressure; hold,changed\n"
            "V2,E2,2026-07-01,Harbour,oil_change,40,crankshaft,yes,,changed\n"
            "V3,E3,2026-07-01,Harbour,oil_change,40,crankshaft,yes,tank-pressure,as before\n")  # fmt: skip
    (tmp_path / "ventings.csv").write_text(head + rows)
    result = intake.ingest(
        [tmp_path / "engines.csv", tmp_path / "ventings.csv"], store=tmp_path / "store", today=DAY
    )
    held = result.quarantine[result.quarantine["code"] == "two_trials"].iloc[0]
    assert (held["line"], held["column"]) == (2, "trial")
    assert held["what"] == "trial says 'tank-pressure; hold': a venting belongs to one trial at most"
    noted = result.issues[result.issues["code"] == "arm_without_trial"]
    assert noted["line"].tolist() == [3]
    kept_rows = open_store(tmp_path / "store").snapshot().read("ventings").set_index("venting_id")
    assert kept_rows["trial_arm"].to_dict() == {"V2": "changed", "V3": "as_before"}
