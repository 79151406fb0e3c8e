"""The main job with the network taken away, kernels over files, JupyterLab on this machine's own address with its token."""

import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from ventbook.run import kernels

ENGINES = "engine_id,engine_type,cylinders\nE1,flat4,4\nE2,flat4,4\n"
VENTINGS = (
    "venting_id,engine_id,date,site,technician,reason,rotations,rotations_counted_at,pressure_shown\n"
    + "".join(
        f"V{n},E{1 + n % 2},2026-0{7 + n % 3}-1{n},Harbour,Zebedee Quux,oil_change,{40 + n},crankshaft,yes\n"
        for n in range(9)
    )
)
# Whoever wants to talk to or be talked to over a network is refused, and the attempt is written down.
REFUSING = """
import os, socket
real = socket.socket
def refuse(*words, **_):
    with open(os.environ["ATTEMPTS"], "a") as file:
        file.write(repr(words) + chr(10))
    raise OSError("no network here")
def guard(name):
    def call(self, *args):
        return getattr(real, name)(self, *args) if self.family == socket.AF_UNIX else refuse(name, *args)
    return call
socket.socket = type("Refusing", (real,), {n: guard(n) for n in ("connect", "connect_ex", "sendto", "listen")})
socket.getaddrinfo = socket.create_connection = refuse
"""


def can_unshare():
    """Whether a process may be given a namespace without any network, not even loopback."""
    tool = shutil.which("unshare")
    if tool is None:
        return False
    return subprocess.run([tool, "-r", "-n", "true"], capture_output=True, check=False).returncode == 0


def do_main_job(folder, before=(), **environment):
    """Intake and one report as the command line does them; the report's folder."""
    (folder / "engines.csv").write_text(ENGINES)
    (folder / "ventings.csv").write_text(VENTINGS)
    base = [*before, sys.executable, "-m", "ventbook"]
    store = ["--store", str(folder / "store")]
    files = [str(folder / "engines.csv"), str(folder / "ventings.csv")]
    for words in (
        ["intake", *files, *store, "--today", "2026-10-01"],
        ["report", "records", *store, "--out", str(folder / "out")],
    ):
        done = subprocess.run(
            [*base, *words],
            capture_output=True,
            text=True,
            env={**os.environ, **environment},
            check=False,
            timeout=900,
        )
        assert done.returncode == 0, done.stderr[-3000:]
    (report,) = (folder / "out" / "records").iterdir()
    assert {"report.html", "report.pdf", "report.ipynb", "findings.json"} <= {
        path.name for path in report.iterdir()
    }
    return report


@pytest.mark.long  # the next one says more where it can run
def test_intake_and_report_talk_to_nobody(tmp_path):
    """Nothing is connected to, listened on or looked up by name."""
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "sitecustomize.py").write_text(REFUSING)
    path = os.pathsep.join(filter(None, [str(tmp_path / "site"), os.environ.get("PYTHONPATH", "")]))
    attempts = tmp_path / "attempts"
    probe = [sys.executable, "-c", "import socket; socket.socket().connect(('127.0.0.1', 9))"]
    environment = {**os.environ, "PYTHONPATH": path, "ATTEMPTS": str(attempts)}
    assert subprocess.run(
        probe, env=environment, capture_output=True, check=False
    ).returncode  # the refusal is in force
    attempts.unlink()
    if kernels.CAN_FORK:
        do_main_job(tmp_path, PYTHONPATH=path, ATTEMPTS=str(attempts))
        assert not attempts.exists(), attempts.read_text()


@pytest.mark.skipif(not can_unshare(), reason="no namespace without a network here")
def test_intake_and_report_in_a_namespace_without_any_network(tmp_path):
    """Not even loopback is there: kernels talk over files."""
    do_main_job(tmp_path, ["unshare", "-r", "-n"])


@pytest.mark.skipif(not kernels.CAN_FORK, reason="kernels over files where the system has them")
def test_kernels_talk_over_files_in_a_private_folder(tmp_path):
    assert kernels.OwnKernelManager.transport == "ipc"
    assert kernels.OwnKernelManager().transport == "ipc"


def listening(port):
    """Addresses on which a port is listened on, as the system's table has them."""
    found = []
    for table in ("/proc/net/tcp", "/proc/net/tcp6"):
        for line in Path(table).read_text().splitlines()[1:] if Path(table).exists() else ():
            local, state = line.split()[1], line.split()[3]
            if state == "0A" and int(local.split(":")[1], 16) == port:
                found.append(local.split(":")[0])
    return found


@pytest.mark.long
@pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="no table of sockets")
def test_jupyterlab_answers_on_loopback_only_and_asks_for_its_token(tmp_path):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    code = (
        f"from ventbook.run.kernels import open_lab; raise SystemExit(open_lab(port={port}, browser=False))"
    )
    (tmp_path / "jupyter_server_config.json").write_text('{"ServerApp": {"allow_root": true}}')
    run = subprocess.Popen(
        [sys.executable, "-c", code], cwd=tmp_path, env={**os.environ, "JUPYTER_CONFIG_DIR": str(tmp_path)}, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        start_new_session=True,
    )  # fmt: skip
    try:
        begun = time.monotonic()
        while not listening(port):
            assert run.poll() is None and time.monotonic() - begun < 120
            time.sleep(0.2)
        assert listening(port) == ["0100007F"]
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/api/contents", timeout=30)
        assert refused.value.code == 403 and "ipynb" not in json.dumps(refused.value.read().decode())
        refused.value.close()
    finally:
        os.killpg(run.pid, 15)
        run.communicate(timeout=60)
