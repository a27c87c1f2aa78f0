"""A model folder: manifest, plain-array weights, card. Loading refuses what does not match."""

import hashlib
import tomllib
import zipfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from cleanspan.config import SegmentRule, fill
from cleanspan.errors import ConfigError, ModelError
from cleanspan.features.registry import EVENT_NAMES, FEATURE_VERSION, WINDOW_NAMES
from cleanspan.labelling.network import Array, Head, Network, Panel, Scaling

FORMAT = 1
READABLE_FORMATS = (1,)
MANIFEST, WEIGHTS, CARD = "manifest.toml", "weights.npz", "card.md"
LARGEST_BYTES = 64 * 2**20
"""No honest model is larger; a file that claims more is refused before anything is allocated."""
TINY = 1e-30
"""Smallest weight told apart from 0: with scaled features within ±4 a smaller one adds nothing."""
CHECK_ROWS = 8
CHECK_REACH = 4.5
"""How far the scaled features of the fixed input reach: so far that no head says the same of all
rows."""
CHECKS = ((CHECK_REACH, 1e-3, 1e-12), (3.0, 0.0, 1e-4), (2.0, 0.0, 1e-4))
"""The reach, and by how much answers may differ, relative and absolute: now, and for models
written before 0.11.0 and before 0.8.0. Now by a thousandth: small answers must be right too."""
NEAR = "retrain it with this version, or use the shipped model"


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """A loaded model.

    Attributes
    ----------
    name : str
    labels : tuple of str
        All labels, events first.
    windows, events : Panel
        What reads channel-windows, and what reads candidate events.
    rules : mapping of str to SegmentRule
    fingerprint : str
        Eight hex digits of the weights.
    manifest : mapping
        The whole manifest.
    folder : Path
    """

    name: str
    labels: tuple[str, ...]
    windows: Panel
    events: Panel
    rules: Mapping[str, SegmentRule]
    fingerprint: str
    manifest: Mapping[str, Any]
    folder: Path = field(default_factory=Path)

    @property
    def full_name(self) -> str:
        """Name with fingerprint, as results carry it."""
        return f"{self.name}@{self.fingerprint}"

    def rule(self, label: str) -> SegmentRule:
        """Segment rule of a label."""
        return self.rules.get(label, SegmentRule())


def check_rules(rules: Mapping[str, SegmentRule], model: Model) -> None:
    """Refuse rules for labels that a model does not give: a misspelt one would do nothing.

    Raises
    ------
    ConfigError
    """
    unknown = sorted(set(rules) - set(model.labels))
    if unknown:
        raise ConfigError(
            [
                f"segments.{label}: it must be a label of the model {model.name} "
                f"({', '.join(model.labels)}), got {label!r}; mend or remove it"
                for label in unknown
            ]
        )


def load_model(folder: Path) -> Model:
    """Load a model folder.

    Raises
    ------
    ModelError
        If it is missing, damaged, of an unknown format, made for other features, or answers a
        fixed question differently from when it was made.
    """
    manifest = _read_manifest(folder)
    _check_manifest(folder, manifest)
    arrays, fingerprint = _read_arrays(folder / WEIGHTS)
    if fingerprint != manifest.get("weights_sha256"):
        raise ModelError(
            f"{folder / WEIGHTS}: must have the SHA-256 that {MANIFEST} names, got another; {NEAR}"
        )
    try:
        windows = _panel(arrays, "windows", tuple(manifest["window_features"]), manifest)
        events = _panel(arrays, "events", tuple(manifest["event_features"]), manifest)
        check = arrays["check"]
    except (KeyError, ValueError, TypeError, IndexError) as error:
        raise ModelError(
            f"{folder}: weights must fit the manifest, got: {error}; {NEAR}"
        ) from error
    model = Model(
        name=str(manifest["name"]),
        labels=tuple(manifest["labels"]),
        windows=windows,
        events=events,
        rules=_rules(folder, manifest),
        fingerprint=fingerprint[:8],
        manifest=manifest,
        folder=folder,
    )
    if not _as_when_made(windows, events, check):
        raise ModelError(
            f"{folder}: predictions on the fixed input must equal those of the manifest, "
            f"got others; {NEAR}"
        )
    return model


