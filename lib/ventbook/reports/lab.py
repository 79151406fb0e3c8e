"""JupyterLab on the notebooks: this interpreter as kernel, token on, this machine only."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from ventbook.shipped import IN_CHECKOUT, NOTEBOOKS


def working_notebooks() -> Path:
    """The notebooks to open: a checkout's own; of an installed package copies in ``./notebooks``, made where missing."""
    if IN_CHECKOUT:
        return NOTEBOOKS
    folder = Path.cwd() / "notebooks"
    folder.mkdir(exist_ok=True)
    for notebook in sorted(NOTEBOOKS.glob("*.ipynb")):
        if not (folder / notebook.name).exists():
            shutil.copyfile(notebook, folder / notebook.name)
    return folder


def lab_command(notebooks: Path) -> list[str]:
    """The command that opens JupyterLab on a folder of notebooks."""
    return [
        sys.executable,
        "-m",
        "jupyterlab",
        f"--ServerApp.root_dir={notebooks.parent}",
        f"--LabApp.default_url=/lab/tree/{notebooks.name}",
        "--ServerApp.ip=127.0.0.1",
        "--ServerApp.allow_remote_access=False",
        "--KernelSpecManager.ensure_native_kernel=True",
    ]


def open_lab() -> int:
    """Runs JupyterLab until it is closed; returns its exit code."""
    environment = {**os.environ, "JUPYTER_PREFER_ENV_PATH": "1"}
    return subprocess.run(lab_command(working_notebooks()), env=environment, check=False).returncode
