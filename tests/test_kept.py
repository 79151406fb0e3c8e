"""What pages keep beside a store's tables: the same to the last bit, never out of date, never trusted, never in the way."""

import dataclasses
import datetime as dt
import hashlib
import json
import shutil
import tracemalloc
import zlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from ventbook import open_page
from ventbook.document import plotting
from ventbook.document.sequence import Blocks
from ventbook.physics.priming import constants
from ventbook.records.store import CACHE, back_up, check_store, prune_store
from ventbook.reports import account, kept, page, planned_venting
from ventbook.reports.kept import decode, encode, keep
from ventbook.results import Estimate
from ventbook.statistics import causes

DAY = pd.Timestamp("2026-03-01 10:30")
FRAME = pd.DataFrame(
    {
        "float": [1.5, np.nan, -0.0],
        "whole": pd.array([1, None, 2**62], dtype="Int64"),
        "yes": pd.array([True, None, False], dtype="boolean"),
        "text": pd.array(["a", None, "µ \x00 \ud800"[:4]], dtype="str"),
        "day": pd.to_datetime(["2026-03-01", None, "2026-03-02"]),
        "kind": pd.Categorical(["b", None, "a"], categories=["b", "a"], ordered=True),
        "mixed": pd.Series([("x", 1), None, np.nan], dtype=object),
        "words": pd.Series(["a", "b", "c"], dtype=object),
    }
).set_index(pd.Index([4, 7, 9], name="row"))


def squares(values: pd.Series, *, power: int = 2) -> pd.DataFrame:
    """Something that takes long."""
    CALLS.append(power)
    return pd.DataFrame({"value": values**power})


CALLS: list[int] = []


