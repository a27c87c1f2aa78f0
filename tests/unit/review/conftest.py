"""Gives the tests the invented recording that the browser tests use too."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def invented() -> ModuleType:
    path = Path(__file__).parents[2] / "browser" / "invented.py"
    spec = importlib.util.spec_from_file_location("invented_screened", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
