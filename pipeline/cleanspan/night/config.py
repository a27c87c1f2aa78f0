"""The settings of a night: where recordings come in, where results go, within which limits."""

import dataclasses
from dataclasses import dataclass, field
from pathlib import Path

from cleanspan.config import Config, fill, load_config, no_problem, none_of, outside, read_toml
from cleanspan.errors import ConfigError, collecting

FILE_NAME = "file name"
CODE = "code"


@dataclass(frozen=True, slots=True)
class Limits:
    """What one recording may cost.

    Attributes
    ----------
    workers : int
        Recordings screened at once; 0 for as many as processors and free memory allow.
    memory_mb : int
        Memory one recording may take; beyond it the recording is stopped.
    time_limit_s : float
        Time one recording may take; beyond it the recording is stopped.
    attempts : int
        Failed tries, over all nights, after which a recording is put in quarantine.
    """

    workers: int = 0
    memory_mb: int = 1500
    time_limit_s: float = 3600.0
    attempts: int = 3

    def __post_init__(self) -> None:
        """Check the ranges."""
        no_problem(
            outside("workers", self.workers, 0, 1024),
            outside("memory_mb", self.memory_mb, 100, 1_000_000),
            outside("time_limit_s", self.time_limit_s, 1.0, 604_800.0),
            outside("attempts", self.attempts, 1, 100),
        )


@dataclass(frozen=True, slots=True)
class Page:
    """What the night's page shows.

    Attributes
    ----------
    names : {"file name", "code"}
        File names may hold a person's name: "code" shows a code made from the content instead,
        on the page, in the log and in the names of the results.
    nights : int
        How many nights the electrodes' trend goes back.
    """

    names: str = FILE_NAME
    nights: int = 14

    def __post_init__(self) -> None:
        """Check the choices."""
        no_problem(
            none_of("names", self.names, (FILE_NAME, CODE)),
            outside("nights", self.nights, 1, 365),
        )


@dataclass(frozen=True, slots=True)
class LogFile:
    """The log of all nights: one JSON object a line.

    Attributes
    ----------
    file : str
        Its path; empty for ``night.log`` in the output folder.
    max_mb : float
        Size at which it is rotated.
    keep : int
        How many rotated files are kept.
    """

    file: str = ""
    max_mb: float = 10.0
    keep: int = 5

    def __post_init__(self) -> None:
        """Check the ranges."""
        no_problem(
            outside("max_mb", self.max_mb, 0.001, 10_000), outside("keep", self.keep, 1, 1000)
        )


@dataclass(frozen=True, slots=True)
class After:
    """A command that is told how the night went.

    Attributes
    ----------
    command : tuple of str
        Program and arguments, run without a shell; empty for none.
    time_limit_s : float
        When it is stopped.
    """

    command: tuple[str, ...] = ()
    time_limit_s: float = 60.0

    def __post_init__(self) -> None:
        """Check the range."""
        no_problem(outside("time_limit_s", self.time_limit_s, 1.0, 3600.0))


@dataclass(frozen=True, slots=True)
class NightConfig:
    """Everything a night needs to know.

    Attributes
    ----------
    inbox : tuple of str
        Folders, searched with everything below them.
    output : str
        Folder of the results, the page and the ledger.
    ledger : str
        The ledger's path; empty for ``ledger.sqlite`` in the output folder. It needs a disk of
        this machine: SQLite's write-ahead log does not work on a network share.
    include, exclude : tuple of str
        Patterns for a recording's name, or for its path below the inbox; case does not matter.
    settle_s : float
        A file changed less than this ago may still be growing and is left for the next night.
    ledger_wait_s : float
        How long to wait while another program holds the ledger.
    settings : str
        A screening configuration's path, where it is not given in `screen`.
    screen : Config
        How recordings are screened.
    """

    inbox: tuple[str, ...]
    output: str
    ledger: str = ""
    include: tuple[str, ...] = ("*.edf", "*.bdf")
    exclude: tuple[str, ...] = ()
    settle_s: float = 300.0
    ledger_wait_s: float = 60.0
    settings: str = ""
    screen: Config = field(default_factory=Config)
    limits: Limits = field(default_factory=Limits)
    page: Page = field(default_factory=Page)
    log: LogFile = field(default_factory=LogFile)
    after: After = field(default_factory=After)

    def __post_init__(self) -> None:
        """Check what can be checked without looking at the disk."""
        patterns = 'include must hold at least one pattern such as "*.edf", got none'
        no_problem(
            "" if self.inbox else "inbox must name at least one folder, got an empty list",
            "inbox must name folders, got an empty text" if "" in self.inbox else "",
            "" if self.include else patterns,
            "" if self.output else "output must name a folder, got an empty text",
            outside("settle_s", self.settle_s, 0.0, 86_400.0),
            outside("ledger_wait_s", self.ledger_wait_s, 0.1, 3600.0),
        )

    @property
    def inboxes(self) -> tuple[Path, ...]:
        """The inbox folders."""
        return tuple(Path(name) for name in self.inbox)

    @property
    def output_folder(self) -> Path:
        """The results' folder."""
        return Path(self.output)

    @property
    def ledger_path(self) -> Path:
        """The ledger's file."""
        return Path(self.ledger) if self.ledger else self.output_folder / "ledger.sqlite"

    @property
    def log_path(self) -> Path:
        """The log's file."""
        return Path(self.log.file) if self.log.file else self.output_folder / "night.log"


def load_night(path: Path) -> NightConfig:
    """Read the settings of a night; relative paths count from the file's own folder.

    Raises
    ------
    ConfigError
        With every problem found in the file and in the screening settings it refers to.
    """
    table = read_toml(path)
    problems: list[str] = []
    screen: Config | None = None
    config: NightConfig | None = None
    with collecting(problems):
        config = fill(NightConfig, table, where=str(path))
    settings = table.get("settings")
    if isinstance(settings, str) and settings:
        if "screen" in table:
            problems.append(f"{path}: settings and [screen] must not both be given, got both")
        with collecting(problems):
            screen = load_config(_absolute(settings, path))
    if config is not None:
        config = _rooted(config, path)
        problems += _conflicts(config, path)
    if problems or config is None:
        raise ConfigError(problems)
    return config if screen is None else dataclasses.replace(config, screen=screen)


def _absolute(name: str, beside: Path) -> Path:
    """Resolve a path of the file against the file's folder."""
    return (beside.absolute().parent / Path(name).expanduser()).absolute()


def _rooted(config: NightConfig, path: Path) -> NightConfig:
    """Make the paths absolute."""
    log = config.log
    return dataclasses.replace(
        config,
        inbox=tuple(str(_absolute(name, path)) for name in config.inbox),
        output=str(_absolute(config.output, path)),
        ledger=str(_absolute(config.ledger, path)) if config.ledger else "",
        log=dataclasses.replace(log, file=str(_absolute(log.file, path)) if log.file else ""),
    )


def _conflicts(config: NightConfig, path: Path) -> list[str]:
    """Find settings that are right one by one but wrong together."""
    output = config.output_folder.resolve()
    problems = [
        f"{path}: output must not be an inbox or lie above one, got {config.output} "
        f"and inbox {inbox}"
        for inbox in config.inboxes
        if inbox.resolve().is_relative_to(output)
    ]
    if config.output_folder.exists() and not config.output_folder.is_dir():
        problems.append(f"{path}: output must be a folder, got the file {config.output}")
    return problems
