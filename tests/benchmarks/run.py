"""Measure cleanspan: how long, how much memory, and how both grow.

    python tests/benchmarks/run.py [--hours 4] [--repeat 3] [--stages whole,mne,...] [--write]

Everything runs as child processes held to one core (two where it says so), libraries on one
thread. Recordings are invented and written into a temporary folder that is deleted afterwards.
Processor time stands beside wall time, for other work on the machine stretches the wall time.
"""

import argparse
import statistics
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import children
from children import Cost, median, screen
from tables import Findings, machine, put_into, table

GUIDE = Path(__file__).parents[2] / "pipeline" / "cleanspan" / "guides" / "performance.md"
BARE = ("--marked", "none", "--no-report")
COSTS = ("wall, s", "processor, s", "peak memory, MB")
FEW_RUNS = 2
FULL_H = 4
LINEAR = 1.2
"""An hour (or a channel) more may cost this much more than the ones before it."""
FLAT = 0.10


class Bench:
    """A temporary folder, how much is asked for, and what was found."""

    def __init__(self, folder: Path, hours: float, repeat: int) -> None:
        self.folder, self.hours, self.repeat = folder, hours, repeat
        # The bars are for four hours; of less they say nothing.
        self.findings = Findings(judged=hours >= FULL_H)
        self.day_h = 6 * hours

    def recording(self, duration_s: float, n_channels: int = 19, seed: int = 1) -> Path:
        """Make a recording, or give the one made before."""
        path = self.folder / f"{n_channels}ch-{duration_s:.0f}s-{seed}.edf"
        if not path.exists():
            facts = (f"{duration_s:.0f}", str(n_channels), str(seed))
            children.python("recordings.py", path, *facts)
        return path

    @property
    def long(self) -> Path:
        """The recording that most figures are about."""
        return self.recording(self.hours * 3600)

    def out(self) -> Path:
        """Name a new output folder."""
        return Path(tempfile.mkdtemp(dir=self.folder, prefix="out-"))

    def screens(self, source: Path, *options: str, repeat: int | None = None) -> Cost:
        """Screen several times; the median."""
        times = repeat or self.repeat
        return median([screen(source, self.out(), *options) for _ in range(times)])


def whole(bench: Bench) -> None:
    """Screen the long recording, with and without page and copy, in turns."""
    pairs = [
        (screen(bench.long, bench.out()), screen(bench.long, bench.out(), *BARE))
        for _ in range(bench.repeat)
    ]
    full, bare = (median(costs) for costs in zip(*pairs, strict=True))
    rows = [("everything", *_figures(full)), ("no page, no EDF+ copy", *_figures(bare))]
    size_mb = bench.long.stat().st_size / 1e6
    title = f"Screening {bench.hours:g} h, 19 channels, 500 Hz ({size_mb:.0f} MB), one core"
    bench.findings.parts.append(table(("", *COSTS), rows, title=title))
    _within(bench, "whole screen, one core", full, 8.0)
    _within(bench, "page and copy off", bare, 5.0)
    got = f"{full.peak_mb:.0f} MB"
    bench.findings.bar("peak memory", "≤ 400 MB", got, held=full.peak_mb <= 400)


def _figures(cost: Cost) -> tuple[float, float, float]:
    return cost.wall_s, cost.cpu_s, cost.peak_mb


def _within(bench: Bench, what: str, cost: Cost, wanted_s: float) -> None:
    got = f"{cost.wall_s:.2f} s (processor {cost.cpu_s:.2f} s)"
    bench.findings.bar(what, f"≤ {wanted_s:g} s wall", got, held=cost.wall_s <= wanted_s)


