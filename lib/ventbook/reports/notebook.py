"""Executed notebooks: tidied so that they come out the same every time, and read section by section."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import nbformat

_WARNING = re.compile(r"^(\S.*?):(\d+): (\w*Warning: .*)$", re.MULTILINE)
_HEADING = re.compile(r"^(#{1,4})\s+(.+?)\s*#*\s*$", re.MULTILINE)


def heading_before(notebook: Any, index: int) -> str:
    """The last heading at or above a cell, as plain text; empty if there is none."""
    for cell in reversed(notebook.cells[: index + 1]):
        if cell.cell_type == "markdown" and (found := _HEADING.findall(cell.source)):
            return re.sub(r"[*_`]", "", found[-1][1])
    return ""


def tidy_notebook(path: Path, parameters: dict[str, Any]) -> tuple[Any, list[str]]:
    """Takes run times, process numbers and working folders out of an executed notebook.

    Returns the notebook and the warnings that its cells gave.

    ``parameters`` are what the notebook was run with, as a reader shall see them (paths of this machine left out).
    """
    notebook = nbformat.read(path, as_version=4)
    warned = list_warnings(notebook)
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
            cell.outputs = [_tidy_output(output) for output in cell.outputs if not is_stderr(output)]
    nbformat.write(notebook, path)
    return notebook, warned


def is_stderr(output: Any) -> bool:
    """Whether an output is what a cell wrote to standard error (warnings, with paths of this machine in them)."""
    return bool(output.output_type == "stream" and output.name == "stderr")


def list_warnings(notebook: Any) -> list[str]:
    """Warnings that the notebook's cells gave: file (its last name), line and message."""
    said = []
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            if is_stderr(output):
                found = _WARNING.findall(output.text)
                said += [f"{Path(file).name}:{line}: {message}" for file, line, message in found]
    return said


def _tidy_output(output: Any) -> Any:
    output.get("metadata", {}).clear()
    output.pop("transient", None)
    return output
