"""The command line: exit codes, one line for what can't be used, and no traceback ever."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time

import pytest

from invented_store import make_notebook, make_store
from ventbook.run import cli


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    return make_store(tmp_path_factory.mktemp("cli") / "store")


def call(capsys, *words: str) -> tuple[int, str, str]:
    code = cli.main([str(word) for word in words])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_help_is_fast_and_light() -> None:
    begun = time.perf_counter()
    code = (
        "import sys; from ventbook.run import cli; code = cli.main(['--help'])\n"
        "heavy = {'pandas', 'numpy', 'matplotlib', 'papermill', 'scipy', 'deltalake', 'rich.progress'} & set(sys.modules)\n"
        "print(sorted(heavy)); sys.exit(code)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert time.perf_counter() - begun < 5.0
    assert done.stdout.rstrip().endswith("[]")
    for command in (
        "demo",
        "forms",
        "intake",
        "report",
        "mapping",
        "quarantine",
        "withdraw",
        "verify",
        "export",
    ):
        assert f"\n  {command} " in done.stdout


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["reprot", "all"], "No such command 'reprot'"),
        (["report"], "NAME"),
        (["report", "quaterly-review"], "did you mean quarterly-review?"),
        (["report", "records", "--level", "high"], "valid"),
        (["report", "records", "--store", "no/such/store", "--venting", "V1"], "unknown parameter 'venting'"),
        (["report", "records", "--store", "no/such/store"], "no such store"),
        (["report", "records", "--peroid", "2026Q3"], "--peroid"),
        (["report", "records", "--set", "study"], "--set takes NAME=VALUE"),
        (
            ["report", "records", "--set", "stuydy=1"],
            "unknown parameter 'stuydy'; --set takes: seed (seed of",
        ),
        (
            ["report", "spongy-lifters", "--set", "lto=1"],
            "(did you mean lot?); --set takes: lot (only findings",
        ),
        (["comments", "no/such/folder"], "does not exist"),
        (["store", "snapshots", "--store", "no/such/store"], "no such store"),
        (["lab", "--port", "70000"], "--port"),
        (["report", "records", "--jobs", "0"], "--jobs"),
        (["verify", "no/such/folder"], "does not exist"),
        (["export", "no-such.ipynb", "--out", "x"], "no-such.ipynb can't be read"),
        (["export", "no-such.ipynb", "--out", "x", "--paper", "a5"], "paper must be a4 or letter"),
        (["intake", "no-such-file.csv"], "no-such-file.csv"),
        (["intake", "no-such-file.csv", "--cluster", "nonsense"], "no Dask scheduler answers at nonsense ("),
        (["quarantine", "--store", "no/such/store", "--out", "x.xlsx"], "no such store"),
        (["withdraw", "1", "--store", "no/such/store"], "no such store"),
        (["mapping", "no-such-file.csv"], "no such file"),
        (["actions"], "actions: give --out FILE.toml"),
        (["actions", "no-such.toml", "--store", "no/such/store"], "no such store"),
        (["actions", "--out", "x.toml", "--store", "no/such/store"], "no such store"),
        (["demo"], "DIR"),
        (["forms", "forms.txt"], ".xlsx"),
        (["forms", "form.html", "--units", "SI"], "units must be metric or us"),
        (["forms", "form.html", "--planned", "P1", "--store", "no/such/store"], "no such store"),
    ],
)
def test_bad_call_is_one_line_and_exit_code_2(capsys, tmp_path, monkeypatch, words, message) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = call(capsys, *words)
    assert code == 2
    assert err.startswith("ventbook: ") and err.count("\n") == 1
    assert message in err
    assert "Traceback" not in err and out == ""
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--period", "2026Q9"], "period must be like 2026Q3"),
        (["--period", "2031Q1"], "no venting in 2031Q1"),
        (["--period", "2026Q3", "--since", "2026-01-01"], "give either period or since/until"),
        (["--units", "SI"], "units must be metric or us"),
        (["--site", "Harbor"], "did you mean Harbour?"),
        (["--as-of", "7"], "no snapshot 7"),
        (["--comments", "none.toml"], "can't be read"),
        (["--limits", "none.toml"], "does not exist"),
        (["--paper", "a3"], "paper must be a4 or letter"),
    ],
)
def test_bad_report_call_writes_nothing(capsys, tmp_path, store, words, message) -> None:
    out = tmp_path / "out"
    code, _, err = call(capsys, "report", "quarterly-review", "--store", store, "--out", out, *words)
    assert code == 2 and message in err and err.count("\n") == 1
    assert not out.exists()


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("[[comment]]\nreport = 'quarterly-review'\n", "section, text missing"),
        ("[[comment]]\nreport = 'x'\nsection = 'a'\ntext = 'b'\n", "report 'x' is not known"),
        ("[[comment]]\nreport = 'records'\nsektion = 'a'\n", "'sektion' (did you mean section?)"),
        ("not toml", "is not TOML"),
        ("[records]\ntext = 'b'\n", "records is not of its shape, which is [[comment]] with report"),
        ("comment = 'b'\n", "comment is not of its shape"),
        (
            "[[comment]]\nreport = 'records'\nsection = 'a'\ntext = 'b'\nvalue = 'many'\n",
            "value must be a number; got 'many'",
        ),
    ],
)
def test_bad_comments_file_is_named(capsys, tmp_path, store, content, message) -> None:
    path = tmp_path / "comments.toml"
    path.write_text(content, encoding="utf-8")
    code, _, err = call(
        capsys, "report", "records", "--store", store, "--out", tmp_path / "o", "--comments", path
    )
    assert code == 2 and message in err and "comments.toml" in err and err.count("\n") == 1


def test_table_of_limits_that_is_wrong_is_named(capsys, tmp_path, store) -> None:
    path = tmp_path / "limits.toml"
    path.write_text('[[limit]]\nstep = "lifter_gap"\nengine_type = "*"\nunit = "mm"\n', encoding="utf-8")
    code, _, err = call(
        capsys, "report", "records", "--store", store, "--out", tmp_path / "o", "--limits", path
    )
    assert code == 2 and "limits.toml: row 1" in err and err.count("\n") == 1


def test_fault_of_ours_is_exit_code_1_without_traceback(capsys, tmp_path, store, monkeypatch) -> None:
    from ventbook.run import runner

    def break_down(*_, **__):
        raise RuntimeError("the well\nran dry")

    monkeypatch.setattr(runner, "open_page", break_down)
    code, _, err = call(capsys, "report", "records", "--store", store, "--out", tmp_path / "o")
    assert code == 1
    assert err == "ventbook: fault in ventbook: RuntimeError: the well ran dry\n"


def test_report_and_verify_on_the_command_line(capsys, tmp_path, store, monkeypatch) -> None:
    from ventbook.run import runner, verify

    notebooks = make_notebook(tmp_path / "notebooks").parent
    monkeypatch.setattr(
        runner.plan_reports, "__kwdefaults__", {**runner.plan_reports.__kwdefaults__, "notebooks": notebooks}
    )
    monkeypatch.setattr(
        verify.verify_report,
        "__kwdefaults__",
        {**verify.verify_report.__kwdefaults__, "notebooks": notebooks},
    )
    code, out, err = call(
        capsys,
        "report",
        "quarterly-review",
        "--store",
        store,
        "--out",
        tmp_path / "out",
        "--period",
        "2026Q3",
    )
    assert (code, err) == (0, "")
    folder = tmp_path / "out" / "quarterly-review" / "2026Q3"
    assert f"quarterly-review: {folder / 'report.html'}" in out
    assert f"start page: {tmp_path / 'out' / 'index.html'}" in out
    code, out, err = call(capsys, "verify", folder)
    assert (code, err) == (0, "")
    assert out.startswith("the same: 3 numbers and 1 tables compared")
    (folder / "run.json").unlink()
    code, out, err = call(capsys, "verify", folder)
    assert code == 2 and "run.json is missing" in err


def test_command_of_its_own_makes_the_same_files(capsys, tmp_path, store) -> None:
    """Forked from the command's own process, or from a server where another process calls it."""

    def ask(*words: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "ventbook", "report", "records", *words]
        return subprocess.run([*command, "--store", str(store)], capture_output=True, text=True)

    done = ask("--out", str(tmp_path / "own"))
    assert done.returncode == 0, done.stderr
    assert call(capsys, "report", "records", "--out", tmp_path / "server", "--store", store)[0] == 0
    own, other = (
        json.loads(next((tmp_path / name / "records").glob("*/run.json")).read_text("utf-8"))
        for name in ("own", "server")
    )
    assert own["files"] == other["files"] and len(own["files"]) > 3
    bad = ask("--out", str(tmp_path / "bad"), "--period", "2026Q9")
    assert (bad.returncode, len(bad.stderr.splitlines())) == (2, 1), bad.stderr
    assert "2026Q9" in bad.stderr and not (tmp_path / "bad").exists()


