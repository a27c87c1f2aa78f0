"""Stand-ins for screening: what a recording's text says is what happens.

A recording of these tests is a text file: ``ok 12``, ``crash``, ``hang`` … Its results are files
made from that text alone, so that two runs can be compared byte by byte.
"""

import ctypes
import os
import signal
import time
from pathlib import Path

from cleanspan.config import Config
from cleanspan.screen import Outcome

CHANNELS = "channel,role,verdict,clean_share,contact_loss_share,note"


def screen(path: Path, folder: Path, *, config: Config, model: str | Path) -> Outcome:
    """Do what the recording's text says."""
    word, _, rest = path.read_text(encoding="utf-8").partition(" ")
    deed = DEEDS.get(word)
    if deed is not None:
        deed(path)
    if word == "bad":
        return Outcome(path.name, "failed", error=f"{path}: must be EDF, got a text")
    return write(path, folder, f"{word} {rest}", str(model))


def write(path: Path, folder: Path, text: str, model: str) -> Outcome:
    """Write results that depend on the recording and the model only."""
    folder.mkdir(parents=True)
    stem = folder.name
    lost = (sum(text.encode()) % 10) / 10
    verdict = "mend" if lost > 0.5 else "good"
    rows = (
        f"{CHANNELS}\nEEG Fp1-A1,eeg,{verdict},{1 - lost},{lost},loose\nEEG Cz-A1,eeg,good,1,0,\n"
    )
    (folder / f"{stem}_channels.csv").write_text(rows)
    (folder / f"{stem}_segments.csv").write_text(
        "channel,label,kind,onset_s,duration_s,confidence\n"
        f"EEG Fp1-A1,contact loss,floating,1.0,{10 * lost},0.9\n"
    )
    (folder / f"{stem}_report.html").write_text(f"<p>{text} by {model}</p>")
    return Outcome(
        path.name,
        "done",
        folder=folder,
        duration_s=60.0,
        channels=2,
        clean_share=1 - lost,
        usable_s=60 * (1 - lost),
        shares={"blink": 0.01, "contact loss": lost},
        mend=("EEG Fp1-A1",) if lost > 0.5 else (),
    )


def once(path: Path) -> None:
    """Crash the first time only."""
    flag = Path(os.environ["NIGHT_FLAGS"]) / path.stem
    if not flag.exists():
        flag.touch()
        os.kill(os.getpid(), signal.SIGKILL)


def eat(path: Path) -> None:
    """Take memory until somebody stops it."""
    held = []
    while True:
        held.append(bytearray(30_000_000))
        time.sleep(0.02)


def spin(path: Path) -> None:
    """Hang inside a library call that never lets Python run again."""
    (Path(os.environ["NIGHT_FLAGS"]) / str(os.getpid())).touch()
    ctypes.PyDLL(None).sleep(1000)  # PyDLL keeps the interpreter's lock


def threads(path: Path) -> None:
    """Fail unless the numeric libraries keep to one thread."""
    import numpy as np
    from threadpoolctl import threadpool_info

    np.ones((300, 300)) @ np.ones((300, 300))
    used = [item["num_threads"] for item in threadpool_info()]
    if not used or max(used) > 1:
        raise RuntimeError(f"threads: {used}")


def log_it(path: Path) -> None:
    """Leave a mark of having been called."""
    with (Path(os.environ["NIGHT_FLAGS"]) / "calls").open("a") as file:
        file.write(f"{path.name} {os.getpid()}\n")


def shout(path: Path) -> None:
    """Raise an error that names the file."""
    raise RuntimeError(f"cannot cope with {path.resolve()}")


DEEDS = {
    "crash": lambda path: ctypes.string_at(0),
    "killed": lambda path: os.kill(os.getpid(), signal.SIGKILL),
    "exit": lambda path: os._exit(3),
    "hang": lambda path: time.sleep(1000),
    "spin": spin,
    "eat": eat,
    "leap": lambda path: bytearray(20_000_000_000),
    "once": once,
    "slow": lambda path: time.sleep(0.3),
    "shout": shout,
    "count": log_it,
    "threads": threads,
}
