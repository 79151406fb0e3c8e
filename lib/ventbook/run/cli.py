"""The command line. Each command hands its words to the library and prints what came of it; nothing is computed here.

Exit codes: 0 done; 1 a fault of ours; 2 the call or the input can't be used (one line on standard error).
Set VENTBOOK_TRACEBACK=1 to see where a fault of ours comes from.
"""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand

from ventbook.places import find_place

app = typer.Typer(
    name="ventbook",
    help="Engineering analysis workbook for venting and run-up records of dry-sump piston engines.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
store_app = typer.Typer(
    name="store", no_args_is_help=True, help="Look at a store, check it, back it up.", rich_markup_mode=None
)
app.add_typer(store_app)
STORE = "data/records/store"
trial_app = typer.Typer(
    help="Plan a trial of a change, and draw which engine gets it.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
TodayOption = Annotated[str, typer.Option("--today", help="date that counts as today; default is this day")]


def _read_place(text: str) -> Any:
    try:
        return find_place(text)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from None


def _ask_place(what: str) -> Any:
    return typer.Option(
        "--store", parser=_read_place, metavar="PLACE", help=f"{what} for the store, or s3://bucket/path"
    )


StoreOption = Annotated[Any, _ask_place("folder")]


class _Command:
    """Whether this process was started for a command, and does nothing else."""

    own = False


def main(arguments: list[str] | None = None) -> int:
    """Runs a command and returns its exit code; every error is told in a line, never with a traceback."""
    _Command.own = arguments is None
    try:
        return int(app(args=arguments, prog_name="ventbook", standalone_mode=False) or 0)
    except (KeyboardInterrupt, typer.Abort):
        return _say_error("stopped", 1)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except Exception as error:
        from ventbook.errors import InputError

        if isinstance(error, InputError) or type(error).__name__ == "TableError":
            return _say_error(str(error), 2)
        if hasattr(error, "format_message"):
            return _say_error(f"{error.format_message()} (see ventbook --help)", 2)
        if os.environ.get("VENTBOOK_TRACEBACK"):
            raise
        if isinstance(error, OSError) and error.strerror:
            return _say_error(_describe(error), 2)
        return _say_error(f"fault in ventbook: {type(error).__name__}: {' '.join(str(error).split())}", 1)


def _describe(error: OSError) -> str:
    where = f"{error.filename}: " if error.filename else ""
    if error.errno == errno.ENOSPC:
        return f"{where}no room left on the disk; make room and run again, nothing taken in before is lost"
    return f"{where}can't be read or written ({error.strerror}); check the path and your right to it, and run again"


def _say_error(message: str, code: int) -> int:
    print(f"ventbook: {message}", file=sys.stderr)
    return code


def _version(asked: bool) -> None:
    if asked:
        from ventbook import __version__

        print(f"ventbook {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="show the version and stop")
    ] = False,
) -> None:
    pass


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder to write the files into")],
    messy: Annotated[
        bool, typer.Option("--messy", help="on the workshops' own forms, with their errors")
    ] = False,
    ventings: Annotated[int, typer.Option(min=1, max=1_000_000, help="about how many ventings")] = 600,
    seed: Annotated[int | None, typer.Option(min=0, help="seed of the random draws")] = None,
    large: Annotated[
        bool, typer.Option("--large", help="drawn and written as Parquet piece by piece, without errors")
    ] = False,
    samples: Annotated[
        str,
        typer.Option(help="traces: none, some (where workshops log) or all (every venting; only --large)"),
    ] = "some",
) -> None:
    """Write the record files of an invented fleet."""
    from ventbook.demo import make_demo

    try:
        made = make_demo(folder, ventings=ventings, seed=seed, messy=messy, large=large, samples=samples)
    except OSError as error:
        from ventbook.errors import InputError

        raise InputError(f"{folder} can't be written ({error.strerror or error})") from None
    print(f"{len(made)} deliveries in {folder}")


@app.command()
def forms(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="workbook (.xlsx) or page for the stand (.html) to write")
    ],
    units: Annotated[str, typer.Option(help="metric or us: the units of a page's fields")] = "metric",
    planned: Annotated[str, typer.Option(help="planned job to fill a page ahead with")] = "",
    store: StoreOption = STORE,
) -> None:
    """Write record forms to fill in: a workbook with drop-downs, or one offline page for phone and tablet."""
    from ventbook.records.forms import write_forms

    job = None
    if planned:
        from ventbook.reports.planned_venting.form import prepare_job

        job = prepare_job(planned, store=store)
    print(write_forms(file, units=units, job=job))


