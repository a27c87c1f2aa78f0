"""Errors travel between processes without losing what they say."""

import pickle

import pytest

from cleanspan.errors import ConfigError, LabelsError, OutputError


@pytest.mark.parametrize("kind", [ConfigError, LabelsError])
def test_every_problem_survives_the_way_between_processes(kind):
    error = kind(["a.toml: hop_s must lie between 0.25 and 1, got 3", "a.toml: plan"])
    back = pickle.loads(pickle.dumps(error))  # noqa: S301 - made here
    assert back.problems == error.problems
    assert str(back) == str(error)
    assert back.exit_status == 2


def test_plain_errors_keep_their_text():
    back = pickle.loads(pickle.dumps(OutputError("/out: must be writable")))  # noqa: S301
    assert str(back) == "/out: must be writable"