def test_unwritable_output_folder(capsys, tmp_path, store) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    code, _, err = call(capsys, "report", "records", "--store", store, "--out", blocked / "out")
    assert code == 2 and "can't be written" in err and err.count("\n") == 1


def test_lab_listens_on_this_machine_only_and_keeps_its_token() -> None:
    from ventbook.run.kernels import lab_command
    from ventbook.shipped import NOTEBOOKS

    command = lab_command(NOTEBOOKS)
    assert command[0] == sys.executable
    assert "--ServerApp.ip=127.0.0.1" in command
    assert not [word for word in command if "token" in word.lower() or "password" in word.lower()]


def test_lab_takes_a_port_and_starts_without_the_news_question() -> None:
    import json

    from ventbook.run.kernels import LAB_SETTINGS, lab_command
    from ventbook.shipped import NOTEBOOKS

    command = lab_command(NOTEBOOKS, port=9001, browser=False)
    assert {"--ServerApp.port=9001", "--ServerApp.port_retries=0", "--no-browser"} <= set(command)
    settings = json.loads((LAB_SETTINGS / "labconfig" / "default_setting_overrides.json").read_text("utf-8"))
    assert settings["@jupyterlab/apputils-extension:notification"]["fetchNews"] == "false"


def test_report_help_lists_what_set_takes_with_meanings(capsys) -> None:
    code, out, _ = call(capsys, "report", "--help")
    assert code == 0 and "--set, spongy-lifters:" in out and "only findings on lifters of this lot" in out


