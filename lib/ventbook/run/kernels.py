"""Kernels for reports, always of the running interpreter whatever is registered on the machine, and the command of a lab.

On Linux a report's kernel is forked from a process that has the libraries loaded already, which saves the seconds that every
notebook else spends on importing them; elsewhere it is started afresh. JupyterLab opens the notebooks with this interpreter as
kernel, token on, this machine only.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from jupyter_client.asynchronous import AsyncKernelClient
from jupyter_client.connect import KernelConnectionInfo
from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from jupyter_client.provisioning import LocalProvisioner
from traitlets import Type

from ventbook.run.lean import load_kernel
from ventbook.shipped import IN_CHECKOUT, NOTEBOOKS

CAN_FORK = sys.platform.startswith("linux")
WAIT_S = 0.002
SILENCE_S = 0.02
LAB_SETTINGS = Path(__file__).resolve().parents[1] / "templates" / "lab"


class ForkedProcess:
    """A forked child with the part of ``subprocess.Popen`` that a kernel provisioner uses."""

    stdin = stdout = stderr = None

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self.returncode: int | None = None

    def poll(self) -> int | None:
        if self.returncode is None:
            try:
                done, status = os.waitpid(self.pid, os.WNOHANG)
            except ChildProcessError:
                self.returncode = 0
            else:
                if done:
                    self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        end = None if timeout is None else time.monotonic() + timeout
        while self.poll() is None:
            if end is not None and time.monotonic() > end:
                raise TimeoutError(f"kernel {self.pid} still runs")
            time.sleep(0.01)
        assert self.returncode is not None
        return self.returncode

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


def fork_kernel(connection_file: Path) -> ForkedProcess:
    """Forks a kernel that begins to serve once ``connection_file`` stands.

    To be called before this process starts threads or an event loop.
    """
    pid = os.fork()
    if pid:
        return ForkedProcess(pid)
    code = 1
    try:
        os.setsid()
        _serve(connection_file)
        code = 0
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else 0
    finally:
        os._exit(code)


def _serve(connection_file: Path) -> None:
    """Runs a kernel on the given connection file, in this process, until it is told to stop."""
    parent = os.getppid()
    while not _is_complete(connection_file):
        if os.getppid() != parent:
            return
        time.sleep(WAIT_S)
    app = load_kernel().instance()
    quiet = [
        f"--IPKernelApp.parent_handle={parent}",
        "--HistoryManager.enabled=False",
        "--log-level=CRITICAL",
    ]
    app.initialize(["-f", str(connection_file), *quiet])
    app.start()


def _is_complete(connection_file: Path) -> bool:
    try:
        json.loads(connection_file.read_text("utf-8"))
    except (OSError, ValueError):
        return False
    return True


class ForkedProvisioner(LocalProvisioner):
    """Hands a kernel manager the kernel that was forked beforehand."""

    forked: ForkedProcess

    async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> KernelConnectionInfo:
        self.process = self.forked  # type: ignore[assignment]
        self.pid = self.forked.pid
        self.pgid = self.forked.pid
        return self.connection_info


class OwnClient(AsyncKernelClient):
    """A client that begins when the kernel has answered, where others first hear nothing for a fifth of a second."""

    async def wait_for_ready(self, timeout: float | None = None) -> None:
        patient = self.iopub_channel.get_msg
        self.iopub_channel.get_msg = lambda timeout: patient(timeout=SILENCE_S)
        try:
            await super().wait_for_ready(timeout=timeout)
        finally:
            del self.iopub_channel.get_msg


class OwnKernelManager(AsyncKernelManager):
    """Starts this very interpreter as the kernel; no kernel needs to be registered anywhere."""

    client_factory = Type(OwnClient, klass=AsyncKernelClient)

    # Sockets in a private folder rather than loopback ports: nothing else on the machine can listen in.
    transport = "ipc" if CAN_FORK else "tcp"

    @property
    def kernel_spec(self) -> KernelSpec:
        return KernelSpec(
            argv=[sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"],
            display_name="Python (ventbook)",
            language="python",
        )


def forked_manager(process: ForkedProcess, connection_file: Path) -> type[OwnKernelManager]:
    """A kernel manager class whose one kernel is the forked process."""

    class ForkedManager(OwnKernelManager):
        async def _async_pre_start_kernel(self, **kw: Any) -> tuple[list[str], dict[str, Any]]:
            self.connection_file = str(connection_file)
            self.ip = str(connection_file.with_suffix(""))
            provisioner = ForkedProvisioner(
                kernel_id=self.kernel_id or "ventbook", kernel_spec=self.kernel_spec, parent=self
            )
            provisioner.forked = process
            self.provisioner = provisioner
            return await super()._async_pre_start_kernel(**kw)

        async def _async_wait(self, pollinterval: float = WAIT_S) -> None:
            await super()._async_wait(WAIT_S)

    return ForkedManager


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


def lab_command(notebooks: Path, *, port: int = 0, browser: bool = True) -> list[str]:
    """The command that opens JupyterLab on a folder of notebooks; ``port`` 0 takes 8888 or the next free one."""
    chosen = [f"--ServerApp.port={port}", "--ServerApp.port_retries=0"] if port else []
    return [
        sys.executable,
        "-m",
        "jupyterlab",
        f"--ServerApp.root_dir={notebooks.parent}",
        f"--LabApp.default_url=/lab/tree/{notebooks.name}",
        "--ServerApp.ip=127.0.0.1",
        "--ServerApp.allow_remote_access=False",
        "--KernelSpecManager.ensure_native_kernel=True",
        *chosen,
        *([] if browser else ["--no-browser"]),
    ]


def open_lab(*, port: int = 0, browser: bool = True) -> int:
    """Runs JupyterLab until it is closed; returns its exit code. It asks for no news and fetches none."""
    paths = [str(LAB_SETTINGS), os.environ.get("JUPYTER_CONFIG_PATH", "")]
    environment = {
        **os.environ,
        "JUPYTER_PREFER_ENV_PATH": "1",
        "JUPYTER_CONFIG_PATH": os.pathsep.join(filter(None, paths)),
    }
    command = lab_command(working_notebooks(), port=port, browser=browser)
    return subprocess.run(command, env=environment, check=False).returncode