@pytest.fixture
def store(demo_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo's store in a folder of its own, that keeps what is worked out."""
    monkeypatch.delenv(kept.SWITCH)
    CALLS.clear()
    shutil.copytree(demo_store.parent, tmp_path / "demo", ignore=shutil.ignore_patterns(CACHE, "20*"))
    return tmp_path / "demo" / "store"


def test_frame_comes_back_as_it_was() -> None:
    back = decode(encode(FRAME))
    pd.testing.assert_frame_equal(back, FRAME, check_exact=True, check_freq=True)
    assert back["mixed"].tolist()[:2] == [("x", 1), None]
    assert np.signbit(back["float"].iloc[2])
    pd.testing.assert_frame_equal(decode(encode(FRAME.iloc[:0])), FRAME.iloc[:0])
    part = FRAME[FRAME["float"].notna()]
    pd.testing.assert_frame_equal(decode(encode(part)), part)


@pytest.mark.parametrize(
    "value",
    [
        None, 3, 0.1 + 0.2, float("inf"), "ü", (1, [2.0, "3"]), {("a", 1): (None,)}, {"b", "a"}, frozenset([2, 1]), DAY,
        dt.date(2026, 3, 1), pd.NaT, Estimate(0.5, None, 0.75, 0.9, "share", 4, 2, "hand"), np.float64(0.1),
        np.arange(6.0).reshape(2, 3).T, np.zeros((0, 3)), np.array(["a", None], object), np.array([True, False]),
    ],
)  # fmt: skip
def test_value_comes_back_as_it_was(value: object) -> None:
    back = decode(encode(value))
    assert type(back) is type(value)
    if isinstance(value, np.ndarray):
        np.testing.assert_array_equal(back, value)
        assert back.dtype == value.dtype
    else:
        assert back is value if value is pd.NaT else back == value
    assert encode(back) == encode(value)


@pytest.mark.parametrize("value", [squares, object(), 1j, Path(), FRAME.set_index(["float", "whole"])])
def test_what_is_no_plain_data_is_said(value: object) -> None:
    with pytest.raises(TypeError, match="plain data"):
        encode(value)


def test_hash_tells_values_apart() -> None:
    tables = [
        FRAME,
        FRAME.iloc[::-1],
        FRAME.assign(float=[1.5, 0.0, np.nan]),
        FRAME.rename(columns={"yes": "no"}),
    ]
    assert len({kept.hash_value(table) for table in tables}) == len(tables)
    assert kept.hash_value(FRAME.copy()) == kept.hash_value(FRAME)
    assert kept.hash_value([1, True, 1.0]) != kept.hash_value([1, 1, 1])


def test_worked_out_once_for_the_same_values(store: Path) -> None:
    first = keep(store, squares, FRAME["float"])
    again = keep(store, squares, FRAME["float"].copy())
    pd.testing.assert_frame_equal(first, again, check_exact=True)
    assert CALLS == [2]
    keep(store, squares, FRAME["float"], power=3)
    keep(store, squares, FRAME["float"] + 1e-15)  # a correction in the last digit
    keep(store, squares, FRAME["float"].rename("other"))
    assert CALLS == [2, 3, 2, 2]


def test_another_library_works_out_anew(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(store, squares, FRAME["float"])
    monkeypatch.setattr(kept, "library_hash", lambda: b"a changed source or table")
    keep(store, squares, FRAME["float"])
    assert CALLS == [2, 2]


def test_library_hash_rests_on_sources_and_tables(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hashes = set()
    for text in ("a = 1", "a = 2"):
        (tmp_path / "table.toml").write_text(text)
        monkeypatch.setattr(kept, "DATA", tmp_path)
        hashes.add(kept.library_hash.__wrapped__())
    monkeypatch.setattr(kept, "COMPUTED_WITH", ("numpy",))
    hashes.add(kept.library_hash.__wrapped__())
    assert len(hashes) == 3


def test_damaged_or_foreign_file_is_passed_over(store: Path) -> None:
    keep(store, squares, FRAME["float"])
    (path,) = (store / CACHE).iterdir()
    whole = path.read_bytes()
    made = encode({"is": "made"}).replace(
        json.dumps({"is": "dict", "of": [["is", "made"]]}, separators=(",", ":")).encode(),
        json.dumps({"is": "made", "module": "os", "name": "system", "of": []}).encode(),
    )
    for content in (b"", whole[:-1], whole[:40] + b"X" + whole[41:], hashlib.sha256(made).digest() + made):
        path.write_bytes(content)
        pd.testing.assert_frame_equal(
            keep(store, squares, FRAME["float"]), FRAME[["float"]].rename(columns={"float": "value"}) ** 2
        )
        assert path.read_bytes() == whole
    assert len(CALLS) == 5


def test_only_this_librarys_dataclasses_are_made() -> None:
    def made(**told: object) -> bytes:
        text = json.dumps({"is": "made", "of": [], **told}).encode()
        return len(text).to_bytes(8, "big") + text

    for told in (
        {"module": "os", "name": "system"},
        {"module": "ventbook.reports.kept", "name": "keep"},
        {"module": "ventbook.reports.kept", "name": "Path"},
        {"module": "ventbook.results", "name": "Estimate"},
    ):
        with pytest.raises(ValueError, match=r"library|dataclass|fields"):
            decode(made(**told))


def test_bound_on_what_is_kept(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "MOST_BYTES", 3000)
    for power in range(2, 12):
        keep(store, squares, FRAME["float"], power=power)
    sizes = [file.stat().st_size for file in (store / CACHE).iterdir()]
    assert 0 < sum(sizes) <= 3000
    monkeypatch.setattr(kept, "LARGEST", 10)
    keep(store, squares, FRAME["float"], power=20)
    assert len(list((store / CACHE).iterdir())) == len(sizes)


def test_a_file_that_unpacks_to_more_than_is_ever_kept_is_passed_over(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(store, squares, FRAME["float"])
    (path,) = (store / CACHE).iterdir()
    packed = zlib.compress(bytes(10_000_000), 9)
    path.write_bytes(hashlib.sha256(packed).digest() + packed)
    monkeypatch.setattr(kept, "UNPACKED", 1000)
    tracemalloc.start()
    with pytest.raises(ValueError, match="more than is ever kept"):
        kept._read(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1_000_000


def test_readable_by_whoever_reads_the_store(store: Path) -> None:
    keep(store, squares, FRAME["float"])
    (path,) = (store / CACHE).iterdir()
    assert (store / CACHE).stat().st_mode == store.stat().st_mode
    assert path.stat().st_mode == (store / "ventbook-store.json").stat().st_mode


def test_nothing_is_kept_where_nothing_can_be_written(store: Path) -> None:
    (store / CACHE).write_text("in the way")
    assert len(keep(store, squares, FRAME["float"])) == 3
    assert CALLS == [2]


def test_no_part_of_the_store_and_cleared_with_it(store: Path, tmp_path: Path) -> None:
    before, copied = check_store(store), back_up(store, tmp_path / "before.zip").files
    keep(store, squares, FRAME["float"])
    after = check_store(store)
    assert (after.damages, after.leftovers, after.lines()) == ((), before.leftovers, before.lines())
    assert back_up(store, tmp_path / "after.zip").files == copied
    (path,) = (store / CACHE).iterdir()
    assert path in prune_store(store)
    assert not path.exists()


def _numbers_of(page: object) -> tuple[list[dict[str, object]], dict[str, object]]:
    planned_venting.answer(page)
    planned_venting.next_ventings(page)
    planned_venting.how_it_fared(page)
    return page.findings, page.tables


def test_page_from_what_is_kept_is_the_same(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = {"store": str(store)}
    made = _numbers_of(open_page("planned-venting", asked))
    names = {file.name for file in (store / CACHE).iterdir()}
    assert len(names) >= 4  # account, chances, scores, monitor
    with monkeypatch.context() as patch:
        patch.setattr(
            causes.account, "pose_question", lambda *a, **o: pytest.fail("an account was made again")
        )
        page = open_page("planned-venting", asked)
        assert _numbers_of(page) == made
        # another report speaks from the same account
        other = open_page("spongy-lifters", asked)
        assert account.load_account(other).failing == account.load_account(page).failing
    monkeypatch.setenv(kept.SWITCH, "no")
    assert _numbers_of(open_page("planned-venting", asked)) == made


def test_tables_and_constants_are_worked_out_once(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = {"store": str(store)}
    first = open_page("planned-venting", asked)
    found = first.all_jobs, first.all_lifters, planned_venting.ahead.past_constants(first)
    monkeypatch.setattr(constants, "_search", None)
    again = open_page("planned-venting", asked)
    pd.testing.assert_frame_equal(again.all_jobs, found[0], check_exact=True)
    pd.testing.assert_frame_equal(again.all_lifters, found[1], check_exact=True)
    assert encode(planned_venting.ahead.past_constants(again)) == encode(found[2])


def test_limit_changed_makes_another_account(store: Path) -> None:
    def failing() -> int:
        return account.load_account(open_page("spongy-lifters", {"store": str(store)})).failing

    before = failing()
    limits = store.parent / "limits.toml"
    text = limits.read_text("utf-8")
    assert "high = 0.65" in text
    limits.write_text(text.replace("high = 0.65", "high = 0.95"), encoding="utf-8")
    assert failing() < before
    limits.write_text(text, encoding="utf-8")
    assert failing() == before


def test_account_is_kept_whole(store: Path) -> None:
    page = open_page("spongy-lifters", {"store": str(store)})
    made = account.make_account(page, pd.Timestamp(page.period.end))
    back = account.make_account(page, pd.Timestamp(page.period.end))
    for field in dataclasses.fields(made):
        was, now = (encode(getattr(one, field.name)) for one in (made, back))
        assert was == now, field.name
    assert causes.chance_for(back, page.all_jobs.iloc[0]) == causes.chance_for(made, page.all_jobs.iloc[0])


@page.section
def leave_all(page: page.Page) -> Blocks:
    """A section that leaves everything on its page that one can."""
    CALLS.append(1)
    page.alert("Look here.")
    page.caution("Mind this.")
    page.thinned_from = 60_000
    figure, _ = plotting.new_figure()
    return (
        page.answer("So it is.", todo=["Do that."])
        + page.add_finding(
            "share", Estimate(0.5, None, 0.75, 0.9, "1", 4, 2, "hand"), tier="list", sentence="Half."
        )
        + page.add_table("rows", FRAME.reset_index(drop=True), title="Rows")
        + page.add_figure("nothing", figure, alt="Nothing.", caption="None")
    )


def left_on(page: page.Page) -> bytes:
    return encode(
        [getattr(page, name) for name in ("found", "figures", "answers", "alerts", "more_cautions")]
    ) + encode([page.tables, {name: page.frame(name) for name in page.tables}, page.thinned_from])


def test_section_is_kept_with_all_that_it_left(store: Path) -> None:
    pages = [open_page("planned-venting", {"store": str(store)}) for _ in range(2)]
    first, again = (leave_all(page) for page in pages)
    assert CALLS == [1]
    assert first == again
    assert left_on(pages[0]) == left_on(pages[1])
    with pytest.raises(ValueError, match="stands already"):
        leave_all(pages[1])


def test_section_is_made_anew_where_anything_moved(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def show(**asked: object) -> int:
        CALLS.clear()
        leave_all(open_page("planned-venting", {"store": str(store), **asked}))
        return len(CALLS)

    assert (show(), show()) == (1, 0)
    assert (
        show(level=0.9),
        show(units="us"),
        show(seed=1),
        show(as_of=7),
        show(out=str(store.parent / "out")),
    ) == (1,) * 5
    for name in ("actions.toml", "alarms.toml", "gauges.toml", "limits.toml"):
        beside = store.parent / name
        beside.write_text((beside.read_text("utf-8") if beside.exists() else "") + "# a word\n", "utf-8")
        assert (show(), show()) == (1, 0), name
    behind = open_page("planned-venting", {"store": str(store)})
    planned_venting.limitations(behind)
    leave_all(behind)
    assert CALLS == [1]
    monkeypatch.setattr(page, "MOST_FRAMES", 0)
    assert (show(level=0.8), show(level=0.8)) == (1, 1)
    monkeypatch.setattr(kept, "library_hash", lambda: b"a changed source or table")
    assert show() == 1


def test_whole_page_reads_the_same_from_its_kept_sections(store: Path) -> None:
    pages = [open_page("planned-venting", {"store": str(store)}) for _ in range(3)]
    names = ("answer", "sheet", "rests_on", "next_ventings", "how_it_fared", "methods", "limitations")
    shown = [[getattr(planned_venting, name)(page).html for name in names] for page in pages[:2]]
    held = sorted((store / CACHE).glob("*.kept"))
    for file in held[::2]:
        file.unlink()
    shown.append([getattr(planned_venting, name)(pages[2]).html for name in names])
    assert 0 < len(held[::2]) < len(held)
    assert shown[0] == shown[1] == shown[2]
    assert pages[0].kept
    assert not pages[1].kept
    assert pages[0].finish() == pages[1].finish() == pages[2].finish()
