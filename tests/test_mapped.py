"""Analysis tables kept one file a column: the same to the last bit in whatever parts, never trusted, never in the way."""

import os
import stat
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from test_kept import store as store  # a fixture
from ventbook import open_page, read_lifters, read_ventings
from ventbook.errors import InputError
from ventbook.records.store import CACHE, back_up, prune_store
from ventbook.reports import kept, mapped
from ventbook.reports.mapped import put_table, read_table

TABLE = pd.DataFrame(
    {
        "number": [1.5, np.nan, -0.0, np.inf, 2.0],
        "whole": pd.array([1, None, 2**62, -1, 0], dtype="Int64"),
        "yes": pd.array([True, None, False, True, None], dtype="boolean"),
        "plain": [True, False, False, True, True],
        "text": pd.array(["a", None, "µm \x00 ü", "", "no gap"], dtype="str"),
        "none": pd.array([None] * 5, dtype="str"),
        "day": pd.to_datetime(["2026-03-01", None, "2026-03-02", "1999-12-31", "2026-03-01"]).astype(
            "datetime64[us]"
        ),
    }
)
CUTS = ([], [0], [5], [1], [2, 2, 4], [0, 1, 2, 3, 4, 5])


@pytest.mark.parametrize("cuts", CUTS)
def test_a_table_comes_back_as_it_was(cuts: list[int], tmp_path: Path) -> None:
    edges = [0, *cuts, 5]
    parts = [TABLE.iloc[a:b] for a, b in pairwise(edges)]
    made = put_table(tmp_path / "one.table", iter(parts))
    for back in (made, read_table(tmp_path / "one.table")):
        pd.testing.assert_frame_equal(back, TABLE, check_exact=True)
        assert np.signbit(back["number"][2])
    pd.testing.assert_frame_equal(made.iloc[1:4], TABLE.iloc[1:4])


def test_a_table_without_rows(tmp_path: Path) -> None:
    back = put_table(tmp_path / "one.table", [TABLE.iloc[:0]])
    pd.testing.assert_frame_equal(back, TABLE.iloc[:0])


def test_values_can_not_be_written(tmp_path: Path) -> None:
    back = put_table(tmp_path / "one.table", [TABLE])
    with pytest.raises(ValueError, match="read-only"):
        back["number"].to_numpy()[0] = 3.0
    changed = back.assign(number=1.0)
    changed.loc[0, "whole"] = 7
    changed.loc[0, "text"] = "b"
    pd.testing.assert_frame_equal(read_table(tmp_path / "one.table"), TABLE)


def test_another_kind_of_column_is_refused(tmp_path: Path) -> None:
    with pytest.raises(TypeError, match="category"):
        put_table(tmp_path / "one.table", [TABLE.assign(kind=TABLE["text"].astype("category"))])
    assert not list(tmp_path.iterdir())


def test_any_change_to_a_file_is_seen(tmp_path: Path) -> None:
    rows = pd.concat([TABLE] * 60_000, ignore_index=True)  # more than a block of words
    place = tmp_path / "one.table"
    put_table(place, [rows])
    rng = np.random.default_rng(11)
    files = sorted(file for file in place.iterdir() if file.suffix != ".json" and file.stat().st_size)
    assert any(file.stat().st_size > 2 * 8 * mapped._BLOCK for file in files)
    for file in files:
        was = file.read_bytes()
        at = int(rng.integers(len(was)))
        flipped = was[:at] + bytes([was[at] ^ 1 << int(rng.integers(8))]) + was[at + 1 :]
        for now in (flipped, was[:-1], was + b"\0", b""):
            file.write_bytes(now)
            with pytest.raises(Exception, match=r"damaged|negative|size"):
                read_table(place)
        file.write_bytes(was)
    pd.testing.assert_frame_equal(read_table(place), rows)


