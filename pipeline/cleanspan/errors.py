"""What can go wrong, one class a kind; each knows the exit status it leads to.

A message says what must hold, then what was got, then what to do.
"""

from collections.abc import Iterator
from contextlib import contextmanager

_LONGEST_NAME = 40
"""Longer texts in a KeyError are a library's sentence and no name."""


def damage(error: Exception) -> str:
    """Say in plain words what a file is found to lack, given what reading it raised.

    Libraries name their own classes and internals; whoever reads the line needs neither. The
    libraries' errors are known by name, so that none of them is loaded for this.
    """
    if isinstance(error, FileNotFoundError):
        return "no file of that name"
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    if isinstance(error, UnicodeDecodeError):
        return "bytes that are no text in UTF-8"
    if isinstance(error, KeyError) and len(str(error)) < _LONGEST_NAME:
        return f"nothing under the name {error}"
    known = {
        "JSONDecodeError": "text that breaks off or is no JSON",
        "EmptyDataError": "an empty table",
        "ParserError": "a table that breaks off or has rows of different lengths",
        "BadZipFile": "an archive that breaks off",
    }
    return known.get(type(error).__name__, "content that does not have the form it should")


class CleanspanError(Exception):
    """Base of every error that a user can cause and mend."""

    exit_status = 2


class UsageError(CleanspanError):
    """The command's arguments cannot be carried out as given."""


class ConfigError(CleanspanError):
    """A configuration file is wrong; the message lists every problem found.

    Parameters
    ----------
    problems : list of str
        One line for each problem, with the file and the key it stands at.
    """

    def __init__(self, problems: list[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problems))

    def __reduce__(self) -> "tuple[type[CleanspanError], tuple[list[str]]]":
        """Travel between processes with the list of problems, not the joined text."""
        return type(self), (list(self.problems),)


@contextmanager
def collecting(problems: list[str]) -> Iterator[None]:
    """Add what is wrong with a configuration or an argument to others, to be told together."""
    try:
        yield
    except ConfigError as error:
        problems += error.problems
    except UsageError as error:
        problems.append(str(error))


class ModelError(CleanspanError):
    """A model folder is damaged, unsafe or does not match this version."""


class LabelsError(CleanspanError):
    """Hand labels are wrong; the message lists every problem with file and line.

    Parameters
    ----------
    problems : list of str
        One line for each problem.
    """

    def __init__(self, problems: list[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problems))

    def __reduce__(self) -> "tuple[type[CleanspanError], tuple[list[str]]]":
        """Travel between processes with the list of problems, not the joined text."""
        return type(self), (list(self.problems),)


class OutputError(CleanspanError):
    """Results cannot be written where they were asked for."""


class RecordingError(CleanspanError):
    """One recording cannot be used; the others go on."""

    exit_status = 1


class NotARecordingError(RecordingError):
    """The file is not an EEG recording that can be read."""


class NoEegChannelError(RecordingError):
    """The recording is readable but none of its channels is scalp EEG."""
