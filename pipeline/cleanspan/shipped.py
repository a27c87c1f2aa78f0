"""Where the shipped model, configurations and plans lie, in a checkout and in a wheel."""

from pathlib import Path


def shipped_folder(kind: str) -> Path:
    """Find a folder that is shipped with the package.

    Parameters
    ----------
    kind : {"models", "configs"}
        Which folder.

    Returns
    -------
    Path
        The folder inside an installed wheel, else the one beside ``pipeline/`` in a checkout.

    Raises
    ------
    FileNotFoundError
        If neither exists: the installation is incomplete.
    """
    package = Path(__file__).parent
    for folder in (package / "_shipped" / kind, package.parents[1] / kind):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"the shipped folder {kind!r} is missing; reinstall cleanspan")