def stages(bench: Bench) -> None:
    """Time each stage on its own."""
    out = bench.folder / "stages.json"
    runs = []
    for _ in range(bench.repeat):
        times = children.answer("stages.py", out, bench.long, bench.folder)
        times |= children.answer("stages.py", out, bench.long, bench.folder, "--mne")
        runs.append(times)
    middle = {
        name: [statistics.median(run[name][place] for run in runs) for place in (0, 1)]
        for name in runs[0]
    }
    header = ("stage", "wall, s", "processor, s")
    rows = [(name, *times) for name, times in middle.items()]
    bench.findings.parts.append(table(header, rows, title=f"Stages, {bench.hours:g} h"))
    # Both flush to disk in the same run: the ratio of each run, then the middle one.
    ratio = statistics.median(
        run["cp and flush to disk"][0] / max(run["EDF+ copy"][0], 1e-9) for run in runs
    )
    plain = statistics.median(run["cp"][0] / max(run["EDF+ copy"][0], 1e-9) for run in runs)
    got = f"{ratio:.2f} of cp with the same flush to disk ({plain:.2f} of cp without)"
    bench.findings.bar("speed of the EDF+ copy", "≥ 0.5 of cp", got, held=ratio >= 0.5)


def profile(bench: Bench) -> None:
    """List the functions that take most processor time."""
    source = bench.recording(min(bench.hours, 1) * 3600)
    rows = children.answer("stages.py", bench.folder / "p.json", source, bench.folder, "--profile")
    header = ("function", "calls", "own time, s")
    title = f"Where the time goes, {min(bench.hours, 1):g} h (under cProfile, which slows calls)"
    bench.findings.parts.append(table(header, rows, title=title))


def mne(bench: Bench) -> None:
    """Screen and the hand-written mne script in turns."""
    pairs = []
    for _ in range(min(bench.repeat, FEW_RUNS)):
        ours = screen(bench.long, bench.out())
        pairs.append((ours, children.python("mne_script.py", bench.long, bench.folder / "m.csv")))
    ours, theirs = (median(costs) for costs in zip(*pairs, strict=True))
    wall = statistics.median(b.wall_s / a.wall_s for a, b in pairs)
    cpu = statistics.median(b.cpu_s / a.cpu_s for a, b in pairs)
    memory = theirs.peak_mb / ours.peak_mb
    rows = [
        ("cleanspan screen", *_figures(ours)),
        ("script with mne alone", *_figures(theirs)),
        ("ratio", wall, cpu, memory),
    ]
    title = f"Beside a hand-written script with mne alone, {bench.hours:g} h, in turns"
    bench.findings.parts.append(table(("", *COSTS), rows, title=title))
    got = f"{wall:.1f} times (processor time {cpu:.1f} times)"
    bench.findings.bar("faster than the mne script", "≥ 10 times", got, held=wall >= 10)


def short(bench: Bench) -> None:
    """Start-up, and one minute."""
    command = [sys.executable, "-m", "cleanspan", "--help"]
    times = 2 * bench.repeat + 1
    start = median([children.run(command) for _ in range(times)])
    minute = bench.screens(bench.recording(60), repeat=times)
    rows = [("cleanspan --help", *_figures(start)), ("60 s recording", *_figures(minute))]
    bench.findings.parts.append(table(("", *COSTS), rows, title="Start-up and one minute"))
    _within(bench, "cleanspan --help", start, 0.3)
    _within(bench, "60 s recording", minute, 2.5)


def lengths(bench: Bench) -> None:
    """A quarter, half, whole of the length: time must grow with it, memory must not."""
    hours = [bench.hours / 4, bench.hours / 2, bench.hours]
    costs = [bench.screens(bench.recording(hour * 3600)) for hour in hours]
    _growth(bench, "length", "h", hours, costs)
    day = bench.recording(bench.day_h * 3600)
    cost = bench.screens(day, repeat=1)
    day.unlink()
    rows = [
        (f"{hour:g} h", *_figures(one), one.cpu_s / hour)
        for hour, one in zip([*hours, bench.day_h], [*costs, cost], strict=True)
    ]
    header = ("length", *COSTS, "processor, s/h")
    bench.findings.parts.append(table(header, rows, title="By length, 19 channels"))
    peaks = [costs[0].peak_mb, costs[-1].peak_mb, cost.peak_mb]
    spread = max(peaks) / min(peaks) - 1
    what = f"peak memory of {hours[0]:g}, {hours[-1]:g}, {bench.day_h:g} h"
    got = f"{spread:.1%} ({', '.join(f'{peak:.0f}' for peak in peaks)} MB)"
    bench.findings.bar(what, "equal within 10 %", got, held=spread <= FLAT)


