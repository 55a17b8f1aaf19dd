"""SLURM on this machine alone: munged, slurmctld and slurmd on loopback, started and stopped by id.

    .venv/bin/python tests/cluster/slurm.py        # runs until a line is read, then stops them

Needs root and Debian's packages ``slurm-wlm`` and ``munge``. A job's own ``srun`` looks for its
settings in /etc/slurm/slurm.conf and nowhere else, so a machine that has that file is left alone.
"""

from __future__ import annotations

import os
import secrets
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

SETTINGS = Path("/etc/slurm/slurm.conf")
PROGRAMS = ("munged", "slurmctld", "slurmd", "sbatch", "srun", "squeue", "scancel", "scontrol")
START_S, STOP_S = 30, 30

# No cgroups, no accounting, no address but loopback: what needs no service manager.
TEXT = """\
ClusterName=loopback
SlurmctldHost={host}(127.0.0.1)
SlurmUser=root
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket
CommunicationParameters=NoCtldInAddrAny,NoInAddrAny
SlurmctldPort={controller_port}
SlurmdPort={node_port}
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
MpiDefault=none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core_Memory
SchedulerParameters=sched_interval=1
ReturnToService=2
MinJobAge=3600
NodeName={host} NodeAddr=127.0.0.1 CPUs={cores} RealMemory={memory_mb} State=UNKNOWN
PartitionName=day Nodes={host} Default=YES MaxTime=INFINITE State=UP
"""


def why_not() -> str:
    """Why SLURM cannot be started here; empty where it can."""
    # Daemons lie in /usr/sbin, which is not everybody's to look into.
    missing = [name for name in PROGRAMS if not shutil.which(name, path=f"{os.environ['PATH']}:/usr/sbin")]
    if missing:
        return f"no {', '.join(missing)} here: install slurm-wlm and munge"
    if os.geteuid():
        return "starting SLURM takes root"
    if SETTINGS.exists():
        return f"{SETTINGS} is there already: this machine's own SLURM is left alone"
    return ""


@contextmanager
def slurm() -> Iterator[Path]:
    """A SLURM with one node, idle; its folder with the logs. Whatever was started is stopped again."""
    folder = Path(tempfile.mkdtemp(prefix="slurm-", dir="/tmp"))
    with ExitStack() as stack:
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        _munge(folder, stack)
        SETTINGS.parent.mkdir(parents=True, exist_ok=True)
        SETTINGS.write_text(
            TEXT.format(
                folder=folder,
                host=socket.gethostname(),
                cores=os.cpu_count(),
                memory_mb=_memory_mb(),
                controller_port=_free_port(),
                node_port=_free_port(),
            )
        )
        stack.callback(SETTINGS.unlink)
        (folder / "state").mkdir()
        (folder / "spool").mkdir()
        _start(["slurmctld", "-D", "-i"], folder, stack)
        _start(["slurmd", "-D"], folder, stack)
        _wait(lambda: "idle" in _output_of("sinfo", "--noheader", "--format=%T"), "an idle node", folder)
        stack.callback(_cancel_all)
        yield folder


def _munge(folder: Path, stack: ExitStack) -> None:
    key = folder / "munge.key"
    key.write_bytes(secrets.token_bytes(128))
    key.chmod(0o400)
    folder.chmod(0o755)
    named = [
        f"--{name}={folder}/munge.{name.split('-')[0]}"
        for name in ("socket", "pid-file", "log-file", "seed-file", "key-file")
    ]
    _start(["munged", "--foreground", "--force", *named], folder, stack)
    _wait((folder / "munge.socket").exists, "a socket of munged", folder)


def _start(command: list[str], folder: Path, stack: ExitStack) -> None:
    """A daemon in the foreground, ended when ``stack`` unwinds."""
    output = stack.enter_context((folder / f"{command[0]}.out").open("w"))
    path = shutil.which(command[0], path=f"{os.environ['PATH']}:/usr/sbin")
    started = subprocess.Popen([str(path), *command[1:]], stdout=output, stderr=output, cwd="/")
    stack.callback(_stop, started)


def _stop(started: subprocess.Popen[bytes]) -> None:
    started.terminate()
    try:
        started.wait(STOP_S)
    except subprocess.TimeoutExpired:
        started.kill()
        started.wait()


def _cancel_all() -> None:
    """Jobs outlive the daemons unless they are cancelled first."""
    subprocess.run(["scancel", "--user=root"], check=False, capture_output=True)
    give_up = time.monotonic() + STOP_S
    while _output_of("squeue", "--noheader", "--states=running,completing") and time.monotonic() < give_up:
        time.sleep(0.2)


def _output_of(*command: str) -> str:
    return subprocess.run(command, capture_output=True, text=True, check=False).stdout.strip()


def _wait(ready: Callable[[], object], what: str, folder: Path) -> None:
    give_up = time.monotonic() + START_S
    while not ready():
        if time.monotonic() > give_up:
            logs = [*folder.glob("*.log"), *folder.glob("*.out")]
            last = "\n".join(f"{log.name}: {log.read_text()[-2000:]}" for log in logs)
            raise TimeoutError(f"no {what} after {START_S} s\n{last}")
        time.sleep(0.1)


def _memory_mb() -> int:
    """Four fifths of this machine's memory."""
    return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") * 4 // 5 // 1_000_000


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


if __name__ == "__main__":
    if reason := why_not():
        raise SystemExit(reason)
    with slurm() as logs:
        input(f"SLURM runs, its logs are in {logs}; return ends it. ")
