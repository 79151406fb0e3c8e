"""Executed notebooks: tidied so that they come out the same every time, and read section by section."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from ventbook.document import MEDIA, Block
from ventbook.document.blocks import Closing
from ventbook.document.codec import decode_blocks, encode_blocks
from ventbook.document.findings import PLACES

from .task import bare_path

_WARNING = re.compile(r"^(\S.*?):(\d+): (\w*Warning: .*)$", re.MULTILINE)
_HEADING = re.compile(r"^(#{1,4})\s+(.+?)\s*#*\s*$", re.MULTILINE)


def heading_before(notebook: Any, index: int) -> str:
    """The last heading at or above a cell, as plain text; empty if there is none."""
    for cell in reversed(notebook.cells[: index + 1]):
        if cell.cell_type == "markdown" and (found := _HEADING.findall(cell.source)):
            return re.sub(r"[*_`]", "", found[-1][1])
    return ""


def tidy_notebook(notebook: Any, parameters: Mapping[str, Any]) -> None:
    """Takes run times, process numbers, warnings and places on this machine out of an executed notebook, in place.

    ``parameters`` are what the notebook was run with; of their paths, and of those in its blocks, the part that
    :func:`~ventbook.reports.task.bare_path` shows is kept.
    """
    shown = _bare(parameters)
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
                lines = [f"{name} = {value!r}" for name, value in shown.items()]
                cell.source = "\n".join(["# what this report was asked for", *lines])
            cell.outputs = [_tidy_output(output) for output in cell.outputs if not is_stderr(output)]


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
    data = output.get("data", {})
    if MEDIA in data:
        blocks = decode_blocks(data[MEDIA])
        if any(isinstance(block, Closing) for block in blocks):
            data[MEDIA] = encode_blocks(map(_without_places, blocks))
    return output


def _without_places(block: Block) -> Block:
    if not isinstance(block, Closing):
        return block
    return replace(block, stamp={**block.stamp, "parameters": _bare(block.stamp["parameters"])})


def _bare(parameters: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: bare_path(value) if name in PLACES and value else value for name, value in parameters.items()
    }