@app.command()
def intake(
    files: Annotated[
        list[Path] | None, typer.Argument(metavar="FILE...", help="record files, or folders")
    ] = None,
    store: StoreOption = STORE,
    mapping: Annotated[Path | None, typer.Option(help="mapping file for your own forms")] = None,
    corrections: Annotated[Path | None, typer.Option(help="file of corrections to quarantined rows")] = None,
    today: Annotated[str, typer.Option(help="date that counts as today; default is this day")] = "",
    note: Annotated[str, typer.Option(help="what these files are, for the list of snapshots")] = "",
    jobs: Annotated[int, typer.Option(min=1, help="processes that read many files side by side")] = 1,
    cluster: Annotated[
        str,
        typer.Option(help="address of a Dask scheduler whose workers read the files and reduce the traces"),
    ] = "",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="check only, write nothing")] = False,
) -> None:
    """Read record files, check them, and commit what is good as one snapshot."""
    from ventbook.cluster import use_workers
    from ventbook.records.intake import ingest
    from ventbook.run.export import describe_alarms, describe_intake
    from ventbook.run.progress import show_steps

    with show_steps() as step, use_workers(cluster, jobs=jobs):
        result = ingest(
            list(files or []),
            store=store,
            mapping=mapping,
            today=today or None,
            dry_run=dry_run,
            corrections=corrections,
            progress=step,
            note=note,
        )
    for line in describe_intake(result, store=store):
        print(line)
    if not dry_run:
        for line in describe_alarms(store):
            print(line)


@app.command()
def limits(
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE.xlsx", help="filled-in table to take over")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="workbook to write the table into (.xlsx)")] = None,
    store: StoreOption = STORE,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="say what would change, write nothing")] = False,
) -> None:
    """Write the table of all steps for your manual's limits (--out), or take a filled-in one over (FILE.xlsx)."""
    from ventbook.errors import InputError
    from ventbook.records.intake import change_limits, export_limits
    from ventbook.run.export import describe_limits

    if (file is None) == (out is None):
        raise InputError(
            "limits: give --out FILE.xlsx to write the table, or a filled-in FILE.xlsx to take it over"
        )
    if out is not None:
        print(export_limits(out, store=store))
    elif file is not None:
        for line in describe_limits(change_limits(file, store=store, dry_run=dry_run), dry_run=dry_run):
            print(line)


@app.command()
def actions(
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE.toml", help="filled-in draft to take over")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="file to write the draft into (.toml)")] = None,
    store: StoreOption = STORE,
    period: Annotated[str, typer.Option(help="whose review proposes; default is the newest")] = "",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="say what would change, write nothing")] = False,
) -> None:
    """Draft a list of actions from what the review proposes (--out), or take a filled-in one over (FILE.toml)."""
    from ventbook.errors import InputError
    from ventbook.run.actions import take_actions, write_draft

    if (file is None) == (out is None):
        raise InputError(
            "actions: give --out FILE.toml to write a draft, or a filled-in FILE.toml to take it over"
        )
    if out is not None:
        print(write_draft(out, store=store, period=period))
    elif file is not None:
        for line in take_actions(file, store=store, dry_run=dry_run):
            print(line)


@app.command()
def gauges(
    out: Annotated[Path, typer.Option(help="file to write (.toml)")],
    store: StoreOption = STORE,
) -> None:
    """Draft the register of gauges from the records, for a person to look over and keep beside the store."""
    from ventbook.run.gauges import draft_register

    print(draft_register(out, store=store))


@app.command()
def mapping(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="your own forms")],
    out: Annotated[Path | None, typer.Option(help="file to write; default prints the draft")] = None,
) -> None:
    """Draft a mapping file for foreign forms, for a person to confirm."""
    from ventbook.records.readers import draft_mapping
    from ventbook.run.job import write_text

    draft = draft_mapping(files)
    if out is None:
        print(draft)
    else:
        print(write_text(out, draft))


@app.command()
def quarantine(
    out: Annotated[Path, typer.Option(help="workbook to write (.xlsx)")],
    store: StoreOption = STORE,
    site: Annotated[str, typer.Option(help="only rows of this site")] = "",
    as_of: Annotated[int, typer.Option(help="snapshot; 0 is the newest")] = 0,
) -> None:
    """Give quarantined rows back to the sender with the reasons."""
    from ventbook.records.intake import export_quarantine

    print(
        f"{export_quarantine(store, out, as_of=as_of or None, site=site or None)} quarantined rows in {out}"
    )


