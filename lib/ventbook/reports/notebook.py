"""Executed notebooks: tidied so that they come out the same every time, and read section by section."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import nbformat

_HEADING = re.compile(r"^(#{1,4})\s+(.+?)\s*#*\s*$", re.MULTILINE)


def heading_before(notebook: Any, index: int) -> str:
    """The last heading at or above a cell, as plain text; empty if there is none."""
    for cell in reversed(notebook.cells[: index + 1]):
        if cell.cell_type == "markdown" and (found := _HEADING.findall(cell.source)):
            return re.sub(r"[*_`]", "", found[-1][1])
    return ""


def tidy_notebook(path: Path, parameters: dict[str, Any]) -> Any:
    """Takes run times, process numbers and working folders out of an executed notebook, and returns it.

    ``parameters`` are what the notebook was run with, as a reader shall see them (paths of this machine left out).
    """
    notebook = nbformat.read(path, as_version=4)
    notebook.metadata.pop("papermill", None)
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    version = notebook.metadata.get("language_info", {}).get("version")
    notebook.metadata["language_info"] = (
        {"name": "python", "version": version} if version else {"name": "python"}
    )
    for number, cell in enumerate(notebook.cells):
        cell["id"] = f"cell-{number}"
        for key in ("papermill", "execution"):
            cell.metadata.pop(key, None)
        if cell.cell_type == "code":
            if "injected-parameters" in cell.metadata.get("tags", []):
                lines = [f"{name} = {value!r}" for name, value in parameters.items()]
                cell.source = "\n".join(["# what this report was asked for", *lines])
            cell.outputs = [_tidy_output(output) for output in cell.outputs]
    nbformat.write(notebook, path)
    return notebook


def _tidy_output(output: Any) -> Any:
    output.get("metadata", {}).clear()
    output.pop("transient", None)
    return output
