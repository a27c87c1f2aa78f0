"""The command line: one module a command, imported only when that command is called."""

import importlib
import os
import sys
from pathlib import Path
from typing import Any

import click

from cleanspan import __version__
from cleanspan.errors import CleanspanError
from cleanspan.stopping import STOPPED, in_good_order

COMMANDS = {
    "screen": "Mark artefacts in recordings and write the results.",
    "exclude": "Make exclusion lists for an analysis from results screened before.",
    "night": "Screen what came in since the last night, and write a page about it.",
    "ledger": "Show what the nights have done: which recordings, what failed and why.",
    "evaluate": "Compare marks with hand labels, or reader with reader.",
    "review": "Make a page for labelling by hand what is most worth a reader's minutes.",
    "retrain": "Fit a model to the lab's hand labels and judge it on held-out people.",
    "model": "List, show, compare and put into use the lab's models.",
    "guide": "Read the documentation.",
}
"""Command name → its line in ``cleanspan --help``; the module is ``cleanspan.cli.<name>``."""


UNDONE = 2
"""Exit status where a file is out of reach, or what is to be said could not be written."""


NOT_EMPTY = "must not be empty (is a shell variable not set?)"


class GivenPath(click.Path):
    """A path that is not empty: a shell variable that is not set would mean the current folder."""

    def __init__(self, **options: Any) -> None:
        super().__init__(path_type=Path, **options)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse an empty text."""
        if value == "":
            self.fail(NOT_EMPTY, param, ctx)
        return super().convert(value, param, ctx)


EXISTING = GivenPath(exists=True)


class GivenText(click.types.StringParamType):
    """A text that says something: an empty one would mean that nothing was asked for."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse an empty text."""
        text = super().convert(value, param, ctx)
        if not text.strip():
            self.fail(NOT_EMPTY, param, ctx)
        return text


TEXT = GivenText()


class Between(click.FloatRange):
    """A number within a range; ``nan`` lies in none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse what is no number."""
        number = super().convert(value, param, ctx)
        if number != number:
            self.fail("must be a number, got nan", param, ctx)
        return number


class LazyGroup(click.Group):
    """A group that imports a command's module only when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Name the commands in the order of work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import one command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"cleanspan.cli.{cmd_name.replace('-', '_')}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="cleanspan %(version)s")
def cli() -> None:
    """Mark what cannot be used in EEG recordings, and say which electrode to mend.

    Not a medical device and not for diagnosis. A missing mark proves nothing.
    """


def main(args: list[str] | None = None) -> Any:
    """Run the command line; a user's mistake becomes one clear line and an exit status."""
    try:
        with in_good_order():
            status = cli.main(args=args, prog_name="cleanspan", standalone_mode=False)
        if sys.stdout is not None:  # closed by the caller
            sys.stdout.flush()  # a full disk behind it must be told here, not by the interpreter
        sys.exit(status if isinstance(status, int) else 0)
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        sys.exit(error.exit_code)
    except click.ClickException as error:
        click.echo(f"cleanspan: {_one_line(error)}", err=True)
        sys.exit(error.exit_code)
    except click.Abort:
        click.echo("cleanspan: stopped", err=True)
        sys.exit(STOPPED)
    except CleanspanError as error:
        for line in str(error).splitlines():
            click.echo(f"cleanspan: {line}", err=True)
        sys.exit(error.exit_status)
    except BrokenPipeError:
        # The reader of our output (head, less) went away: not a failure of the run.
        _silence()
        sys.exit(0)
    except OSError as error:
        if error.filename is None:
            _silence()
            click.echo(
                "cleanspan: standard output must take what is said there, got: "
                f"{error.strerror}; what was written to files is whole, see there or run again",
                err=True,
            )
        else:
            click.echo(
                f"cleanspan: {error.filename}: it must be within reach, got: {error.strerror}; "
                "mend its permissions or name another",
                err=True,
            )
        sys.exit(UNDONE)


def _silence() -> None:
    """Let nothing be said any more: what waits would fail once more at the very end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def tell_how_far(text: str, *, after: BaseException) -> None:
    """Say what was done before something ended the work, on a line of its own.

    On Ctrl-C it stands after the terminal's ``^C``, and click ends the line in any case.
    """
    if isinstance(after, KeyboardInterrupt):
        click.echo(f"\ncleanspan: {text}", nl=False, err=True)
    else:
        click.echo(f"cleanspan: {text}", err=True)


def _one_line(error: click.ClickException) -> str:
    """Say what click found wrong, and where the command's options stand, on one line."""
    what = " ".join(error.format_message().split()).rstrip(".")
    context = getattr(error, "ctx", None)
    command = context.command_path if context else "cleanspan"
    return f"{what}{'' if what.endswith('?') else ';'} see {command} --help"
