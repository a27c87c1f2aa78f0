"""Kill writers at random moments and look at what they left behind.

``python kill_while_writing.py FOLDER KILLS SEED`` prints one JSON line. A child process writes
marked copies and result folders without end, two versions in turn; it is killed (SIGKILL) after a
random time, then both must be one version, whole.
"""

import hashlib
import json
import os
import random
import runpy
import signal
import sys
import time
from pathlib import Path

import numpy as np

from cleanspan.atomic import UNFINISHED, replacing_folder
from cleanspan.export.marked import write_marked
from cleanspan.types import Note

_here = Path(__file__).parent
_bytes = runpy.run_path(str(_here.parent / "conformance" / "edf_bytes.py"))
VERSIONS = [
    [Note(float(i), 0.5, f"version {version}") for i in range(60)] for version in ("one", "two")
]


def make_source(path):
    """Write a minute of 19 channels."""
    rng = np.random.default_rng(0)
    signals = [
        _bytes["Signal"](f"S{i}", rng.integers(-3000, 3000, 30_000), 500) for i in range(19)
    ]
    path.write_bytes(_bytes["edf_bytes"](signals, 60))


def write_for_ever(source, out):
    """Write version after version of a file and of a folder."""
    turn = 0
    while True:
        marks = VERSIONS[turn % 2]
        write_marked(source, out / "R_marked.edf", marks)
        with replacing_folder(out / "R") as folder:
            (folder / "inner").mkdir()
            write_marked(source, folder / "R_marked.edf", marks)
            (folder / "inner" / "note.txt").write_text(marks[0].text * 1000)
        turn += 1


def digest(path):
    """Fingerprint a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def problems(out, whole):
    """Say what is not one whole version."""
    if digest(out / "R_marked.edf") not in whole.values():
        yield "the file is neither version"
    names = sorted(str(path.relative_to(out / "R")) for path in (out / "R").rglob("*"))
    if names != ["R_marked.edf", "inner", "inner/note.txt"]:
        yield f"the folder holds {names}"
        return
    text = (out / "R" / "inner" / "note.txt").read_text()
    if whole.get(text[:11]) != digest(out / "R" / "R_marked.edf") or text != text[:11] * 1000:
        yield "the folder mixes versions"


def main(base, kills, seed):
    """Do it so many times."""
    source, out = base / "R.edf", base / "out"
    out.mkdir()
    make_source(source)
    before = digest(source)
    whole = {}
    for marks in VERSIONS:
        write_marked(source, out / "R_marked.edf", marks)
        whole[marks[0].text] = digest(out / "R_marked.edf")
    with replacing_folder(out / "R") as folder:
        (folder / "inner").mkdir()
        (folder / "inner" / "note.txt").write_text("version two" * 1000)
        write_marked(source, folder / "R_marked.edf", VERSIONS[1])
    rng = random.Random(seed)
    found, midway = [], 0
    for _ in range(kills):
        child = os.fork()
        if not child:
            write_for_ever(source, out)
        time.sleep(rng.uniform(0.0, 0.06))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        found += problems(out, whole)
        left = [path for path in out.iterdir() if path.name.startswith(UNFINISHED)]
        midway += bool(left)
        for path in left:
            os.system(f"rm -rf '{path}'")  # noqa: S605
    if digest(source) != before:
        found.append("the source changed")
    print(json.dumps({"kills": kills, "midway": midway, "problems": found}))  # noqa: T201


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
