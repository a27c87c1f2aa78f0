"""For all tests: what one leaves behind must not decide another."""

import logging

import pytest


@pytest.fixture(autouse=True)
def same_log_level() -> None:
    """Begin at the level of a new process, whatever a command called in this one has set.

    Not taken back at the end: a fixture of a whole module that calls a command runs before this.
    """
    logging.getLogger("cleanspan").setLevel(logging.NOTSET)
