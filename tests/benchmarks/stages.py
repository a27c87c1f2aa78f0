"""The stages of screening one recording, timed one by one; prints JSON.

python stages.py RECORDING.edf SCRATCH [--mne | --profile | --imports]
"""

import cProfile
import json
import os
import pstats
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

TOP = 14


class Stopwatch:
    """Wall and processor seconds by name."""

    def __init__(self) -> None:
        self.times: dict[str, tuple[float, float]] = {}

    @contextmanager
    def lap(self, name: str) -> Iterator[None]:
        wall, cpu = time.perf_counter(), _processor_s()
        yield
        self.times[name] = (time.perf_counter() - wall, _processor_s() - cpu)


def _processor_s() -> float:
    """Processor time of this process and of the children it waited for."""
    used = os.times()
    return used.user + used.system + used.children_user + used.children_system


def time_stages(source: Path, scratch: Path) -> dict[str, tuple[float, float]]:
    watch = Stopwatch()
    with watch.lap("imports"):
        import jinja2  # noqa: F401
        import pandas as pd  # noqa: F401
        import pyarrow.parquet  # noqa: F401

        from cleanspan import screen
        from cleanspan.config import Config
        from cleanspan.export import exclusions, marked, marks, plans, tables
        from cleanspan.export.report import page  # noqa: F401
        from cleanspan.features.extraction import FeatureStore
        from cleanspan.labelling.model import load_model
        from cleanspan.labelling.prediction import Predictions
        from cleanspan.labelling.segments import segment_table
        from cleanspan.recording.opening import open_recording
        from cleanspan.training.store import resolve_model
    config = Config()
    model = load_model(resolve_model(config.labelling.model, config.labelling.store))
    with open_recording(source) as recording:
        eeg = [channel for channel in recording.channels if channel.role == "eeg"]
        with watch.lap("reading by blocks"):
            for _ in recording.blocks([channel.index for channel in eeg], block_s=30.0):
                pass
        with watch.lap("pass one: features (with reading)"):
            store = FeatureStore(recording, eeg, windows=config.windows, scratch=scratch)
        with store:
            with watch.lap("pass two: context, probabilities"):
                predictions = Predictions(store, model, scratch)
            with watch.lap("segments"):
                segment_table(store, predictions, {**model.rules, **config.segments})
            predictions.close()
        with screen.screened(recording, config=config, model=model) as result:
            applied = exclusions.apply_to(result, recording.pieces, plans.load_plan("resting"))
            with watch.lap("tables"):
                tables.write_tables(result, scratch)
                tables.write_applied(applied, scratch, "recording")
            noted = marks.marks_for(result, applied)
            # A first copy that is not counted: the disk's pages are dirty for the second as well.
            marked.write_marked(recording, scratch / "marked.edf", noted)
            with watch.lap("EDF+ copy"):
                marked.write_marked(recording, scratch / "marked.edf", noted)
            with watch.lap("report"):
                screen._write_page(result, applied, [*plans.shipped_plans()], scratch / "r.html")
    _time_cp(source, scratch, watch)
    return watch.times


def _time_cp(source: Path, scratch: Path, watch: Stopwatch) -> None:
    """Copy by ``cp``, alone and with the flush to disk that our copy includes."""
    target = scratch / "plain.edf"
    subprocess.run(["cp", source, target], check=True)
    for name, flush in (("cp", False), ("cp and flush to disk", True)):
        with watch.lap(name):
            subprocess.run(["cp", source, target], check=True)
            if flush:
                subprocess.run(["sync", target], check=True)


def time_mne(source: Path, _scratch: Path) -> dict[str, tuple[float, float]]:
    import mne

    watch = Stopwatch()
    with watch.lap("mne: reading, preload"):
        mne.io.read_raw_edf(source, preload=True, verbose="error")
    return watch.times


def profile(source: Path, scratch: Path) -> list[tuple[str, int, float]]:
    """Functions with the most processor time of their own while one recording is screened."""
    from cleanspan.config import Config
    from cleanspan.screen import screen_recording
    from cleanspan.training.store import resolve_model

    config = Config()
    model = resolve_model(config.labelling.model, config.labelling.store)
    screen_recording(source, scratch / "warm", config=config, model=model)
    watched = cProfile.Profile(time.process_time)
    watched.runcall(screen_recording, source, scratch / "out", config=config, model=model)
    rows = []
    for (file, _, function), (_, calls, own_s, *_) in pstats.Stats(watched).stats.items():
        where = "" if file == "~" else f"{Path(file).parent.name}/{Path(file).name}: "
        rows.append((where + function, calls, own_s))
    return sorted(rows, key=lambda row: -row[2])[:TOP]


KINDS: dict[str, Callable[[Path, Path], object]] = {
    "": time_stages,
    "--mne": time_mne,
    "--profile": profile,
}


def main(source: str, folder: str, kind: str = "") -> None:
    scratch = Path(folder) / "scratch"
    scratch.mkdir()
    try:
        sys.stdout.write(json.dumps(KINDS[kind](Path(source), scratch)))
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
