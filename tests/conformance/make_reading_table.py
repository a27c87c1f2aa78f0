"""Make the table of ``guides/reading.md``: what four readers do with each odd file.

    python tests/conformance/make_reading_table.py            (prints the table)
    python tests/conformance/make_reading_table.py --write    (puts it into the guide)

The files are written into a temporary folder. "reads" means: as many samples as cleanspan reads
from the first signal, with the same values (mne gives volts where it knows the unit).
"""

import os
import re
import runpy
import sys
import tempfile
import warnings
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from cleanspan.errors import CleanspanError
from cleanspan.recording.opening import open_recording

HERE = Path(__file__).parent
GUIDE = HERE.parents[1] / "pipeline" / "cleanspan" / "guides" / "reading.md"
BEGIN, END = "<!-- table begins -->", "<!-- table ends -->"
READERS = ("mne", "edfio", "pyedflib")


def all_cases():
    """Give the odd files."""
    return runpy.run_path(str(HERE / "odd_edf_cases.py"))["all_cases"]()


def ours(path):
    """Read the first signal with cleanspan, in the header's unit; None where there is none."""
    recording = open_recording(path)
    if not recording.channels:
        return None
    blocks = [block.samples_uv[0] for block in recording.blocks([0])]
    return np.concatenate(blocks).astype(float)


def with_mne(path):
    """Read the first signal with mne."""
    import mne

    read = mne.io.read_raw_bdf if path.suffix == ".bdf" else mne.io.read_raw_edf
    raw = read(path, verbose="warning")
    # mne upsamples channels of a lower rate; the cases' first signal has the highest.
    return raw.get_data(picks=[0])[0] if raw.ch_names else None


def with_edfio(path):
    """Read the first signal with edfio."""
    import edfio

    file = (edfio.read_bdf if path.suffix == ".bdf" else edfio.read_edf)(path)
    file.annotations  # noqa: B018 - decoded on access
    return np.array(file.signals[0].data) if file.signals else None


def with_pyedflib(path):
    """Read the first signal with pyedflib."""
    import pyedflib

    with silent_output(), pyedflib.EdfReader(str(path)) as file:
        file.readAnnotations()
        return file.readSignal(0) if file.signals_in_file else None


@contextmanager
def silent_output():
    """Keep what a C library prints out of the table."""
    sys.stdout.flush()
    kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    try:
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def told_by(reader, path, expected):
    """Say in a few words what a library does."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            got = {"mne": with_mne, "edfio": with_edfio, "pyedflib": with_pyedflib}[reader](path)
        except Exception:  # noqa: BLE001 - libraries refuse in many ways
            return "refuses"
    warned = any(issubclass(item.category, (RuntimeWarning, UserWarning)) for item in caught)
    return compared(got, expected) + (", warns" if warned else "")


def compared(got, expected):
    """Compare samples with ours; volts and header units both count."""
    if got is None:
        return "reads" if expected is None else "opens, no samples"
    if expected is None:
        return f"reads {len(got)} samples" if len(got) else "opens, no samples"
    if len(got) != len(expected):
        return f"reads {len(got)} of {len(expected)} samples"
    for factor in (1, 1e6):
        if np.allclose(got * factor, expected, atol=2e-3):
            return "reads"
    return "reads, other values"


def row(case, path):
    """Make one line of the table."""
    told, expected = told_by_us(case, path)
    cells = [case.name, told, *(told_by(reader, path, expected) for reader in READERS)]
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def told_by_us(case, path):
    """Write the file and say what cleanspan does, and which samples it reads."""
    path.write_bytes(case.content)
    try:
        expected = ours(path)
        matters = list(
            dict.fromkeys(text.partition(":")[0] for text in open_recording(path).warnings)
        )
        told = "reads" + (f", warns of: {', '.join(matters)}" if matters else "")
        return told + (f" ({case.what})" if case.what else ""), expected
    except CleanspanError as error:
        return f"refuses: {str(error).partition(': ')[2].partition('; ')[0]}", None


def table():
    """Make the whole table."""
    import edfio
    import mne
    import pyedflib

    mne.set_log_level("WARNING")
    versions = (mne.__version__, edfio.__version__, pyedflib.__version__)
    heads = [f"{name} {version}" for name, version in zip(READERS, versions, strict=True)]
    lines = [f"| case | cleanspan | {' | '.join(heads)} |", "| --- " * 5 + "|"]
    with tempfile.TemporaryDirectory() as folder:
        for number, case in enumerate(all_cases()):
            lines.append(row(case, Path(folder) / f"case{number}{case.suffix}"))
    return "\n".join(lines)


if __name__ == "__main__":
    made = table()
    if "--write" in sys.argv[1:]:
        text = GUIDE.read_text(encoding="utf-8")
        new = f"{BEGIN}\n\n{made}\n\n{END}"
        GUIDE.write_text(
            re.sub(f"{BEGIN}.*{END}", lambda _: new, text, flags=re.DOTALL), encoding="utf-8"
        )
    else:
        print(made)  # noqa: T201
