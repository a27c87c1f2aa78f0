"""What the README says is so: its commands run, its tables are complete, its output is real.

``python tests/cli/test_readme.py`` runs the commands and puts what they print now into the README.
"""

import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import click
import pytest

from cleanspan.cli import COMMANDS, cli

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
TOO_SLOW = ("cleanspan retrain", "cleanspan model use")
"""Retraining fits a model for minutes; these lines are parsed and not run."""


def readme():
    return README.read_text(encoding="utf-8")


def code(language):
    return re.findall(rf"^```{language}\n(.*?)^```", readme(), flags=re.DOTALL | re.MULTILINE)


def shown():
    """List the console lines as (command, lines of output that the README shows)."""
    found = []
    for line in "".join(code("console")).splitlines():
        if line.startswith("$ "):
            found.append((line[2:], []))
        else:
            found[-1][1].append(line)
    return found


def too_slow(line):
    return line.startswith(TOO_SLOW)


def prepared(folder):
    """Lay out a folder as the README's reader has it; give the environment to run in."""
    shutil.copytree(ROOT / "demo_data", folder / "demo_data")
    (folder / "night.toml").write_text(code("toml")[0])
    homes = {name: str(folder / ".home") for name in ("HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME")}
    return {**os.environ, **homes, "COLUMNS": "200"}


def called(arguments, folder, environment):
    """Run Python with arguments; give the lines that it printed."""
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=150,
        check=False,
    )
    assert done.returncode == 0, f"{arguments}: {done.stderr}"
    return done.stdout.splitlines()


def shape(line):
    """Keep what does not hang on the model: a whole heading, else the beginning of a row."""
    if any(character.isdigit() for character in line):
        return re.split(r": | {2}", line)[0]
    return " ".join(line.split())


def command_of(words):
    """Find the command that words call; give it with its name and its arguments."""
    command, names = cli, []
    while isinstance(command, click.Group):
        name, *words = words
        names.append(name)
        found = command.get_command(click.Context(command), name)
        assert found is not None, f"there is no command {' '.join(names)}"
        command = found
    return " ".join(names), command, words


def rows():
    """Rows of the table of commands: command's name, first cell, last cell."""
    table = readme().split("## Commands\n")[1].split("\n## ")[0]
    lines = [line for line in table.splitlines() if line.startswith("| `cleanspan ")]
    cells = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]
    return {row[0].split()[1].strip("`"): (row[0], row[-1].strip("| ")) for row in cells}


def options_of(command):
    own = {name for option in command.params for name in (*option.opts, *option.secondary_opts)}
    if isinstance(command, click.Group):
        return own.union(*(options_of(inner) for inner in command.commands.values()))
    return own


def test_every_command_has_its_row():
    assert list(rows()) == list(COMMANDS)


@pytest.mark.parametrize("name", list(COMMANDS))
def test_a_row_names_only_options_that_there_are(name):
    command = cli.get_command(click.Context(cli), name)
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", " ".join(rows()[name])))
    assert named <= options_of(command)


def test_models_commands_are_all_named():
    command = cli.get_command(click.Context(cli), "model")
    row = next(line for line in readme().splitlines() if line.startswith("| `cleanspan model"))
    assert {name for name in command.commands if not re.search(rf"\b{name}\b", row)} == set()


def test_every_guide_is_named_and_no_other():
    topics = {path.stem for path in (ROOT / "pipeline/cleanspan/guides").glob("*.md")}
    row = next(line for line in readme().splitlines() if line.startswith("| `cleanspan guide"))
    assert set(re.findall(r"`([a-z-]+)`", row)) == topics
    assert set(re.findall(r"cleanspan guide ([a-z-]+)", readme())) <= topics


def test_links_lead_somewhere():
    for target in re.findall(r"\]\(([^)]+)\)", readme()):
        assert (ROOT / target).exists(), target


def test_two_commands_do_everything_on_a_fresh_machine():
    """One line each; the first makes the demo's results, the second passes the tests."""
    lines = [line for block in code("sh") for line in block.splitlines()]
    assert len(lines) == 2
    for line in lines:
        assert line.startswith("python3 -m venv .venv && .venv/bin/pip install -q ")
    assert lines[0].endswith(" && .venv/bin/" + shown()[0][0])
    assert lines[1].endswith(" && .venv/bin/pytest -n 2")


def test_the_check_before_a_release_runs_the_same_two_commands():
    """``.ci/run`` takes them out of the README with these patterns."""
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    patterns = re.findall(r"^\w+=\$\(readme_line '(.*)'\)$", script, flags=re.MULTILINE)
    found = [re.findall(pattern, readme(), flags=re.MULTILINE) for pattern in patterns]
    assert [len(lines) for lines in found] == [1, 1]
    whole = [line for line in readme().splitlines() if any(line.startswith(f[0]) for f in found)]
    assert whole == [line for block in code("sh") for line in block.splitlines()]


def test_the_readme_is_not_too_long():
    assert len(readme().splitlines()) < 250


def test_console_lines_run_and_print_what_is_shown(tmp_path, monkeypatch):
    environment = prepared(tmp_path)
    monkeypatch.chdir(tmp_path)
    compared = 0
    for line, output in shown():
        if too_slow(line):
            _, command, arguments = command_of(shlex.split(line)[1:])
            command.make_context("cleanspan", arguments)  # raises where it cannot be parsed
            continue
        printed = called(["-m", *shlex.split(line)], tmp_path, environment)
        if output:
            assert [shape(row) for row in printed] == [shape(row) for row in output], line
            compared += 1
    assert compared >= 2
    the_files_are_those_of_the_table(tmp_path / "results" / "harbour-street-p01-rest")
    the_snippets_run(tmp_path, environment)


def the_files_are_those_of_the_table(folder):
    """Compare the files of a screening, and the columns of their tables, with the README."""
    table = dict(re.findall(r"^\| `(R_[\w.]+)`[^|]*\| (.*) \|$", readme(), flags=re.MULTILINE))
    planned = r"_(resting|connectivity|plans|events)\."  # written by exclude, not by screen
    written = {
        path.name.replace(folder.name, "R")
        for path in folder.iterdir()
        if not re.search(planned, path.name)
    }
    assert written == set(table)
    for name, what in table.items():
        if name.endswith(".csv"):
            heading = (folder / name.replace("R_", f"{folder.name}_")).read_text().splitlines()[0]
            said = re.escape(what.split("`")[1]).replace("…", r"[\w,]+")
            assert re.fullmatch(said, heading)


def the_snippets_run(folder, environment):
    for snippet in code("python"):
        called(["-c", snippet], folder, environment)


@pytest.mark.parametrize(
    ("row", "kept"),
    [
        ("recording   length  usable", "recording length usable"),
        ("a-1.edf  0:02:00  89%", "a-1.edf"),
        ("a-1.edf, resting: 106.5 of 120.0 s usable", "a-1.edf, resting"),
    ],
)
def test_shape_keeps_headings_and_beginnings(row, kept):
    assert shape(row) == kept


def refresh():
    """Write into the README what its commands print now, where it shows output."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        environment = prepared(folder)
        text = readme()
        for line, output in shown():
            if too_slow(line):
                continue
            printed = called(["-m", *shlex.split(line)], folder, environment)
            if output:
                before = "\n".join([f"$ {line}", *output])
                assert text.count(before) == 1
                text = text.replace(before, "\n".join([f"$ {line}", *printed]))
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    refresh()