@app.command()
def withdraw(
    number: Annotated[int, typer.Argument(metavar="INTAKE", help="number of the intake")],
    store: StoreOption = STORE,
    note: Annotated[str, typer.Option(help="why")] = "",
) -> None:
    """Take back one intake; its history is kept."""
    from ventbook.records.intake import withdraw as take_back

    print(f"intake {number} withdrawn; the store is at snapshot {take_back(number, store=store, note=note)}")


class _ReportCommand(TyperCommand):
    """Help that ends with what --set takes, from the table of parameters."""

    def format_epilog(self, ctx: Any, formatter: Any) -> None:
        from ventbook.reports.parameters import report_specs
        from ventbook.run.job import describe_own

        for name in ["", *report_specs()]:
            if own := describe_own([name]):
                with formatter.section(f"--set, {name or 'any report'}"):
                    formatter.write_dl(own)


@app.command(cls=_ReportCommand)
def report(
    names: Annotated[list[str], typer.Argument(metavar="NAME...", help="report names, or all")],
    store: StoreOption = STORE,
    out: Annotated[Path, typer.Option(help="folder for the reports")] = Path("reports"),
    period: Annotated[str, typer.Option(help="2026Q3, 2026-07, 2026-07/2026-09 or 12m/2026-09")] = "",
    since: Annotated[str, typer.Option(help="first day, counted in")] = "",
    until: Annotated[str, typer.Option(help="day after the last day")] = "",
    against: Annotated[
        str, typer.Option(help="earlier period to hold the period against (quarterly-review)")
    ] = "",
    site: Annotated[str, typer.Option(help="only this site")] = "",
    engine_type: Annotated[str, typer.Option(help="only this engine type")] = "",
    engine: Annotated[str, typer.Option(help="only this engine")] = "",
    venting: Annotated[
        str, typer.Option(help="answer for this venting (spongy-lifters, its newest quarter)")
    ] = "",
    units: Annotated[str, typer.Option(help="metric or us")] = "metric",
    level: Annotated[float, typer.Option(help="confidence level of intervals")] = 0.95,
    as_of: Annotated[int, typer.Option(help="snapshot to report on; 0 is the newest")] = 0,
    limits: Annotated[
        str, typer.Option(help="your table of limits; default is limits.toml beside the store")
    ] = "",
    comments: Annotated[Path | None, typer.Option(help="file of your own comments (TOML)")] = None,
    paper: Annotated[str, typer.Option(help="a4 or letter; default follows the units")] = "",
    other: Annotated[
        list[str] | None, typer.Option("--set", metavar="NAME=VALUE", help="another parameter")
    ] = None,
    jobs: Annotated[int, typer.Option(min=1, help="reports to make side by side")] = 2,
    cluster: Annotated[
        str, typer.Option(help="address of a Dask scheduler whose workers make the reports")
    ] = "",
    timeout: Annotated[int, typer.Option(min=1, help="seconds that one cell may take")] = 900,
) -> None:
    """Run reports: HTML, PDF, workbook, executed notebook and numbers in OUT/NAME/SCOPE/."""
    from ventbook.run.processes import be_forked

    if _Command.own and not cluster and isinstance(store, Path):
        be_forked()
    from ventbook.run.job import read_settings

    given: dict[str, Any] = {
        "store": str(store),
        "period": period,
        "since": since,
        "until": until,
        "site": site,
    }
    given |= {"engine_type": engine_type, "engine": engine, "units": units}
    given |= {"venting": venting} if venting else {}
    given |= {"against": against} if against else {}
    given |= {"level": level, "as_of": as_of, "limits": limits, **read_settings(names, other or [])}
    raise typer.Exit(
        _report(
            names,
            given,
            out=out,
            jobs=jobs,
            comments=comments,
            paper=paper,
            cell_timeout_s=timeout,
            cluster=cluster,
        )
    )


def _report(names: list[str], given: dict[str, Any], *, out: Path, jobs: int, **more: Any) -> int:
    from ventbook.reports.parameters import report_specs
    from ventbook.run.progress import show_progress
    from ventbook.run.runner import run_reports

    asked = list(report_specs()) if names == ["all"] else names
    with show_progress(asked) as on_progress:
        outcomes = run_reports(names, given, out=out, jobs=jobs, on_progress=on_progress, **more)
    for outcome in outcomes:
        if outcome.done:
            print(f"{outcome.name}: {outcome.folder / 'report.html'} ({outcome.seconds:.1f} s)")
        else:
            kept = f"; half-run notebook: {outcome.kept}" if outcome.kept else ""
            _say_error(f"{outcome.name}: {outcome.message}{kept}", outcome.code)
    print(f"start page: {(out / 'index.html').resolve()}")
    codes = {outcome.code for outcome in outcomes}
    return 1 if 1 in codes else max(codes)


