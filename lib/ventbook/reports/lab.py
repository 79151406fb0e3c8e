"""JupyterLab on the notebooks: this interpreter as kernel, token on, this machine only."""

from __future__ import annotations

import os
import subprocess
import sys

from .task import NOTEBOOKS


def lab_command() -> list[str]:
    """The command that opens JupyterLab."""
    return [
        sys.executable,
        "-m",
        "jupyterlab",
        f"--ServerApp.root_dir={NOTEBOOKS.parent}",
        f"--LabApp.default_url=/lab/tree/{NOTEBOOKS.name}",
        "--ServerApp.ip=127.0.0.1",
        "--ServerApp.allow_remote_access=False",
        "--KernelSpecManager.ensure_native_kernel=True",
    ]


def open_lab() -> int:
    """Runs JupyterLab until it is closed; returns its exit code."""
    environment = {**os.environ, "JUPYTER_PREFER_ENV_PATH": "1"}
    return subprocess.run(lab_command(), env=environment, check=False).returncode
