"""The store at an address in an object store, held against a server of others' making (moto) on loopback.

The server keeps the conditions of RFC 9110 (If-Match, If-None-Match), as Amazon's does since 2024.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import secrets
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import unquote

import pytest

from invented_store import rows_of
from s3_server import HOST, Proxy
from ventbook import demo, places, tables
from ventbook.errors import InputError
from ventbook.places import Address, AddressError, find_place
from ventbook.records import privacy, trials
from ventbook.records import store as st
from ventbook.records.intake import change_limits, ingest, withdraw
from ventbook.records.intake.limits_change import write_limits_table
from ventbook.records.store import delta, locks
from ventbook.reports import open_page, records, scope
from ventbook.run.cli import main
from ventbook.run.job import bare_path, shown_path

KEY_ID, SECRET = "AKIDTESTOFTHESTORE", "wJalrXUtnFEMIsecretOfTheTests"
BUCKET = "shop-records"
HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    words = [sys.executable, "-W", "ignore", str(HERE / "s3_server.py")]
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as process:
        assert process.stdout is not None and process.stdin is not None
        yield int(process.stdout.readline())
        process.stdin.close()  # the server ends


@pytest.fixture(scope="module")
def bucket(port: int) -> str:
    import http.client

    connection = http.client.HTTPConnection(HOST, port, timeout=20)
    connection.request("PUT", f"/{BUCKET}")
    assert connection.getresponse().status == 200
    return BUCKET


@pytest.fixture(autouse=True)
def surroundings(port: int, bucket: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Credentials and server by the environment, no files of AWS, and little patience."""
    for name in list(os.environ):
        if name.startswith("AWS_"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://{HOST}:{port}")
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", KEY_ID)
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", SECRET)
    monkeypatch.setenv("AWS_CONFIG_FILE", str(tmp_path / "none"))
    monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(tmp_path / "none"))
    monkeypatch.setattr(places, "RETRIES", 2)
    monkeypatch.setattr(places, "RETRY_S", 5.0)


@pytest.fixture
def shop(request: pytest.FixtureRequest) -> Address:
    """An address of its own for each test; registers lie beside it."""
    place = find_place(f"s3://{BUCKET}/{secrets.token_hex(4)}/the-store")
    assert isinstance(place, Address)
    return place


@pytest.fixture
def proxy(port: int, monkeypatch: pytest.MonkeyPatch) -> Iterator[Proxy]:
    made = Proxy(port)
    monkeypatch.setenv("AWS_ENDPOINT_URL", made.url)
    yield made
    made.shutdown()
    made.server_close()