@app.command()
def export(
    notebook: Annotated[Path, typer.Argument(metavar="NOTEBOOK.ipynb", help="an executed notebook")],
    out: Annotated[Path, typer.Option(help="folder to write")],
    comments: Annotated[Path | None, typer.Option(help="file of your own comments (TOML)")] = None,
    paper: Annotated[str, typer.Option(help="a4 or letter; default follows the units")] = "",
) -> None:
    """Make HTML, PDF, workbook and numbers of an executed notebook, without running it again."""
    from ventbook.run.export import export_notebook

    print(export_notebook(notebook, out, comments=comments, paper=paper))


@app.command()
def verify(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder of one finished report")],
    store: Annotated[str, typer.Option(help="the store, where it has moved")] = "",
    limits: Annotated[str, typer.Option(help="the table of limits, where it has moved")] = "",
    comments: Annotated[Path | None, typer.Option(help="the comments file, where it has moved")] = None,
) -> None:
    """Make a finished report again from its stamp and compare every number."""
    from ventbook.run.verify import verify_report

    verdict = verify_report(folder, store=store, limits=limits, comments=comments)
    for line in verdict.lines():
        print(line)
    raise typer.Exit(0 if verdict.same else 1)


@app.command()
def lab(
    port: Annotated[int, typer.Option(min=0, max=65535, help="port on this machine; 0 takes a free one")] = 0,
    browser: Annotated[bool, typer.Option(help="open a browser window")] = True,
) -> None:
    """Open the notebooks in JupyterLab, for this machine only."""
    from ventbook.run.kernels import open_lab

    raise typer.Exit(open_lab(port=port, browser=browser))


@app.command()
def comments(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder of one finished report")],
    out: Annotated[Path | None, typer.Option(help="file to write; default prints the draft")] = None,
) -> None:
    """Draft a file of your own comments on a report: every section with its anchor, to be filled in."""
    from ventbook.run.export import draft_comments
    from ventbook.run.job import write_text

    draft = draft_comments(folder)
    print(draft if out is None else write_text(out, draft))


@store_app.command()
def snapshots(store: StoreOption = STORE) -> None:
    """List the snapshots: number, date, what came in, note."""
    from ventbook.records.store import open_store
    from ventbook.run.export import describe_snapshots

    for line in describe_snapshots(open_store(store).snapshots()):
        print(line)


app.add_typer(trial_app, name="trial")


@trial_app.command("plan")
def trial_plan(
    name: Annotated[str, typer.Argument(metavar="NAME", help="name of the trial, as in tank-pressure")],
    question: Annotated[str, typer.Option(help="what the trial asks, in a sentence")],
    change: Annotated[str, typer.Option(help="what is done otherwise where the change is drawn")],
    agreed: Annotated[str, typer.Option(help="licensed person who agreed to the plan; kept as a code")],
    outcome: Annotated[
        str, typer.Option(help="spongy_lifter, gap, rotations, rotations_ratio or seconds")
    ] = ("spongy_lifter"),
    step: Annotated[
        list[str] | None, typer.Option("--step", metavar="NAME=VALUE", help="a step that the change sets")
    ] = None,
    no_step: Annotated[
        bool, typer.Option("--no-step", help="the change sets no step that has a limit")
    ] = False,
    planned: Annotated[
        float | None, typer.Option(help="effect to find: odds, or numbers, with the change over as before")
    ] = None,
    strata: Annotated[
        str, typer.Option(help="inside what the draw is balanced: site,engine_type")
    ] = "site,engine_type",
    share: Annotated[
        float | None, typer.Option(help="failing as before, where the records don't say")
    ] = None,
    store: StoreOption = STORE,
    today: TodayOption = "",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="say what it takes, write nothing")] = False,
) -> None:
    """Plan a trial: what it takes here, the plan to read, and the sealed list. Nothing outside the limits in force."""
    from ventbook.reports import open_page
    from ventbook.reports.trial.planning import Question, plan_trial

    asked = Question(
        name=name,
        question=question,
        change=change,
        agreed=agreed,
        outcome=outcome,
        steps=tuple(step or ()),
        no_step=no_step,
        planned=planned,
        strata=tuple(part.strip() for part in strata.split(",") if part.strip()),
        share=share,
    )
    for line in plan_trial(
        open_page("trial", {"store": str(store)}), asked, day=_read_today(today), dry_run=dry_run
    ):
        print(line)


