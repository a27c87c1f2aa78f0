"""Die before each system call that Python announces, one after the other, and look what is left.

``python die_at_every_step.py FOLDER exchange|renames`` prints one JSON line. Random kills rarely
hit the microseconds between two renames; this hits every gap between announced calls (opening,
renaming, removing) once.
"""

import json
import os
import shutil
import signal
import sys
from pathlib import Path

from cleanspan import atomic


def replace_folder(base, text, die_at=None):
    """Replace base/R; die by SIGKILL before the announced call number `die_at`."""
    seen = 0

    def hook(event, _):
        nonlocal seen
        if event != "os.kill" and event.startswith(("open", "os.", "shutil.")):
            if seen == die_at:
                os.kill(os.getpid(), signal.SIGKILL)
            seen += 1

    if die_at is not None:
        sys.addaudithook(hook)
    with atomic.replacing_folder(base / "R") as folder:
        for name in ("a", "b"):
            (folder / name).write_text(text)


def state(folder):
    """Read a result folder; None where there is none."""
    if not folder.is_dir():
        return None
    return {path.name: path.read_text() for path in sorted(folder.iterdir())}


def main(base, way):
    """Die at step 0, 1, 2 ... until a run gets through."""
    if way == "renames":
        atomic._renameat2 = lambda: None
    states, step = [], 0
    while True:
        shutil.rmtree(base, ignore_errors=True)
        base.mkdir()
        replace_folder(base, "old")
        child = os.fork()
        if not child:
            replace_folder(base, "new", die_at=step)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        aside = [state(path) for path in base.glob(f"{atomic.UNFINISHED}*-old")]
        states.append({"R": state(base / "R"), "aside": aside})
        if not os.WIFSIGNALED(status):
            break
        step += 1
    print(json.dumps(states))  # noqa: T201


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
