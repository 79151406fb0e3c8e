"""Runs jobs on a store in forked children that are killed at a given write, or run out of room; one JSON line each way.

Started once, so that the libraries are loaded once. ``{"job": ..., "step": n, "room": bytes}``: the child dies before write
number ``step`` (none: it doesn't), and no file of it may grow beyond ``room`` bytes. The answer says how it ended.
"""

import json
import os
import resource
import signal
import sys
import traceback

from ventbook.errors import InputError
from ventbook.records import intake
from ventbook.records import store as st
from ventbook.records.store import backup, delta, proof, snapshots, writing


def die_at(step):
    """Make the process kill itself before the write number ``step`` of those that change anything on the disk."""
    left = [step]

    def dying(real):
        def call(*args, **kwargs):
            left[0] -= 1
            if left[0] < 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return real(*args, **kwargs)

        return call

    for module, name in (
        *(
            (delta, name)
            for name in ("write_file", "commit_files", "create_table", "restore_version", "new_file")
        ),
        *((module, "measure_file") for module in (proof, writing, backup)),
        *((module, "sync_folder") for module in (proof, writing, backup)),
        (snapshots, "write_mark"),
        (backup, "_unpack_one"),
        (backup, "_put_beside"),
        (os, "fsync"),
    ):
        setattr(module, name, dying(getattr(module, name)))


def run(job):
    """Do the job; what came of it."""
    store = job.get("store")
    if job["job"] == "intake":
        return intake.ingest(job["files"], store=store, today=job.get("today", "2026-11-01")).number
    if job["job"] == "withdraw":
        return intake.withdraw(job["number"], store=store)
    if job["job"] == "backup":
        return st.back_up(store, job["out"]).snapshot
    if job["job"] == "restore":
        return st.restore_backup(job["file"], store).snapshot
    raise ValueError(job["job"])


def child(job, out):
    """The forked child: ends with os._exit whatever happens."""
    said = {}
    try:
        if "room" in job:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(
                resource.RLIMIT_FSIZE, (job["room"], resource.getrlimit(resource.RLIMIT_FSIZE)[1])
            )
        if job.get("step") is not None:
            die_at(job["step"])
        said = {"number": run(job)}
    except InputError as error:
        said = {"error": str(error)}
    except BaseException:
        said = {"fault": traceback.format_exc()}
    os.write(out, json.dumps(said).encode())
    os._exit(0)


def main():
    for line in sys.stdin:
        job = json.loads(line)
        read, write = os.pipe()
        pid = os.fork()
        if not pid:
            os.close(read)
            child(job, write)
        os.close(write)
        with os.fdopen(read) as pipe:
            text = pipe.read()
        _, status = os.waitpid(pid, 0)
        killed = os.WIFSIGNALED(status)
        print(json.dumps({"killed": killed, **(json.loads(text) if text else {})}), flush=True)


if __name__ == "__main__":
    main()