def test_pages_of_a_store_map_the_same_files(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = {"store": str(store)}
    page = open_page("lifter-gaps", asked)
    pd.testing.assert_frame_equal(page.all_lifters, read_lifters(store), check_exact=True)
    pd.testing.assert_frame_equal(page.all_jobs, read_ventings(store), check_exact=True)
    monkeypatch.setattr("ventbook.model.lifters.build_parts", None)
    monkeypatch.setattr("ventbook.model.build_ventings", None)
    again = open_page("records", asked)
    pd.testing.assert_frame_equal(again.all_lifters, page.all_lifters)
    pd.testing.assert_frame_equal(again.all_jobs, page.all_jobs)
    with pytest.raises(TypeError):  # other records
        len(open_page("records", {**asked, "as_of": 3}).all_jobs)


def test_a_damaged_table_is_made_anew(store: Path) -> None:
    asked = {"store": str(store)}
    whole = read_lifters(store)
    assert len(open_page("lifter-gaps", asked).all_lifters)
    (place,) = (store / CACHE).glob("*.table")
    file = max(place.iterdir(), key=lambda file: file.stat().st_size)
    file.write_bytes(bytes(file.stat().st_size))
    pd.testing.assert_frame_equal(open_page("lifter-gaps", asked).all_lifters, whole)
    pd.testing.assert_frame_equal(read_table(place), whole)


def test_the_longest_unused_go_first(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "MOST_TABLES", 3)
    for number in range(5):
        kept.keep_table(store, number, lambda: [TABLE])
        kept.keep_table(store, 0, lambda: pytest.fail("just used"))
        time.sleep(0.02)
    found = {place.name for place in (store / CACHE).glob("*.table")}
    assert found == {f"{kept.name_made(number)}.table" for number in (0, 3, 4)}
    assert not list((store / CACHE).glob("*.part")) + list((store / CACHE).glob("*.lock"))


def test_of_large_tables_two_stay(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "MOST_TABLE_BYTES", 100)
    for number in range(4):
        kept.keep_table(store, number, lambda: [TABLE])
        time.sleep(0.02)
    found = {place.name for place in (store / CACHE).glob("*.table")}
    assert found == {f"{kept.name_made(number)}.table" for number in (2, 3)}


def test_tables_are_as_private_as_the_store_and_no_part_of_it(store: Path, tmp_path: Path) -> None:
    store.chmod(0o750)
    assert len(open_page("records", {"store": str(store)}).all_jobs)
    (first, _) = (store / CACHE).glob("*.table")
    assert stat.S_IMODE(first.stat().st_mode) == 0o750
    assert {stat.S_IMODE(file.stat().st_mode) for file in first.iterdir()} == {0o640}
    back_up(store, tmp_path / "copy.zip")
    prune_store(store)
    assert not (store / CACHE).exists()


def test_without_a_place_to_keep_it_a_table_leaves_nothing(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "scratch").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "scratch"))
    monkeypatch.setenv(kept.SWITCH, "no")
    page = open_page("records", {"store": str(store)})
    pd.testing.assert_frame_equal(page.all_jobs, read_ventings(store))
    assert not (store / CACHE).exists()
    assert not list((tmp_path / "scratch").iterdir())


def test_a_cache_that_is_no_folder_is_left_alone(store: Path) -> None:
    (store / CACHE).write_text("mine")
    pd.testing.assert_frame_equal(open_page("records", {"store": str(store)}).all_jobs, read_ventings(store))
    assert (store / CACHE).read_text() == "mine"


def test_no_room_is_one_line(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(folder: Path, parts: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(mapped, "write_table", full)
    with pytest.raises(
        InputError, match=r"no room .* \(No space left on device\); free some there, or set TMPDIR"
    ):
        open_page("records", {"store": str(store)}).all_jobs  # noqa: B018
    assert not list((store / CACHE).iterdir())


def _make_slowly(path: str, said: str) -> list[pd.DataFrame]:
    with Path(said).open("a") as file:
        file.write("made\n")
    time.sleep(0.7)
    return [TABLE]


def test_processes_that_ask_together_make_a_table_once(store: Path, tmp_path: Path) -> None:
    said = tmp_path / "said.txt"
    code = (
        "import sys; from pathlib import Path; import test_mapped; from ventbook.reports import kept\n"
        "kept.keep_table(Path(sys.argv[1]), 'x', lambda: test_mapped._make_slowly(*sys.argv[1:3]))"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([*sys.path, str(Path(__file__).parent)])}
    running = [
        subprocess.Popen([sys.executable, "-c", code, str(store), str(said)], env=environment)
        for _ in range(3)
    ]
    assert [process.wait(120) for process in running] == [0, 0, 0]
    assert said.read_text().split() == ["made"]
