"""For all tests: what one leaves behind must not decide another."""

import logging
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True)
def same_log_level() -> Iterator[None]:
    """Take back the level that a command called in this process has set."""
    logger = logging.getLogger("cleanspan")
    level = logger.level
    yield
    logger.setLevel(level)
