"""The night's settings: every problem at once, paths beside the file."""

from pathlib import Path

import pytest

from cleanspan.errors import ConfigError
from cleanspan.night.config import NightConfig, load_night
from cleanspan.shipped import shipped_folder


def load(folder: Path, text: str) -> NightConfig:
    path = folder / "night.toml"
    path.write_text(text, encoding="utf-8")
    return load_night(path)


def test_paths_count_from_the_files_folder(tmp_path: Path) -> None:
    config = load(tmp_path, 'inbox = ["in"]\noutput = "out"\n')
    assert config.inboxes == (tmp_path / "in",)
    assert config.ledger_path == tmp_path / "out" / "ledger.sqlite"
    assert config.log_path == tmp_path / "out" / "night.log"


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    text = """
inbox = []
outptu = "out"
settle_s = "long"
[limits]
attempts = 0
[screen.windows]
hop_s = 3
[page]
names = "initials"
[log]
keep = 0
[after]
command = "mail"
"""
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, text)
    said = "\n".join(caught.value.problems)
    for part in (
        "outptu is not a setting; did you mean 'output'?",
        "output must be given",
        "inbox must name at least one folder",
        "settle_s must be a number",
        "attempts must lie between 1 and 100, got 0",
        "hop_s must lie between 0.25 and 1, got 3",
        "names must be one of 'file name', 'code'",
        "keep must lie between 1 and 1000",
        "command must be a list, got 'mail'",
    ):
        assert part in said


def test_screening_settings_stand_in_the_file_or_in_one_of_their_own(tmp_path: Path) -> None:
    (tmp_path / "screen.toml").write_text("[windows]\nhop_s = 0.25\n")
    base = 'inbox = ["in"]\noutput = "out"\n'
    assert load(tmp_path, base + 'settings = "screen.toml"\n').screen.windows.hop_s == 0.25
    assert load(tmp_path, base + "[screen.windows]\nhop_s = 1\n").screen.windows.hop_s == 1.0
    both = base + 'settings = "screen.toml"\n[screen.windows]\nhop_s = 1\n'
    with pytest.raises(ConfigError, match="must not both be given"):
        load(tmp_path, both)


def test_output_must_not_hold_an_inbox(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    with pytest.raises(ConfigError, match="output must not be an inbox or lie above one"):
        load(tmp_path, 'inbox = ["in"]\noutput = "."\n')


def test_the_shipped_example_is_valid_and_names_every_setting() -> None:
    path = shipped_folder("configs") / "night.example.toml"
    config = load_night(path)
    assert config.inbox
    text = path.read_text(encoding="utf-8")
    for part in (
        NightConfig,
        type(config.limits),
        type(config.page),
        type(config.log),
        type(config.after),
    ):
        for name in part.__dataclass_fields__:
            assert name in text, name