def _read_manifest(folder: Path) -> dict[str, Any]:
    path = folder / MANIFEST
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ModelError(
            f"{folder}: a model folder must hold a readable {MANIFEST}, got: {error.strerror}; "
            "name another model folder"
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ModelError(f"{path}: must be TOML, got: {error}; {NEAR}") from error


def _check_manifest(folder: Path, manifest: Mapping[str, Any]) -> None:
    """Refuse a manifest that this version cannot serve."""
    needed = {
        "format": int, "name": str, "labels": list, "window_labels": list, "event_labels": list,
        "window_features": list, "event_features": list, "feature_version": int,
        "networks": dict, "weights_sha256": str,
    }  # fmt: skip
    for key, kind in needed.items():
        if not isinstance(manifest.get(key), kind):
            raise ModelError(
                f"{folder / MANIFEST}: {key} must be given as {kind.__name__}, "
                f"got {manifest.get(key)!r}; {NEAR}"
            )
    if manifest["format"] not in READABLE_FORMATS:
        raise ModelError(
            f"{folder}: model format must be one of {list(READABLE_FORMATS)}, got "
            f"{manifest['format']}; install the cleanspan version that made it, or {NEAR}"
        )
    if manifest["feature_version"] != FEATURE_VERSION:
        raise ModelError(
            f"{folder}: feature version must be {FEATURE_VERSION}, got "
            f"{manifest['feature_version']}; {NEAR}"
        )
    known = {"window_features": WINDOW_NAMES, "event_features": EVENT_NAMES}
    for key, names in known.items():
        unknown = [name for name in manifest[key] if name not in names]
        if unknown:
            raise ModelError(
                f"{folder}: {key} must be registered features, got {unknown[0]!r}; {NEAR}"
            )


def _read_arrays(path: Path) -> tuple[dict[str, Array], str]:
    """Read float32 arrays; nothing in the file can run code (no pickle is ever loaded)."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise ModelError(f"{path}: weights must be below 64 MB, got more; {NEAR}")
        with zipfile.ZipFile(path) as archive:
            if sum(item.file_size for item in archive.infolist()) > LARGEST_BYTES:
                raise ModelError(f"{path}: weights must unpack to below 64 MB, got more; {NEAR}")
        with np.load(path, allow_pickle=False) as stored:
            arrays = {name: np.asarray(stored[name], dtype=np.float32) for name in stored.files}
        return arrays, hashlib.sha256(path.read_bytes()).hexdigest()
    except (OSError, ValueError, zipfile.BadZipFile, EOFError, MemoryError) as error:
        raise ModelError(
            f"{path}: weights must be a file of plain number arrays, got: {error}; {NEAR}"
        ) from error


def _panel(
    arrays: Mapping[str, Array], kind: str, features: tuple[str, ...], manifest: Mapping[str, Any]
) -> Panel:
    """Build the heads of one kind out of named arrays."""
    scaling = Scaling(
        _shaped(arrays, f"{kind}/centre", (len(features),)),
        _shaped(arrays, f"{kind}/spread", (len(features),)),
    )
    heads = []
    for label in manifest[f"{kind[:-1]}_labels"]:
        networks = tuple(
            _network(arrays, f"{kind}/{label}/{number}", len(features), int(n_layers))
            for number, n_layers in enumerate(manifest["networks"][label])
        )
        if not networks:
            raise ValueError(f"{label} has no network")
        slope, offset = _shaped(arrays, f"{kind}/{label}/calibration", (2,))
        heads.append(Head(label, networks, float(slope), float(offset)))
    return Panel(features, scaling, tuple(heads))


def _network(arrays: Mapping[str, Array], prefix: str, n_inputs: int, n_layers: int) -> Network:
    """Build one network, checking that each layer fits the one before."""
    weights, biases = [], []
    for layer in range(n_layers):
        weight = _without_tiny(arrays[f"{prefix}/w{layer}"])
        if weight.ndim != 2 or weight.shape[0] != n_inputs:
            raise ValueError(f"{prefix}/w{layer} has shape {weight.shape}")
        n_inputs = weight.shape[1]
        weights.append(weight)
        biases.append(_shaped(arrays, f"{prefix}/b{layer}", (n_inputs,)))
    if n_inputs != 1:
        raise ValueError(f"{prefix} has {n_inputs} outputs")
    return Network(tuple(weights), tuple(biases))


def _without_tiny(weight: Array) -> Array:
    """Make 0 of weights that count for nothing.

    Decay leaves some so small (subnormal numbers) that products with them take many times longer.
    """
    return np.where(np.abs(weight) < TINY, np.float32(0), weight)


def _shaped(arrays: Mapping[str, Array], name: str, shape: tuple[int, ...]) -> Array:
    array = arrays[name]
    if array.shape != shape or not np.isfinite(array).all():
        raise ValueError(f"{name} must be finite with shape {shape}, got {array.shape}")
    return array


def _rules(folder: Path, manifest: Mapping[str, Any]) -> dict[str, SegmentRule]:
    tables = manifest.get("segments", {})
    try:
        return {
            label: fill(SegmentRule, table, where=f"{folder / MANIFEST}: segments.{label}")
            for label, table in tables.items()
        }
    except (ConfigError, AttributeError) as error:
        raise ModelError(f"{error}; {NEAR}") from error


def _as_when_made(windows: Panel, events: Panel, check: Array) -> bool:
    """Tell whether a model answers the fixed questions as it did then."""
    for reach, relative, absolute in CHECKS:
        answers = fixed_answers(windows, events, reach=reach)
        if answers.shape == check.shape and np.allclose(
            answers, check, rtol=relative, atol=absolute
        ):
            return True
    return False


def fixed_answers(windows: Panel, events: Panel, *, reach: float = CHECK_REACH) -> Array:
    """Probabilities on a fixed input: the same model gives the same ones anywhere.

    Returns
    -------
    ndarray of shape (8, n_labels)
    """
    parts = []
    for panel in (events, windows):
        size = CHECK_ROWS * len(panel.features)
        spread = reach * np.sin(np.arange(size, dtype=np.float64) * 1.7)
        spread = spread.reshape(CHECK_ROWS, -1)
        rows = (panel.scaling.centre + spread * panel.scaling.spread).astype(np.float32)
        parts.append(panel.probabilities(rows))
    return np.concatenate(parts, axis=1)


def save_model(
    folder: Path,
    *,
    name: str,
    windows: Panel,
    events: Panel,
    rules: Mapping[str, SegmentRule],
    facts: Mapping[str, Any],
    card: str,
    extra_arrays: Mapping[str, Array] | None = None,
) -> None:
    """Write a model folder's files into an existing folder.

    Parameters
    ----------
    folder : Path
    name : str
    windows, events : Panel
    rules : mapping of str to SegmentRule
    facts : mapping
        Further tables of the manifest: training data, metrics, library versions.
    card : str
        The model card, Markdown.
    extra_arrays : mapping of str to ndarray, optional
        Further arrays, such as the quantiles of the training data.
    """
    import tomli_w

    arrays = {"check": fixed_answers(windows, events), **(extra_arrays or {})}
    for kind, panel in (("windows", windows), ("events", events)):
        arrays[f"{kind}/centre"] = panel.scaling.centre
        arrays[f"{kind}/spread"] = panel.scaling.spread
        for head in panel.heads:
            arrays[f"{kind}/{head.label}/calibration"] = np.array([head.slope, head.offset])
            for number, network in enumerate(head.networks):
                for layer, (weight, bias) in enumerate(
                    zip(network.weights, network.biases, strict=True)
                ):
                    arrays[f"{kind}/{head.label}/{number}/w{layer}"] = weight
                    arrays[f"{kind}/{head.label}/{number}/b{layer}"] = bias
    packed = {key: np.asarray(value, dtype=np.float32) for key, value in arrays.items()}
    np.savez(folder / WEIGHTS, **packed)  # type: ignore[arg-type]
    manifest = {
        "format": FORMAT,
        "name": name,
        "labels": list(events.labels + windows.labels),
        "window_labels": list(windows.labels),
        "event_labels": list(events.labels),
        "feature_version": FEATURE_VERSION,
        "networks": {
            head.label: [len(network.weights) for network in head.networks]
            for head in (*events.heads, *windows.heads)
        },
        "weights_sha256": hashlib.sha256((folder / WEIGHTS).read_bytes()).hexdigest(),
        "window_features": list(windows.features),
        "event_features": list(events.features),
        "segments": {label: asdict(rule) for label, rule in rules.items()},
        **facts,
    }
    (folder / MANIFEST).write_text(tomli_w.dumps(manifest), encoding="utf-8")
    (folder / CARD).write_text(card, encoding="utf-8")
