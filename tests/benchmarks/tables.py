"""The measured figures as Markdown."""

import importlib.metadata
import os
import platform
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

BEGIN, END = "<!-- measured: begin -->", "<!-- measured: end -->"
LIBRARIES = ("numpy", "scipy", "pandas", "pyarrow", "mne")


@dataclass(slots=True)
class Findings:
    """What has been measured so far, and whether it is judged by the bars."""

    judged: bool = True
    parts: list[str] = field(default_factory=list)
    bars: list[tuple[str, str, str, bool]] = field(default_factory=list)

    def bar(self, what: str, wanted: str, got: str, *, held: bool) -> None:
        """Hold a figure against its bar."""
        self.bars.append((what, wanted, got, held))

    def text(self, machine: Sequence[str]) -> str:
        """Write everything down, the bars first."""
        verdicts = [
            (what, wanted, got, "pass" if held else "FAIL")
            for what, wanted, got, held in self.bars
        ]
        head = ["Machine: " + "; ".join(machine) + "."]
        if verdicts:
            head.append(table(("bar", "wanted", "measured", ""), verdicts))
        return "\n\n".join([*head, *self.parts]) + "\n"


def table(header: Sequence[str], rows: Iterable[Sequence[object]], *, title: str = "") -> str:
    """Lay out a Markdown table; numbers to three digits."""
    lines = [f"### {title}\n"] if title else []
    lines += ["| " + " | ".join(header) + " |", "|" + " --- |" * len(header)]
    lines += ["| " + " | ".join(_cell(value) for value in row) + " |" for row in rows]
    return "\n".join(lines)


def _cell(value: object) -> str:
    if not isinstance(value, float):
        return str(value)
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"


def machine() -> list[str]:
    """Describe the machine, and how busy it is now."""
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in LIBRARIES)
    memory_gb = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 2**30
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg())
    return [
        f"{time.strftime('%Y-%m-%d')}",
        _processor(),
        f"{len(os.sched_getaffinity(0))} cores, {memory_gb:.0f} GiB",
        f"{platform.system()} {platform.machine()}, Python {platform.python_version()}",
        versions,
        f"load average at the start {load} (1, 5, 15 min)",
    ]


def _processor() -> str:
    for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
        if line.startswith("model name"):
            return line.partition(":")[2].strip()
    return platform.processor()


def put_into(guide: Path, text: str) -> None:
    """Replace what stands between the markers of the guide."""
    whole = guide.read_text(encoding="utf-8")
    before, _, rest = whole.partition(BEGIN)
    _, _, after = rest.partition(END)
    guide.write_text(f"{before}{BEGIN}\n\n{text}\n{END}{after}", encoding="utf-8")
