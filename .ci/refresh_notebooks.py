"""Runs every notebook on the demo fleet and keeps what it says, pictures aside, so that the tests can compare it.

The bytes of a picture and the blocks behind what is shown are left out (the numbers in them are tested elsewhere), so
that notebooks stay small.
"""

import re
import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient

from ventbook.document import MEDIA
from ventbook.run.notebook import tidy_notebook
from ventbook.run.pipeline import make_demo_store

FOLDER = Path(__file__).resolve().parents[1] / "notebooks"
PICTURE = re.compile(r"data:image/svg\+xml;base64,[A-Za-z0-9+/=]+")


def refresh(path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    ids = [cell["id"] for cell in notebook.cells]
    where = {"metadata": {"path": str(FOLDER)}}
    NotebookClient(notebook, timeout=600, kernel_name="python3", resources=where).execute()
    tidy_notebook(notebook, {})
    for cell, name in zip(notebook.cells, ids, strict=True):
        cell["id"] = name
        for output in cell.get("outputs", []):
            for kind in (MEDIA, "image/png"):
                output.get("data", {}).pop(kind, None)
            if "text/html" in output.get("data", {}):
                output["data"]["text/html"] = PICTURE.sub(
                    "data:image/svg+xml;base64,AA==", output["data"]["text/html"]
                )
    notebook.metadata.pop("widgets", None)
    nbformat.write(notebook, path)


if __name__ == "__main__":
    make_demo_store()
    chosen = sys.argv[1:] or sorted(p.name for p in FOLDER.glob("*.ipynb"))
    for name in chosen:
        refresh(FOLDER / name)
        print(name)
