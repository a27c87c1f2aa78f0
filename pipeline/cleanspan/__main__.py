"""The command ``cleanspan``, also as ``python -m cleanspan``."""

from cleanspan.stopping import at_once


def main() -> None:
    """Load the command line, and run it."""
    with at_once():
        from cleanspan.cli import main as run
    run()


if __name__ == "__main__":
    main()
