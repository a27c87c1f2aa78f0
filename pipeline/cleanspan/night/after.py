"""Telling others: a command of the lab's own, run after the night."""

import contextlib
import json
import logging
import os
import signal
import subprocess
from collections.abc import Mapping

from cleanspan.night.config import After

_log = logging.getLogger(__name__)
_SHOWN = 2000


def tell(after: After, facts: Mapping[str, object]) -> bool:
    """Run the lab's command with what there is to tell; its failure changes no result.

    It runs without a shell. Plain values stand in environment variables ``CLEANSPAN_NIGHT_…``,
    everything as JSON on its standard input.

    Returns
    -------
    bool
        Whether it ended well; True where there is none.
    """
    if not after.command:
        return True
    named = {
        f"CLEANSPAN_NIGHT_{key.upper()}": str(value)
        for key, value in facts.items()
        if isinstance(value, (str, int, float))
    }
    try:
        process = subprocess.Popen(
            list(after.command),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env={**os.environ, **named},
            start_new_session=True,
        )
    except OSError as error:
        _log.error(
            "the command after the night must be a program that can be run",
            extra={"command": after.command[0], "error": error.strerror},
        )
        return False
    return _ended_well(process, json.dumps(facts).encode(), after)


def _ended_well(process: subprocess.Popen[bytes], text: bytes, after: After) -> bool:
    """Wait for the command as long as it may take."""
    try:
        output, _ = process.communicate(text, timeout=after.time_limit_s)
    except subprocess.TimeoutExpired:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        _log.error(
            "the command after the night was stopped",
            extra={"command": after.command[0], "seconds": after.time_limit_s},
        )
        return False
    if process.returncode:
        said = output.decode("utf-8", "replace").strip()[-_SHOWN:]
        _log.error(
            "the command after the night failed",
            extra={"command": after.command[0], "status": process.returncode, "said": said},
        )
    return process.returncode == 0
