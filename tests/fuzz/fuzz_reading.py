"""Feed damaged recordings to the reader and the writer; only a clear refusal may come out.

    python tests/fuzz/fuzz_reading.py --seconds 10 --seed 1

Starts from the odd files of the conformance tests, damages them (fields, bytes, cuts, splices,
annotation texts) with a seeded generator, opens and reads each wholly, writes a marked copy of
what could be read and reads that. Memory is limited to 2 GiB, so that a header that lies about
sizes is noticed. A case that fails is kept, with the command that repeats it. Exit status 1 then.
"""

import argparse
import random
import resource
import runpy
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from pathlib import Path

from cleanspan.errors import CleanspanError
from cleanspan.export.marked import write_annotations_only, write_marked
from cleanspan.recording.opening import open_recording
from cleanspan.types import Note

_cases = runpy.run_path(str(Path(__file__).parents[1] / "conformance" / "odd_edf_cases.py"))[
    "all_cases"
]
NUMBERS = b"0 -1 1 2 9999 99999999 -9999999 1e308 1e-9 nan inf 0x10 1,5 +3 .5 5. 61440".split()
TIMES = [b"+0", b"-1", b"+1e5", b"+99999999999", b"+0.000000001", b"+3.", b"++1", b"", b"+1\x15-1"]
MARKS = [Note(0.0, 0.5, "blink@@EEG Fp1-A1A2"), Note(2.0, 0.0, "x" * 300), Note(1e6, 1.0, "far")]
SLOWEST_S = 10.0


def damage_field(data, rng):
    """Write a telling number or random bytes over one header field."""
    count = max(1, min(40, len(data) // 256 - 1))
    widths = (16, 80, 8, 8, 8, 8, 8, 80, 8, 32)
    fields = [
        (8, 80),
        (88, 80),
        (168, 8),
        (176, 8),
        (184, 8),
        (192, 44),
        (236, 8),
        (244, 8),
        (252, 4),
    ]
    at = 256
    for width in widths:
        fields += [(at + i * width, width) for i in range(count)]
        at += width * count
    at, width = rng.choice(fields)
    text = rng.choice(NUMBERS) if rng.random() < 0.8 else rng.randbytes(rng.randint(0, width))
    data[at : at + width] = text.ljust(width)[:width]


def damage_bytes(data, rng):
    """Overwrite a few bytes."""
    for _ in range(rng.randint(1, 8)):
        data[rng.randrange(len(data))] = rng.randrange(256)


def damage_length(data, rng):
    """Cut the end or add to it."""
    if rng.random() < 0.6:
        del data[rng.randrange(8, len(data)) :]
    else:
        data += rng.randbytes(rng.randint(1, 400))


def damage_splice(data, rng):
    """Copy one stretch over another, as a failing disk does."""
    size = rng.randint(1, 200)
    begin, to = rng.randrange(len(data)), rng.randrange(len(data))
    data[to : to + size] = data[begin : begin + size]


def damage_times(data, rng):
    """Put another onset, or loose separators, where a list begins."""
    begins = [i for i in range(256, len(data) - 1) if data[i : i + 1] == b"+"]
    if begins:
        at = rng.choice(begins)
        text = rng.choice(TIMES) + rng.choice([b"\x14\x14\0", b"\x14", b"\x15\x14\0", b"\0"])
        data[at : at + len(text)] = text


DAMAGES = (damage_field, damage_field, damage_bytes, damage_length, damage_splice, damage_times)


def damaged(seeds, rng):
    """Give one damaged file; the first eight bytes stay, else no reader would be asked."""
    data = bytearray(rng.choice(seeds))
    first = bytes(data[:8])
    for _ in range(rng.randint(1, 4)):
        rng.choice(DAMAGES)(data, rng)
        if len(data) < 9:
            break
    data[:8] = first
    return bytes(data)


def read_wholly(path):
    """Open a file and read all of it."""
    recording = open_recording(path)
    try:
        for channel in recording.channels:
            if channel.rate_hz > 0:
                for _ in recording.blocks([channel.index]):
                    pass
                recording.span([channel.index], -0.5, 2.0)
        assert all("\n" not in text for text in recording.warnings)
        return recording.n_records, recording.duration_s
    finally:
        recording.close()


def attempt(path, folder):
    """Read, write, read again; say how it ended."""
    try:
        records, _ = read_wholly(path)
    except CleanspanError as error:
        return "refused" if "\n" not in str(error) else "refused in several lines"
    target = folder / "marked.edf"
    write_marked(path, target, MARKS, keep_notes=False)
    assert read_wholly(target)[0] == records
    write_annotations_only(path, target, MARKS)
    read_wholly(target)
    return "read"


def main():
    """Run for the time asked for."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=Path("fuzz-failures"))
    options = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))
    warnings.simplefilter("error")
    rng = random.Random(options.seed)
    seeds = [
        case.content
        for case in _cases()
        if len(case.content) > 300 and case.content[:1] in b"0\xff"
    ]
    outcomes, began, slowest_s = Counter(), time.monotonic(), 0.0
    shared_memory = Path("/dev/shm")  # noqa: S108 - spares the disk
    with tempfile.TemporaryDirectory(
        dir=shared_memory if shared_memory.is_dir() else None
    ) as name:
        path = Path(name) / "case.edf"
        while time.monotonic() - began < options.seconds:
            content = damaged(seeds, rng)
            path.write_bytes(content)
            at = time.monotonic()
            try:
                outcomes[attempt(path, Path(name))] += 1
                slowest_s = max(slowest_s, time.monotonic() - at)
                assert time.monotonic() - at < SLOWEST_S, "too slow"
            except Exception:  # noqa: BLE001 - whatever comes out is what we look for
                outcomes["FAILED"] += 1
                options.keep.mkdir(exist_ok=True)
                kept = options.keep / f"seed{options.seed}-{sum(outcomes.values())}.edf"
                kept.write_bytes(content)
                print(f"--- kept as {kept}", traceback.format_exc(), sep="\n")  # noqa: T201
                if outcomes["FAILED"] >= 5:
                    break
    total = sum(outcomes.values())
    print(f"{total} cases, seed {options.seed}: {dict(outcomes)}; slowest {slowest_s:.3f} s")  # noqa: T201
    sys.exit(0 if set(outcomes) <= {"read", "refused"} else 1)


if __name__ == "__main__":
    main()
