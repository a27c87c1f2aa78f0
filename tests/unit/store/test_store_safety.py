"""Damaged and malicious model folders are refused, with a word on what to do."""

import io
import pickle
import shutil
import zipfile
from pathlib import Path

import numpy as np
import pytest

from cleanspan.errors import ModelError
from cleanspan.features.registry import FEATURE_VERSION
from cleanspan.labelling.model import FORMAT, load_model
from cleanspan.training.sample import load_tables
from cleanspan.training.store import ModelStore

KEPT = Path(__file__).parent / "kept"


class Harmful:
    """Unpickling this creates a file."""

    def __init__(self, path):
        self.path = path

    def __reduce__(self):
        return (Path.touch, (self.path,))


def rehash(folder):
    """Make the manifest vouch for the weights, as a forger would."""
    import hashlib
    import re

    digest = hashlib.sha256((folder / "weights.npz").read_bytes()).hexdigest()
    manifest = folder / "manifest.toml"
    manifest.write_text(
        re.sub(r'weights_sha256 = "\w+"', f'weights_sha256 = "{digest}"', manifest.read_text())
    )


def test_a_pickle_in_disguise_is_not_run(make_model, tmp_path):
    folder = make_model()
    trap = tmp_path / "trap"
    (folder / "weights.npz").write_bytes(pickle.dumps(Harmful(trap)))
    rehash(folder)
    with pytest.raises(ModelError, match="plain number arrays"):
        load_model(folder)
    assert not trap.exists()


def test_object_arrays_in_the_weights_are_not_run(make_model, tmp_path):
    folder = make_model()
    trap = tmp_path / "trap"
    with np.load(folder / "weights.npz") as stored:
        arrays = dict(stored)
    arrays["windows/centre"] = np.array([Harmful(trap)] * 2, dtype=object)
    np.savez(folder / "weights.npz", **arrays)
    rehash(folder)
    with pytest.raises(ModelError, match="plain number arrays"):
        load_model(folder)
    assert not trap.exists()


def test_weights_that_unpack_to_too_much_are_refused_before_unpacking(make_model):
    folder = make_model()
    with zipfile.ZipFile(folder / "weights.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        buffer = io.BytesIO()
        np.save(buffer, np.zeros(20_000_000, dtype=np.float32))
        archive.writestr("check.npy", buffer.getvalue())
    assert (folder / "weights.npz").stat().st_size < 1_000_000
    rehash(folder)
    with pytest.raises(ModelError, match="below 64 MB"):
        load_model(folder)


def test_an_array_that_only_claims_to_be_huge_is_refused(make_model):
    folder = make_model()
    header = io.BytesIO()
    np.lib.format.write_array_header_1_0(
        header, {"descr": "<f4", "fortran_order": False, "shape": (2**50,)}
    )
    with zipfile.ZipFile(folder / "weights.npz", "w") as archive:
        archive.writestr("check.npy", header.getvalue() + b"1234")
    rehash(folder)
    with pytest.raises(ModelError):
        load_model(folder)


def test_changed_weights_are_noticed(make_model):
    folder = make_model()
    data = bytearray((folder / "weights.npz").read_bytes())
    data[len(data) // 2] ^= 0xFF
    (folder / "weights.npz").write_bytes(bytes(data))
    with pytest.raises(ModelError, match=r"SHA-256|plain number arrays"):
        load_model(folder)


def test_weights_of_another_model_are_noticed(make_model):
    folder, other = make_model(seed=1), make_model(seed=2)
    shutil.copyfile(other / "weights.npz", folder / "weights.npz")
    with pytest.raises(ModelError, match="SHA-256"):
        load_model(folder)


def test_weights_that_are_not_finite_are_refused(make_model):
    folder = make_model()
    with np.load(folder / "weights.npz") as stored:
        arrays = dict(stored)
    arrays["windows/spread"] = np.full_like(arrays["windows/spread"], np.nan)
    np.savez(folder / "weights.npz", **arrays)
    rehash(folder)
    with pytest.raises(ModelError, match="finite"):
        load_model(folder)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (f"format = {FORMAT}", "format = 99", "format must be one of"),
        ("feature_version = ", "feature_version = 9", "feature version must be"),
        ('"rms"', '"no_such_feature"', "registered features"),
        ('"muscle"', '"musclé"', "weights must fit the manifest"),
        ("networks]", "netwerks]", "networks must be given"),
        ("blink = [\n    2,", "blink = [\n    3,", "weights must fit the manifest"),
        ("blink = [\n    2,", "blink = [\n    2,\n    2,", "weights must fit the manifest"),
        ("name = ", "nombre = ", "name must be given"),
        ("format = ", "format = [", "must be TOML"),
    ],
)
def test_a_manifest_that_does_not_match_is_refused(make_model, old, new, message):
    folder = make_model()
    manifest = folder / "manifest.toml"
    text = manifest.read_text()
    assert old in text
    manifest.write_text(text.replace(old, new))
    with pytest.raises(ModelError, match=message):
        load_model(folder)


@pytest.mark.parametrize("name", ["manifest.toml", "weights.npz"])
def test_a_missing_or_empty_file_is_refused(make_model, name):
    folder = make_model()
    (folder / name).write_bytes(b"")
    with pytest.raises(ModelError):
        load_model(folder)
    (folder / name).unlink()
    with pytest.raises(ModelError):
        load_model(folder)


def test_training_rows_with_object_arrays_are_not_run(tmp_path):
    trap = tmp_path / "trap"
    np.savez(tmp_path / "sample.npz", feature_version=np.array([Harmful(trap)], dtype=object))
    with pytest.raises(ModelError, match="plain arrays"):
        load_tables(tmp_path / "sample.npz")
    assert not trap.exists()


def test_a_link_out_of_the_folder_is_not_followed_into_the_store(make_model, tmp_path):
    folder = make_model()
    (tmp_path / "secret").write_text("secret")
    (folder / "card.md").unlink()
    (folder / "card.md").symlink_to(tmp_path / "secret")
    store = ModelStore(tmp_path / "store")
    store.add(folder, "copied")
    assert not (store.folder / "copied" / "card.md").exists()


@pytest.mark.parametrize("kept", sorted(KEPT.glob("format-*")), ids=lambda path: path.name)
def test_every_format_ever_written_can_still_be_read(kept, tmp_path):
    """The kept models use few features, and take on the present features' version."""
    import re

    folder = tmp_path / kept.name
    shutil.copytree(kept, folder)
    manifest = folder / "manifest.toml"
    manifest.write_text(
        re.sub(
            r"feature_version = \d+", f"feature_version = {FEATURE_VERSION}", manifest.read_text()
        )
    )
    model = load_model(folder)
    assert model.labels == ("blink", "muscle", "line noise", "contact loss")
    assert model.rule("muscle").begin_at == 0.6


def test_the_present_format_is_among_the_kept():
    assert (KEPT / f"format-{FORMAT}").is_dir()
