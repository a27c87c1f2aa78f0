"""An empty text, such as an unset shell variable, must not pass for an option not given."""

import click
import pytest

from cleanspan.cli import TEXT, cli, main

FILE = __file__
CASES = [
    ["screen", FILE, "--out", "out", "--plan"],
    ["screen", FILE, "--out", "out", "--model"],
    ["exclude", "out", "--plan"],
    ["exclude", "out", "--plan", "resting", "--events", "annotations", "--text"],
    ["evaluate", FILE, "--labels", FILE, "--person-pattern"],
    ["evaluate", FILE, "--labels", FILE, "--all-channels"],
    ["evaluate", FILE, "--labels", FILE, "--not-read"],
    ["evaluate", FILE, "--labels", FILE, "--readers"],
    ["retrain", FILE, "--labels", FILE, "--name"],
    ["retrain", FILE, "--labels", FILE, "--from"],
    ["retrain", FILE, "--labels", FILE, "--person-pattern"],
    ["model", "compare", "shipped", "--labels", FILE, "--recordings", FILE, "--person-pattern"],
    ["model", "watch", FILE, "--model"],
    ["model", "show"],
    ["ledger", "--config", "night.toml", "--name"],
    ["ledger", "--config", "night.toml", "--model"],
    ["night", "--config", "night.toml", "--cluster"],
]


@pytest.mark.parametrize("value", ["", " "])
@pytest.mark.parametrize("args", CASES, ids=lambda args: f"{args[0]} {args[-1]}")
def test_an_empty_value_is_refused_in_one_line(args, value, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as caught:
        main([*args, value])
    out, err = capsys.readouterr()
    assert (caught.value.code, out) == (2, "")
    assert err.count("\n") == 1
    assert "must not be empty (is a shell variable not set?)" in err
    assert args[-1].lstrip("-").upper() in err.upper()
    assert not list(tmp_path.iterdir())


def test_channels_that_are_none_are_refused(capsys):
    with pytest.raises(SystemExit) as caught:
        main(["evaluate", FILE, "--labels", FILE, "--all-channels", "EEG"])
    assert caught.value.code == 2
    assert "--all-channels must name channels, got 'EEG'" in capsys.readouterr().err


def every_parameter(command, path=()):
    """List all options and arguments with the commands they belong to."""
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            yield from every_parameter(command.get_command(context, name), (*path, name))
    for parameter in command.params:
        yield " ".join((*path, parameter.name)), parameter


def test_every_option_that_takes_a_text_refuses_an_empty_one():
    looked_at = {"guide topic", "model use why", "model back why"}  # refused by what they mean
    plain = [
        name
        for name, parameter in every_parameter(cli)
        if isinstance(parameter.type, click.types.StringParamType)
        and parameter.type is not TEXT
        and name not in looked_at
    ]
    assert plain == []