@pytest.fixture(scope="module")
def deliveries(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Record files of two quarters of a small invented fleet, the first with traces."""
    folder = tmp_path_factory.mktemp("fleet")
    return [
        path for path in demo.write_demo(folder, ventings=24, seed=6) if path.name in ("2025Q2", "2025Q3")
    ]


def plant(store: Path | Address, *numbers: int) -> None:
    """Snapshots of one engine each."""
    for number in numbers:
        with st.write_snapshot(st.create_store(store)) as writer:
            row = {
                "engine_id": f"E{number}",
                "engine_type": "flat4",
                "cylinders": 4,
                "valves_per_cylinder": 2,
            }
            writer.add_rows("engines", rows_of("engines", [row], writer.number))
            writer.commit(kind="intake", today=dt.date(2026, 10, 1), counts={}, sources=[])


def engines_of(store: Path | Address) -> list[str]:
    return st.open_store(store).snapshot().read("engines")["engine_id"].tolist()


def run_cli(capfd: pytest.CaptureFixture[str], *words: object) -> tuple[int, str]:
    """Exit code, and what was said on standard error; no credential in any of it."""
    code = main([str(word) for word in words])
    out, err = capfd.readouterr()
    assert SECRET not in out + err and KEY_ID not in out + err
    return code, err


def is_one_line(err: str) -> bool:
    return err.count("\n") == 1 and err.startswith("ventbook: ")


# ---- the same as in a folder ----------------------------------------------------------------------------------------


def test_a_fleet_taken_in_at_an_address_is_the_fleet_taken_in_into_a_folder(
    shop: Address, deliveries: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(secrets, "token_bytes", lambda n=32: b"k" * n)  # one key, so one set of codes
    folder = tmp_path / "the-store"
    for store in (folder, shop):
        for delivery in deliveries:
            ingest([delivery], store=store, today="2026-10-01")
    here, there = (st.open_store(store).snapshot() for store in (folder, shop))
    assert here.versions == there.versions
    for table in here.tables:
        mine, theirs = (sorted(s.read_arrow(table).to_pylist(), key=str) for s in (here, there))
        assert str(mine) == str(theirs), table  # in any order of files, whose names are drawn
    pages = [open_page("records", {"store": str(store)}) for store in (folder, shop)]
    for page in pages:
        records.answer(page)
    assert pages[0].answers == pages[1].answers and pages[0].answers
    found = st.check_store(shop)
    assert (found.damages, found.leftovers, found.snapshots) == ((), (), 2)
    assert found.files == st.check_store(folder).files
    assert len(there.files("samples")) and all(isinstance(file, Address) for file in there.files("samples"))
    assert withdraw(2, store=shop) == withdraw(2, store=folder) == 3
    again = [st.open_store(store).snapshot().read("ventings") for store in (folder, shop)]
    assert again[0].equals(again[1])


def test_what_stands_beside_the_store_is_found_beside_it(shop: Address, tmp_path: Path) -> None:
    plant(shop, 1)
    beside = shop.parent
    table = write_limits_table(tmp_path / "limits.xlsx")
    assert change_limits(table, store=shop).path == beside / "limits.toml"
    (beside / "limits.toml").write_bytes((HERE / "trade_limits.toml").read_bytes())
    (beside / "gauges.toml").write_bytes((tables.DATA / "demo_gauges.toml").read_bytes())
    (beside / "alarms.toml").write_bytes((tables.DATA / "alarms.toml").read_bytes())
    page = open_page("records", {"store": str(shop)})
    assert page.limits_file == beside / "limits.toml"
    assert page.gauges_file == beside / "gauges.toml"
    assert page.limits.rows and page.gauges is not None
    states = []  # a change of the same length within the same second is seen
    for content in (b"# a\n", b"# b\n"):
        (beside / "x.toml").write_bytes(content)
        states.append((beside / "x.toml").stat())
    assert states[0].st_mtime_ns != states[1].st_mtime_ns


def test_a_backup_goes_out_of_an_address_and_back_into_one_and_into_a_folder(
    shop: Address, tmp_path: Path
) -> None:
    plant(shop, 1, 2)
    privacy.make_key(shop)
    (shop.parent / "actions.toml").write_bytes(b"# none\n")
    out = tmp_path / "backup.zip"
    assert st.back_up(shop, out, with_key=True).beside == ("actions.toml",)
    for other in (shop.parent / "elsewhere" / "store", tmp_path / "folder" / "store"):
        assert st.restore_backup(out, other).snapshot == 2
        assert engines_of(other) == ["E1", "E2"]
        assert not st.check_store(other).damages
        assert (other.parent / "actions.toml").read_bytes() == b"# none\n"
        assert (other / "private" / "key").read_text() == (shop / "private" / "key").read_text()
        with pytest.raises(st.StoreError, match="holds something already"):
            st.restore_backup(out, other)
    plant(shop.parent / "elsewhere" / "store", 3)
    assert engines_of(shop.parent / "elsewhere" / "store") == ["E1", "E2", "E3"]


def test_damage_at_an_address_is_named_and_what_nobody_names_is_cleared(shop: Address) -> None:
    plant(shop, 1, 2)
    (shop / "tables" / "engines" / "part-00009-dead.parquet").write_bytes(b"half")
    found = st.check_store(shop)
    assert [file.name for file in found.leftovers] == ["part-00009-dead.parquet"]
    assert st.prune_store(shop) == []  # younger than a day
    assert len(st.prune_store(shop, older_than_h=-1)) == 1
    file = st.open_store(shop).snapshot().files("engines")[0]
    content = file.read_bytes()
    file.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    with pytest.raises(st.StoreError, match=f"{file.name} is not as it was written"):
        st.open_store(shop).snapshot().read("engines")
    (damage,) = st.check_store(shop).damages
    assert damage.file.endswith(file.name)
    file.unlink()
    with pytest.raises(st.StoreError, match="is missing"):
        st.open_store(shop).snapshot().read("engines")


def test_a_trial_is_drawn_from_at_an_address(shop: Address) -> None:
    plant(shop, 1)
    places_of = trials.make_list(["Lake"], blocks=2, seed=1)
    plan = trials.TrialPlan(
        name="tank", day="2026-10-01", question="q", change="c", outcome="gap", planned=0.5, strata=("site",), agreed="T-1",
        list_sha256=trials.hash_places(places_of),
    )  # fmt: skip
    trials.write_trial(shop, plan, places_of)
    assert trials.list_trials(shop) == ["tank"]
    with trials.lock_trial(shop, "tank"):
        trial = trials.read_trial(shop, "tank")
        with pytest.raises(InputError, match="somebody else is drawing"), trials.lock_trial(shop, "tank"):
            pass
        grown, draw = trials.draw_next(trial, engine_id="E1", stratum="Lake", day=dt.date(2026, 10, 2))
    assert trials.read_trial(shop, "tank").log == grown.log == (draw,)


def test_whom_the_bucket_keeps_from_the_key_reads_codes(shop: Address, proxy: Proxy) -> None:
    plant(shop, 1)
    coder = privacy.open_coder(shop)
    code = coder.code_name("Anna Field")
    coder.save()
    assert privacy.read_names(shop) == {code: "Anna Field"}
    proxy.fault = lambda method, path, n: "denied" if "/private/" in unquote(path) else ""
    assert privacy.read_names(shop) == {}
    assert engines_of(shop) == ["E1"]
    with pytest.raises(InputError, match="lack the right"):
        privacy.open_coder(shop, coded=True)
    proxy.fault = lambda method, path, n: "500" if "/private/" in unquote(path) else ""
    with pytest.raises(AddressError, match="doesn't answer"):
        privacy.read_names(shop)  # a server in trouble never reads as "no names"


# ---- several writers ------------------------------------------------------------------------------------------------


def test_of_two_intakes_at_once_one_is_refused_and_nothing_is_lost(
    shop: Address, deliveries: list[Path]
) -> None:
    plant(shop, 1)
    with (
        locks.hold_lock(shop / "lock"),
        pytest.raises(st.StoreError, match=r"another intake is writing to this store \(on .*\); wait"),
    ):
        ingest([deliveries[1]], store=shop, today="2026-10-01")
    said: list[str] = []

    def take(number: int) -> None:
        try:
            plant(shop, number)
        except st.StoreError as error:
            said.append(str(error))

    threads = [threading.Thread(target=take, args=(number,)) for number in (91, 92)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    number = st.open_store(shop).snapshot().number
    assert len(said) + number == 3
    assert all("another intake" in line and "\n" not in line for line in said)
    assert not st.check_store(shop).damages
    plant(shop, 93)
    assert (
        engines_of(shop)[0] == "E1" and engines_of(shop)[-1] == "E93" and len(engines_of(shop)) == number + 1
    )


DIES = """
import os, signal, sys
sys.path.insert(0, {tests!r})
from ventbook.records.store import delta, locks
locks.LEASE_S, locks.MARGIN_S = 6.0, 1.0
real, left = delta.commit_files, [{steps}]
def dying(*args, **kwargs):
    left[0] -= 1
    if left[0] < 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return real(*args, **kwargs)
delta.commit_files = dying
from ventbook.records.intake import ingest
ingest([{files!r}], store={store!r}, today="2026-10-01")
"""


def test_a_killed_writer_leaves_the_store_whole_and_its_lease_runs_out(
    shop: Address, deliveries: list[Path]
) -> None:
    plant(shop, 1)
    code = DIES.format(tests=str(HERE), steps=2, files=str(deliveries[1]), store=str(shop))
    died = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert died.returncode == -signal.SIGKILL, died.stderr
    assert st.open_store(shop).snapshot().number == 1 and engines_of(shop) == ["E1"]
    assert not st.check_store(shop).damages
    end = time.monotonic() + 30
    while True:
        try:
            plant(shop, 2)
            break
        except st.StoreError as error:
            assert "another intake is writing" in str(error) and time.monotonic() < end
            time.sleep(0.5)
    found = st.check_store(shop)
    assert not found.damages and found.leftovers  # what the dead one wrote, and nobody names
    assert engines_of(shop) == ["E1", "E2"]


def test_a_writer_that_lost_its_lease_commits_nothing(shop: Address, monkeypatch: pytest.MonkeyPatch) -> None:
    plant(shop, 1)
    monkeypatch.setattr(locks, "LEASE_S", 0.8)
    monkeypatch.setattr(locks, "MARGIN_S", 0.2)
    with (
        pytest.raises(st.StoreError, match="couldn't be kept"),
        st.write_snapshot(st.open_store(shop)) as writer,
    ):
        (shop / "lock").put(b'{"owner": "another", "lease_s": 600}')
        end = time.monotonic() + 20
        while time.monotonic() < end:
            writer.still_held()
            time.sleep(0.1)
    assert json.loads((shop / "lock").read_text())["owner"] == "another"  # not given back by who lost it
    (shop / "lock").put(b'{"given_back": true}')
    plant(shop, 2)
    assert engines_of(shop) == ["E1", "E2"]


def test_a_writer_that_slept_through_another_is_stopped_by_the_log(shop: Address) -> None:
    plant(shop, 1)
    row = {"engine_id": "EX", "engine_type": "flat4", "cylinders": 4, "valves_per_cylinder": 2}
    for table_first in (True, False):
        with (
            pytest.raises(st.StoreError, match="another intake has written to this store meanwhile"),
            st.write_snapshot(st.open_store(shop)) as writer,
        ):
            writer.still_held = lambda: None  # asleep: it doesn't know
            if not table_first:
                writer.add_rows("ventings", rows_of("ventings", [{"venting_id": "VX", "engine_id": "E1"}], 2))
            (shop / "lock").put(b'{"given_back": true}')
            plant(shop, 2 if table_first else 3)
            if table_first:
                writer.add_rows("engines", rows_of("engines", [row], writer.number))
            writer.commit(kind="intake", today=dt.date(2026, 10, 1), counts={}, sources=[])
    assert engines_of(shop) == ["E1", "E2", "E3"]
    assert st.open_store(shop).snapshot().read("ventings").empty
    plant(shop, 4)
    assert engines_of(shop) == ["E1", "E2", "E3", "E4"]
    assert not st.check_store(shop).damages


def test_a_server_that_keeps_no_conditions_is_refused(shop: Address, proxy: Proxy) -> None:
    proxy.fault = lambda method, path, n: "unconditional"
    with pytest.raises(st.StoreError, match="takes no conditional writes"):
        plant(shop, 1)


# ---- servers and networks that fail ---------------------------------------------------------------------------------


def fail_once(kind: str) -> Callable[[str, str, int], str]:
    """Each request fails the first time it is made."""
    return lambda method, path, how_often: kind if how_often == 1 else ""


@pytest.mark.parametrize("kind", ["500", "reset", "lost"])
def test_requests_that_fail_once_are_made_again(shop: Address, proxy: Proxy, kind: str) -> None:
    proxy.fault = fail_once(kind)
    plant(shop, 1)
    assert engines_of(shop) == ["E1"]
    proxy.fault = lambda method, path, n: ""
    assert not st.check_store(shop).damages
    assert st.open_store(shop).snapshot().number == 1


@pytest.mark.parametrize("kind", ["500", "reset", "slow"])
def test_a_server_that_keeps_failing_is_said_in_one_line_after_a_few_tries(
    shop: Address, proxy: Proxy, kind: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    plant(shop, 1)
    monkeypatch.setattr(places, "SILENCE_S", 0.3)
    proxy.slow_s = 1.0
    proxy.fault = lambda method, path, n: kind
    proxy.asked.clear()
    for words in (("store", "check"), ("report", "records", "--out", "unused")):
        code, err = run_cli(capfd, *words, "--store", shop)
        assert code == 2 and is_one_line(err), err
        assert f"{shop}" in err and "doesn't answer as it should" in err
    assert max(proxy.asked.values()) <= 2 * (places.RETRIES + 1)


def test_a_server_that_goes_away_while_records_are_taken_in_leaves_the_store_whole(
    shop: Address,
    proxy: Proxy,
    deliveries: list[Path],
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    plant(shop, 1)
    monkeypatch.setattr(places, "RETRIES", 1)
    left = [60]  # requests until it goes

    def go_away(method: str, path: str, how_often: int) -> str:
        left[0] -= 1
        return "" if left[0] >= 0 else "500"

    proxy.fault = go_away
    code, err = run_cli(capfd, "intake", deliveries[1], "--store", shop)
    assert code == 2 and is_one_line(err.rsplit("\r", 1)[-1]), err
    proxy.fault = lambda method, path, how_often: ""
    assert engines_of(shop) == ["E1"]
    (shop / "lock").put(b'{"given_back": true}')  # spares waiting for the lease to run out
    plant(shop, 2)
    assert engines_of(shop) == ["E1", "E2"]
    assert not st.check_store(shop).damages


@pytest.mark.parametrize("words", [("store", "snapshots"), ("intake",), ("report", "all", "--out", "unused")])
def test_a_wrong_bucket_refused_credentials_and_no_server_are_one_line(
    shop: Address,
    proxy: Proxy,
    words: tuple[str, ...],
    deliveries: list[Path],
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    more = (deliveries[1],) if words == ("intake",) else ()
    code, err = run_cli(capfd, *words, *more, "--store", "s3://no-such-bucket/store")
    assert (code, is_one_line(err)) == (2, True) and "there is no bucket no-such-bucket" in err
    proxy.fault = lambda method, path, how_often: "403"
    code, err = run_cli(capfd, *words, *more, "--store", shop)
    assert (code, is_one_line(err)) == (2, True) and "refuses these credentials" in err
    proxy.fault = lambda method, path, how_often: "denied"
    code, err = run_cli(capfd, *words, *more, "--store", shop)
    assert (code, is_one_line(err)) == (2, True) and "lack the right" in err
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://{HOST}:1")
    code, err = run_cli(capfd, *words, *more, "--store", shop)
    assert (code, is_one_line(err)) == (2, True) and f"{HOST}:1 doesn't answer" in err
    for endpoint, said in (
        ("", "no server; set AWS_ENDPOINT_URL"),
        (f"http://{KEY_ID}:{SECRET}@{HOST}", "no address of a server"),
        ("http://192.0.2.1", "not encrypted"),
    ):
        monkeypatch.setenv("AWS_ENDPOINT_URL", endpoint)
        code, err = run_cli(capfd, *words, *more, "--store", shop)
        assert (code, is_one_line(err)) == (2, True) and said in err
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    code, err = run_cli(capfd, *words, *more, "--store", shop)
    assert (code, is_one_line(err)) == (2, True) and "no credentials" in err


# ---- addresses and credentials --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["s3://", "s3://bucket", "s3://bucket/", "s3:/bucket/x", "S3://bucket/x", "s3://Bucket/x", "s3://b/x", "s3://bucket/a//b",
     "s3://bucket/../b", "s3://bucket/a b", "s3://bucket/a%20b", f"s3://{KEY_ID}:{SECRET}@bucket/x"],
)  # fmt: skip
def test_an_address_that_is_none_is_one_line(text: str, capfd: pytest.CaptureFixture[str]) -> None:
    code, err = run_cli(capfd, "store", "check", "--store", text)
    assert (code, is_one_line(err)) == (2, True) and "address" in err


def test_an_address_is_a_place_as_a_folder_is_one(shop: Address) -> None:
    assert find_place("data/x") == Path("data/x")
    assert find_place(str(shop)) == find_place(shop) == shop and scope.find_path(str(shop)) == shop
    assert (shop.name, shop.parent.name, (shop / "a" / "b.toml").suffix) == (
        "the-store",
        shop.parent.name,
        ".toml",
    )
    assert not shop.exists() and not shop.is_dir() and not list(shop.iterdir())
    (shop / "a" / "b.toml").write_bytes(b"x")
    assert shop.exists() and shop.is_dir() and not shop.is_file()
    assert [place.name for place in shop.iterdir()] == ["a"]
    assert places.list_below(shop) == places.list_matching(shop, "*/*.toml") == [shop / "a" / "b.toml"]
    assert places.list_matching(shop, "*.toml") == []
    assert places.name_below(shop / "a" / "b.toml", shop) == "a/b.toml"
    assert bare_path(str(shop)) == "the-store"  # on a page
    assert shown_path(str(shop), Path("reports/x")) == str(shop)  # in run.json, to find it again


def test_credentials_come_from_the_files_of_aws_as_well(
    shop: Address, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    endpoint = os.environ["AWS_ENDPOINT_URL"]
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_ENDPOINT_URL"):
        monkeypatch.delenv(name)
    (tmp_path / "credentials").write_text(
        f"[shop]\naws_access_key_id = {KEY_ID}\naws_secret_access_key = {SECRET}\n[default]\n"
    )
    (tmp_path / "config").write_text(f"[profile shop]\nendpoint_url = {endpoint}\nregion = eu-north-1\n")
    monkeypatch.setenv("AWS_CONFIG_FILE", str(tmp_path / "config"))
    monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(tmp_path / "credentials"))
    with pytest.raises(AddressError, match="no credentials"):
        shop.exists()
    monkeypatch.setenv("AWS_PROFILE", "shop")
    plant(shop, 1)
    assert engines_of(shop) == ["E1"]
    assert places.find_settings(shop)["region"] == "eu-north-1"


def test_no_credential_stands_in_anything_that_is_written(
    shop: Address, tmp_path: Path, deliveries: list[Path], capfd: pytest.CaptureFixture[str]
) -> None:
    """A report run as a workshop runs it: its files, what is said, what lies in the bucket and what stays in the temporary folder."""
    made, work = tmp_path / "reports", Path(tempfile.mkdtemp(prefix="t"))  # short: sockets lie in it
    environment = {**os.environ, "TMPDIR": str(work)}
    environment.pop(places.COPIES, None)
    assert main(["intake", str(deliveries[1]), "--today", "2026-10-01", "--store", str(shop)]) == 0
    out, err = capfd.readouterr()
    words = ["report", "records", "--out", str(made), "--jobs", "1", "--store", str(shop)]
    done = subprocess.run(
        [sys.executable, "-m", "ventbook", *words], capture_output=True, env=environment, timeout=300
    )
    assert done.returncode == 0, done.stderr
    said = (out + err).encode() + done.stdout + done.stderr
    (stamp,) = made.glob("records/*/run.json")
    assert json.loads(stamp.read_text())["parameters"]["store"] == str(shop)
    files = {str(file): file.read_bytes() for file in made.rglob("*") if file.is_file()}
    assert {Path(name).suffix for name in files} >= {".html", ".json", ".ipynb", ".pdf", ".xlsx"}
    files |= {str(place): place.read_bytes() for place in places.list_below(shop.parent)}
    for name, content in {**files, "said": said}.items():
        assert KEY_ID.encode() not in content and SECRET.encode() not in content, name
    page = stamp.with_name("report.html").read_text()
    assert str(shop) not in page and BUCKET not in page
    assert not list(work.glob("ventbook-*"))  # copies of the records are gone


def test_the_delta_package_is_told_to_write_on_condition(shop: Address) -> None:
    options = places.delta_options(shop) or {}
    assert options["aws_conditional_put"] == "etag" and options["aws_allow_http"] == "true"
    assert places.delta_options(Path("x")) is None
    delta.create_table(shop / "t", st.record_schema("engines"))
    with pytest.raises(InputError):
        delta.create_table(shop / "t", st.record_schema("engines"))