@trial_app.command("next")
def trial_next(
    name: Annotated[str, typer.Argument(metavar="NAME", help="name of the trial")],
    engine: Annotated[str, typer.Option(help="number of the engine to be vented")],
    committed: Annotated[
        bool, typer.Option("--committed", help="the engine stands ready and is vented whichever way is drawn")
    ] = False,
    site: Annotated[str, typer.Option(help="where it is vented; default is where it was last")] = "",
    store: StoreOption = STORE,
    today: TodayOption = "",
) -> None:
    """Draw the next assignment, for one engine."""
    from ventbook.reports import open_page
    from ventbook.reports.trial.planning import give_assignment

    page = open_page("trial", {"store": str(store)})
    for line in give_assignment(
        page, name, engine_id=engine, committed=committed, day=_read_today(today), site=site
    ):
        print(line)


def _read_today(today: str) -> Any:
    import datetime as dt

    from ventbook.errors import InputError

    try:
        return dt.date.fromisoformat(today) if today else dt.date.today()
    except ValueError:
        raise InputError(f"--today must be a date like 2026-07-01; got {today!r}") from None


@store_app.command()
def check(
    store: StoreOption = STORE,
    prune: Annotated[bool, typer.Option("--prune", help="clear what no snapshot names")] = False,
    older_than: Annotated[float, typer.Option(min=0, help="hours that it must be old")] = 24.0,
    reports: Annotated[
        Path | None, typer.Option(help="with --prune: clear leftovers of killed reports in this folder too")
    ] = None,
) -> None:
    """Hold every file of a store against its size and SHA-256; exit code 1 where one is damaged."""
    from ventbook.records.store import check_store, prune_store
    from ventbook.run.names import clear_leftovers

    found = check_store(store)
    for line in found.lines():
        print(line)
    if prune:
        gone = prune_store(store, older_than_h=older_than)
        print(f"{len(gone)} files cleared from the store")
        if reports is not None:
            print(f"{len(clear_leftovers(reports, older_than_h=older_than))} folders cleared from {reports}")
    raise typer.Exit(1 if found.damages else 0)


@store_app.command()
def backup(
    out: Annotated[Path, typer.Option(help="file to write (.zip)")],
    store: StoreOption = STORE,
    with_key: Annotated[bool, typer.Option("--with-key", help="put the key of the names in as well")] = False,
) -> None:
    """Write a store with all snapshots and the registers beside it into one file."""
    from ventbook.records.store import back_up

    for line in back_up(store, out, with_key=with_key).lines():
        print(line)


@store_app.command()
def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="a backup")],
    store: Annotated[Any, _ask_place("new folder")],
) -> None:
    """Bring a backup back into a new folder; everything is verified on the way."""
    from ventbook.records.store import restore_backup

    for line in restore_backup(file, store).lines():
        print(line)


@store_app.command("new-key")
def new_key(store: StoreOption = STORE) -> None:
    """Make another key of the technicians' codes for a store whose own is lost for good."""
    from ventbook.records.privacy import make_key
    from ventbook.records.store import open_store

    make_key(open_store(store).path)
    print(f"{store}: a new key; the same person gets another code from the next intake on")


@app.command(hidden=True)
def make_reports(
    records: Annotated[
        Path | None, typer.Option(help="folder of your record files; without it, the demo")
    ] = None,
    store: Annotated[Any, _ask_place("with --records: folder")] = None,
    period: Annotated[str, typer.Option()] = "",
    out: Annotated[Path, typer.Option()] = Path("reports"),
    jobs: Annotated[int, typer.Option(min=1)] = 2,
    cluster: Annotated[str, typer.Option()] = "",
) -> None:
    """Take records in and make all reports of them (what make report calls)."""
    from ventbook.cluster import use_workers
    from ventbook.run.job import check_writable
    from ventbook.run.pipeline import ingest_folder, make_demo_store

    check_writable(out)
    with use_workers(cluster):
        made = ingest_folder(records, store) if records is not None else make_demo_store()
    given = {"store": str(made), "period": period}
    raise typer.Exit(_report(["all"], given, out=out, jobs=jobs, cluster=cluster))


@app.command(hidden=True)
def make_example(
    out: Annotated[Path, typer.Option(help="folder of finished reports")] = Path("reports"),
    example: Annotated[Path, typer.Option(help="folder to write")] = Path("reports/example"),
) -> None:
    """Refresh the example and the README's pictures from finished reports."""
    from ventbook.run.pipeline import make_example as write_example

    for path in write_example(out, example):
        print(path)


if __name__ == "__main__":
    sys.exit(main())
