"""``python -m cleanspan`` is the command ``cleanspan``."""

from cleanspan.cli import main

if __name__ == "__main__":
    main()
