"""What can go wrong, one class a kind; each knows the exit status it leads to.

A message says what must hold, then what was got, then what to do.
"""


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
