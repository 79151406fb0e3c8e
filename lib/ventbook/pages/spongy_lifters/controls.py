"""Drop-downs for those who open the notebook by hand; a report that is run never shows them."""

from __future__ import annotations

import os
import sys
from typing import Any

from ventbook.pages.base import Page, open_page
from ventbook.pages.parameters import ParameterError
from ventbook.pages.show import Shown
from ventbook.pages.spongy_lifters.causes import causes
from ventbook.pages.spongy_lifters.checks import next_checks
from ventbook.pages.spongy_lifters.findings import failure_modes, findings
from ventbook.pages.spongy_lifters.front import answer
from ventbook.pages.spongy_lifters.venting import one_venting

FIELDS = ("period", "site", "engine_type", "engine", "lot", "venting")
SECTIONS = (answer, causes, failure_modes, findings, one_venting, next_checks)


def is_by_hand(page: Page) -> bool:
    """Whether a person sits at this notebook: a kernel is running it, no report is being written, nobody has said
    otherwise (VENTBOOK_CONTROLS=0), and it is not being executed for a test."""
    if page.parameters["out"] or os.environ.get("VENTBOOK_CONTROLS", "") == "0":
        return False
    if os.environ.get("VENTBOOK_CONTROLS", "") == "1":
        return True
    return (
        "ipykernel" in sys.modules
        and "JPY_SESSION_NAME" in os.environ
        and "PYTEST_CURRENT_TEST" not in os.environ
    )


def list_choices(page: Page) -> dict[str, list[str]]:
    """What each drop-down offers, the empty choice (all) first; quarters newest first."""
    jobs = page.all_jobs
    quarters = sorted(jobs["quarter"].dropna().unique().tolist(), reverse=True)
    failing = jobs[jobs["failed_first"].fillna(False).to_numpy(bool)]
    return {
        "period": ["", *quarters],
        **{
            name: ["", *sorted(map(str, jobs[column].dropna().unique()))]
            for name, column in (
                ("site", "site"),
                ("engine_type", "engine_type"),
                ("engine", "engine_id"),
                ("lot", "lifter_lot"),
            )
        },
        "venting": ["", *sorted(failing["venting_id"].tolist())],
    }


def show_again(page: Page, chosen: dict[str, str]) -> Shown:
    """The main sections for what is chosen, on a page of its own; the open page stays as it is."""
    asked = {**page.parameters, **chosen, "out": ""}
    if chosen.get("period"):
        asked |= {"since": "", "until": ""}
    try:
        other = open_page(page.name, asked)
    except ParameterError as error:
        return page.text(str(error))
    for name in (
        "records",
        "all_lifters",
        "all_jobs",
    ):  # the same snapshot and limits: no need to read it again
        other.__dict__[name] = getattr(page, name)
    shown = page.text()
    for section in SECTIONS:
        shown += section(other)
    return shown


def open_by_hand(page: Page) -> Any:
    """Drop-downs that refilter in place, where the notebook is open in front of a person; else nothing."""
    if not is_by_hand(page):
        return None
    import ipywidgets as widgets
    from IPython.display import display

    boxes = {
        name: widgets.Dropdown(
            options=[(choice or "all", choice) for choice in choices],
            value=page.parameters.get(name, "") if page.parameters.get(name, "") in choices else "",
            description=name.replace("_", " "),
        )
        for name, choices in list_choices(page).items()
    }
    out = widgets.Output()

    def refresh(_: Any) -> None:
        with out:
            out.clear_output(wait=True)
            display(show_again(page, {name: str(box.value) for name, box in boxes.items()}))

    for box in boxes.values():
        box.observe(refresh, names="value")
    return widgets.VBox([widgets.HBox(list(boxes.values())[:3]), widgets.HBox(list(boxes.values())[3:]), out])
