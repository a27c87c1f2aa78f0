"""Invented results of an invented lab, small enough to work out by hand."""

import runpy
from pathlib import Path

import pytest

_fakes = runpy.run_path(str(Path(__file__).with_name("fakes.py")))


@pytest.fixture
def fakes():
    """Give the builders of `fakes.py`."""
    return type(
        "Fakes",
        (),
        {name: staticmethod(value) for name, value in _fakes.items() if callable(value)},
    )
