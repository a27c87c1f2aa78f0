"""Child processes, one measurement each: wall time, processor time, peak memory.

Only the standard library is imported by the process that measures: what Linux reports as a child's
peak memory is never below what its parent held when it was started.
"""

import json
import os
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
ONE_THREAD = {
    f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL", "NUMEXPR", "VECLIB")
}
CORES = sorted(os.sched_getaffinity(0))


@dataclass(frozen=True, slots=True)
class Cost:
    """What one run took; s and MB."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def run(command: Sequence[str | Path], *, cores: int = 1, out: Path | None = None) -> Cost:
    """Run a command on the last `cores` processors, its output into a file or nowhere."""
    os.sched_setaffinity(0, CORES[-cores:])
    with (out or Path(os.devnull)).open("wb") as sink:
        begin = time.perf_counter()
        child = subprocess.Popen(
            [str(part) for part in command],
            stdout=sink,
            stderr=subprocess.PIPE,
            env=os.environ | ONE_THREAD,
        )
        os.sched_setaffinity(0, CORES)
        said = child.stderr.read()
        _, status, used = os.wait4(child.pid, 0)
        wall_s = time.perf_counter() - begin
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise RuntimeError(f"{command} ended with {child.returncode}: {said.decode()[-2000:]}")
    return Cost(wall_s, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def median(costs: Sequence[Cost]) -> Cost:
    """Take the median of each figure."""
    return Cost(
        statistics.median(cost.wall_s for cost in costs),
        statistics.median(cost.cpu_s for cost in costs),
        statistics.median(cost.peak_mb for cost in costs),
    )


def screen(
    sources: Path | Sequence[Path], out: Path, *options: str, cores: int = 1, jobs: int = 1
) -> Cost:
    """Run ``cleanspan screen``; its results are deleted again."""
    paths = [sources] if isinstance(sources, Path) else sources
    command = [sys.executable, "-m", "cleanspan", "screen", *paths, "--out", out, "-q"]
    try:
        return run([*command, "--jobs", str(jobs), *options], cores=cores)
    finally:
        shutil.rmtree(out, ignore_errors=True)


def python(script: str, *arguments: str | Path) -> Cost:
    """Run a script that lies beside this one."""
    return run([sys.executable, HERE / script, *arguments])


def answer(script: str, out: Path, *arguments: str | Path) -> dict:
    """Run a script that lies beside this one and prints JSON."""
    run([sys.executable, HERE / script, *arguments], out=out)
    return json.loads(out.read_text(encoding="utf-8"))