def _growth(bench: Bench, what: str, unit: str, sizes: list[float], costs: list[Cost]) -> None:
    """Compare what the later steps add with what the first ones add, in processor time."""
    first = (costs[1].cpu_s - costs[0].cpu_s) / (sizes[1] - sizes[0])
    later = (costs[2].cpu_s - costs[1].cpu_s) / (sizes[2] - sizes[1])
    got = f"{first:.3g} then {later:.3g} s processor time for each {unit} more"
    wanted = f"linear: the later ≤ {LINEAR:g} times the first"
    bench.findings.bar(f"time by {what}", wanted, got, held=later <= LINEAR * first)


def channels(bench: Bench) -> None:
    """19, 64, 128 channels at a twelfth of the length."""
    counts = [19.0, 64.0, 128.0]
    duration_s = bench.hours * 300
    costs = [bench.screens(bench.recording(duration_s, int(count))) for count in counts]
    _growth(bench, "channels", "channel", counts, costs)
    rows = [
        (f"{count:g}", *_figures(cost), 1000 * cost.cpu_s / count)
        for count, cost in zip(counts, costs, strict=True)
    ]
    header = ("channels", *COSTS, "processor, ms/channel")
    title = f"By channels, {duration_s / 60:g} min"
    bench.findings.parts.append(table(header, rows, title=title))


def batch(bench: Bench) -> None:
    """Eight recordings on one core and on two, in turns: one recording under eight names."""
    sources = [bench.folder / f"night-{number}.edf" for number in range(1, 9)]
    for source in sources:
        source.hardlink_to(bench.long)
    pairs = [
        (
            screen(sources, bench.out(), cores=1, jobs=1),
            screen(sources, bench.out(), cores=2, jobs=2),
        )
        for _ in range(min(bench.repeat, FEW_RUNS))
    ]
    one, two = (median(costs) for costs in zip(*pairs, strict=True))
    ratio = statistics.median(a.wall_s / b.wall_s for a, b in pairs)
    rows = [("one core", *_figures(one)), ("two cores", *_figures(two))]
    title = f"Eight recordings of {bench.hours:g} h (memory: the largest process)"
    bench.findings.parts.append(table(("", *COSTS), rows, title=title))
    got = f"{ratio:.2f} times (processor time {two.cpu_s / one.cpu_s:.2f} times)"
    bench.findings.bar("two cores against one", "≥ 1.8 times", got, held=ratio >= 1.8)


PARTS: dict[str, Callable[[Bench], None]] = {
    part.__name__: part for part in (whole, mne, short, stages, profile, lengths, channels, batch)
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=4.0, help="length of the long recording")
    parser.add_argument("--repeat", type=int, default=3, help="runs of which the median is taken")
    parser.add_argument("--stages", default=",".join(PARTS), help=f"of: {', '.join(PARTS)}")
    parser.add_argument("--write", action="store_true", help=f"put the figures into {GUIDE.name}")
    chosen = parser.parse_args()
    unknown = set(chosen.stages.split(",")) - set(PARTS)
    if unknown:
        parser.error(f"--stages must name some of {', '.join(PARTS)}, got {min(unknown)}")
    described = machine()
    failed: list[str] = []
    with tempfile.TemporaryDirectory(prefix="cleanspan-benchmark-") as folder:
        bench = Bench(Path(folder), chosen.hours, chosen.repeat)
        for name in chosen.stages.split(","):
            sys.stderr.write(f"{name} …\n")
            try:
                PARTS[name](bench)
            except RuntimeError as error:  # hours of other figures must not be lost
                sys.stderr.write(f"{error}\n")
                bench.findings.parts.append(f"**{name}: not measured, a run failed.**")
                failed.append(name)
    text = bench.findings.text(described)
    sys.stdout.write(text)
    if chosen.write and not failed:
        put_into(GUIDE, text)
    sys.exit(bool(failed))


if __name__ == "__main__":
    main()
