"""A few seconds of the fuzz target; CLEANSPAN_FUZZ_SECONDS asks for more."""

import os
import subprocess
import sys
from pathlib import Path

SECONDS = os.environ.get("CLEANSPAN_FUZZ_SECONDS", "5")
SEED = os.environ.get("CLEANSPAN_FUZZ_SEED", "1")


def test_damaged_recordings_are_read_or_refused(tmp_path):
    script = Path(__file__).with_name("fuzz_reading.py")
    done = subprocess.run(
        [sys.executable, str(script), "--seconds", SECONDS, "--seed", SEED],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    cases = int(done.stdout.split()[0])
    assert cases > 100
    assert "'read'" in done.stdout
    assert "'refused'" in done.stdout