def test_snapshots_are_listed_with_what_came_in(capsys, store) -> None:
    code, out, _ = call(capsys, "store", "snapshots", "--store", store)
    lines = out.splitlines()
    assert code == 0 and lines[0].startswith("1  20") and "accepted" in lines[0] and "from " in lines[0]
    assert lines[-1].endswith("ventbook report --as-of NUMBER reports on an older one")


@pytest.mark.parametrize(
    ("given", "scope"),
    [
        ({}, "2026Q3"),
        ({"site": "Ridge", "units": "us"}, "2026Q3_site-Ridge_units-us"),
        ({"planned": "J7"}, "2026Q3_planned-J7"),
        ({"planned": "J8", "level": 0.9}, "2026Q3_level-0-9_planned-J8"),
        ({"as_of": 4, "limits": "/a/b/own.toml"}, "2026Q3_as-of-4_limits-own"),
    ],
)
def test_a_folders_name_holds_whatever_changes_its_content(given, scope) -> None:
    from ventbook.run.job import scope_of

    assert scope_of("planned-venting", given, "2026Q3") == scope


def test_a_long_folder_name_is_cut_and_stays_its_own() -> None:
    from ventbook.run.job import scope_of

    names = {scope_of("records", {"site": "x" * 60, "engine": "y" * 59 + last}, "2026Q3") for last in "ab"}
    assert len(names) == 2 and all(len(name) < 120 for name in names)


def test_folders_in_a_folder_are_deliveries_of_their_own(tmp_path) -> None:
    from ventbook.run.pipeline import ingest_folder

    records, said = tmp_path / "records", []
    for quarter, engines in (("2026Q2", "007,flat4,4\n"), ("2026Q1", "006,flat4,4\n005,flat4,99\n")):
        (records / quarter).mkdir(parents=True)
        (records / quarter / "engines.csv").write_text(f"engine_id,engine_type,cylinders\n{engines}")
    (records / "mapping.toml").write_text('[[source]]\nfiles = "Liste*.csv"\ntable = "engines"\n')
    (records / "Liste.csv").write_text("engine_id,engine_type,cylinders\n004,flat4,4\n")
    (records / "actions.toml").write_text("")
    store = ingest_folder(records, tmp_path / "own" / "store", say=said.append)
    heads = [line for line in said if line.endswith(":")]
    assert heads == ["2026Q1:", "2026Q2:", "loose files:"]
    assert "engines: 2 rows: 1 accepted, 0 duplicate, 0 corrected, 1 quarantined" in said
    assert (store.parent / "actions.toml").is_file()


def test_intake_tells_counts_and_what_next(capsys, tmp_path) -> None:
    engines = tmp_path / "engines.csv"
    engines.write_text("engine_id,engine_type,cylinders\n007,flat4,4\n008,flat4,99\n", encoding="utf-8")
    store = tmp_path / "store"
    code, out, err = call(capsys, "intake", engines, "--store", store, "--today", "2026-10-01", "--dry-run")
    assert (code, err) == (0, "") and "dry run: nothing was written" in out and not store.exists()
    code, out, err = call(capsys, "intake", engines, "--store", store, "--today", "2026-10-01")
    assert (code, err) == (0, "")
    assert "engines: 2 rows: 1 accepted, 0 duplicate, 0 corrected, 1 quarantined" in out
    assert f"snapshot 1 of {store}, records as of 2026-10-01" in out
    code, out, _ = call(capsys, "quarantine", "--store", store, "--out", tmp_path / "held.xlsx")
    assert code == 0 and out.startswith("1 quarantined rows in ") and (tmp_path / "held.xlsx").is_file()
    code, _, err = call(capsys, "withdraw", "5", "--store", store)
    assert code == 2 and "no intake 5" in err


def test_version(capsys) -> None:
    code, out, _ = call(capsys, "--version")
    assert code == 0 and out.startswith("ventbook ")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="needs a user without full rights")
def test_folder_without_rights(capsys, tmp_path, store) -> None:
    folder = tmp_path / "locked"
    folder.mkdir()
    folder.chmod(0o500)
    code, _, err = call(capsys, "report", "records", "--store", store, "--out", folder / "out")
    assert code == 2 and "can't be written" in err
