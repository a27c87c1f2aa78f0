"""What a model knew before a lab taught it: its networks keep a vote beside the lab's.

A few people's labels and some simulated rows say less than what the shipped model has seen; it
cannot be fitted again without the recordings that it learned from, but it can be asked.
"""

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from cleanspan.errors import ModelError
from cleanspan.labelling.model import CARD, MANIFEST, WEIGHTS, Model, load_model
from cleanspan.labelling.network import Head, Network, Panel, Scaling, columns_of

BASE = "base"
"""Folder in a retrained model's that holds the model whose networks vote in it."""


def base_of(model: Model) -> Model | None:
    """Find the model whose networks vote beside a lab's.

    It has seen none of the lab's people, unless they were in its own training: of a retrained
    model that is the one that voted in it, for the lab's own part is fitted anew each time.

    Parameters
    ----------
    model : Model
        Loaded from a folder.

    Returns
    -------
    Model or None
        None of a model that was retrained without one.

    Raises
    ------
    ModelError
        If it is missing or damaged.
    """
    training = model.manifest.get("training", {})
    if "started_from" not in training:
        return model
    if not training.get("base"):
        return None
    if not (model.folder / BASE).is_dir():
        raise ModelError(
            f"{model.folder}: a retrained model must hold the folder {BASE} with the model that "
            "votes in it, got none; copy the whole folder, or start from another model"
        )
    return load_model(model.folder / BASE)


def keep_base(base: Model, folder: Path) -> None:
    """Copy the files of the model that votes into the folder of a model that is being made."""
    (folder / BASE).mkdir()
    for name in (MANIFEST, WEIGHTS, CARD):
        if (base.folder / name).is_file():
            shutil.copyfile(base.folder / name, folder / BASE / name)


def kept_scaling(former: Panel, names: Sequence[str], scaling: Scaling) -> Scaling:
    """Scale as a former panel does, and features that it does not look at as given."""
    centre, spread = scaling.centre.copy(), scaling.spread.copy()
    columns = columns_of(names, former.features)
    centre[columns], spread[columns] = former.scaling.centre, former.scaling.spread
    return replace(scaling, centre=centre, spread=spread)


def former_head(former: Panel, label: str, names: Sequence[str]) -> Head | None:
    """Give a former panel's head, reading all these features; None where it has none."""
    columns = columns_of(names, former.features)
    for head in former.heads:
        if head.label == label:
            networks = tuple(_reading(network, columns, len(names)) for network in head.networks)
            return replace(head, networks=networks)
    return None


def _reading(network: Network, columns: np.ndarray, count: int) -> Network:
    """Let a network read more features, without looking at the others."""
    first = np.zeros((count, network.weights[0].shape[1]), dtype=np.float32)
    first[columns] = network.weights[0]
    return Network((first, *network.weights[1:]), network.biases)


def together(former: Head, new: Head, *, say: float) -> Head:
    """Join two heads of one label: the weighted mean of their calibrated logits.

    Parameters
    ----------
    former, new : Head
    say : float
        Weight of the new one, 0 to 1; the former one has the rest.
    """
    count = len(former.networks) + len(new.networks)
    networks: list[Network] = []
    for head, weight in ((former, 1 - say), (new, say)):
        # The head averages over all networks, however many each of the two brings.
        factor = weight * head.slope * count / len(head.networks)
        networks += [_times(network, factor) for network in head.networks]
    offset = (1 - say) * former.offset + say * new.offset
    return Head(new.label, tuple(networks), 1.0, offset)


def _times(network: Network, factor: float) -> Network:
    """Multiply what a network says."""
    by = np.float32(factor)
    return Network(
        (*network.weights[:-1], network.weights[-1] * by),
        (*network.biases[:-1], network.biases[-1] * by),
    )
