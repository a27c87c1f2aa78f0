"""A night on a real Dask cluster on this machine: a scheduler, workers, one of them killed."""

import contextlib
import json
import os
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from cleanspan.night.config import NightConfig
from cleanspan.night.planning import Model, Request
from cleanspan.night.run import run_night

pytest.importorskip("distributed", reason="needs cleanspan[cluster]")

UNIT = Path(__file__).parents[1] / "unit"
DRIVER = UNIT / "night_driver.py"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Cluster:
    """A scheduler and workers in processes of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.environment = {
            **os.environ,
            "PYTHONPATH": str(UNIT),
            "NIGHT_FLAGS": str(folder / "flags"),
        }
        (folder / "flags").mkdir()
        port = free_port()
        self.address = f"tcp://127.0.0.1:{port}"
        self.log = (folder / "cluster.log").open("wb")
        self.processes: list[subprocess.Popen[bytes]] = []
        self.start("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")

    def start(self, *args: str) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_" + args[0], *args[1:]],
            env=self.environment,
            stdout=self.log,
            stderr=self.log,
            cwd=self.folder,
        )
        self.processes.append(process)
        return process

    def add_worker(self) -> subprocess.Popen[bytes]:
        return self.start(
            "worker",
            self.address,
            "--nthreads",
            "1",
            "--no-nanny",
            "--no-dashboard",
            "--local-directory",
            str(self.folder),
            "--host",
            "127.0.0.1",
        )

    def night(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [
                sys.executable,
                str(DRIVER),
                str(self.folder / "in"),
                str(self.folder / "out"),
                "--cluster",
                self.address,
            ],
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )

    def close(self) -> None:
        for process in reversed(self.processes):
            process.kill()
            process.wait()
        self.log.close()


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    (tmp_path / "in").mkdir()
    made = Cluster(tmp_path)
    yield made
    made.close()


def screening(worker: "subprocess.Popen[bytes]") -> list[psutil.Process]:
    """List the screening processes that a worker has started."""
    with contextlib.suppress(psutil.Error):
        return [
            child
            for child in psutil.Process(worker.pid).children()
            if "cleanspan.night.child" in child.cmdline()
        ]
    return []


@pytest.mark.slow
@pytest.mark.timeout(170)
def test_a_killed_worker_costs_no_recording(cluster: Cluster) -> None:
    texts = {f"R{number}": f"slow {number}" for number in range(12)}
    texts |= {"crash": "crash", "bad": "bad"}
    for name, text in texts.items():
        (cluster.folder / "in" / f"{name}.edf").write_text(text)
    workers = [cluster.add_worker() for _ in range(3)]
    night = cluster.night()
    deadline = time.monotonic() + 100
    orphans: list[psutil.Process] = []
    victim = workers[0]
    # On a busy machine a worker may be up only when the others are done: any that screens will do.
    while not orphans and night.poll() is None and time.monotonic() < deadline:
        victim, orphans = next(
            ((worker, found) for worker in workers if (found := screening(worker))), (victim, [])
        )
        time.sleep(0.02)
    victim.kill()
    out, err = night.communicate(timeout=100)
    assert orphans, (err.decode(), (cluster.folder / "cluster.log").read_text()[-2000:])
    assert night.returncode == 1, err.decode()
    counts = json.loads(out)
    assert (counts["done"], counts["failed"]) == (12, 2)
    output = cluster.folder / "out"
    for name in texts:
        assert (output / name / f"{name}_channels.csv").exists() == name.startswith("R")
    assert not list(output.glob(".unfinished*"))
    with contextlib.closing(sqlite3.connect(output / "ledger.sqlite")) as db:
        states = dict(db.execute("SELECT name, state FROM jobs JOIN contents USING (digest)"))
    assert states.pop("crash.edf") == "failed"
    assert states.pop("bad.edf") == "failed"
    assert set(states.values()) == {"done"}
    _, alive = psutil.wait_procs(orphans, timeout=5)
    assert not alive  # the lost worker's screening process went with it


@pytest.mark.timeout(120)
def test_a_scheduler_that_is_not_there_is_told(cluster: Cluster) -> None:
    cluster.address = f"tcp://127.0.0.1:{free_port()}"
    (cluster.folder / "in" / "R.edf").write_text("ok")
    night = cluster.night()
    _, err = night.communicate(timeout=60)
    assert night.returncode == 2
    assert "must be a running scheduler's address" in err.decode()
    assert "Traceback" not in err.decode()
    assert not (cluster.folder / "out" / "ledger.sqlite").exists(), "no run has begun"


def test_a_cluster_without_workers_is_given_up(
    cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cleanspan.night.crew.NO_WORKER_S", 2.0)
    monkeypatch.setenv("PYTHONPATH", str(UNIT))
    (cluster.folder / "in" / "R.edf").write_text("ok")
    config = NightConfig((str(cluster.folder / "in"),), str(cluster.folder / "out"), settle_s=0)
    account = run_night(
        config, Request(cluster=cluster.address), model=Model("m", "m"), work="night_fakes:screen"
    )
    assert account.status == 1
    page = (cluster.folder / "out" / "night.html").read_text()
    assert "no worker brought a result; the next run tries again" in page
    account = run_night(config, model=Model("m", "m"), work="night_fakes:screen")
    assert account.counts["done"] == 1
