"""Progress of a run: bars with time left on a terminal, one line a finished report elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ventbook.run.runner import OnProgress


@contextmanager
def show_progress(names: Sequence[str]) -> Iterator[OnProgress]:
    """Gives a listener for ``run_reports``; draws on standard error, and only where that is a terminal."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda name, what, share: None
        return
    columns = (
        TextColumn("{task.fields[name]:<20}"),
        BarColumn(bar_width=24),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
        TextColumn("{task.description}"),
    )
    # no thread that draws by itself: this process may be forked
    with Progress(*columns, console=console, transient=True, auto_refresh=False) as progress:
        bars = {name: progress.add_task("waiting", total=1.0, name=name, start=False) for name in names}

        def on_progress(name: str, what: str, share: float) -> None:
            if not progress.tasks[bars[name]].started:
                progress.start_task(bars[name])
            progress.update(bars[name], completed=share, description=what[:50], refresh=True)

        yield on_progress


@contextmanager
def show_steps() -> Iterator[Callable[[str], None]]:
    """Gives a listener for single steps without a known end; draws only where standard error is a terminal."""
    from rich.console import Console

    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda step: None
        return
    with console.status("reading") as status:
        yield lambda step: status.update(step[:70])
