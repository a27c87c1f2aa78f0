"""The night's settings: every problem at once, paths beside the file."""

from pathlib import Path

import pytest

from cleanspan.config import load_config
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


@pytest.mark.parametrize("inbox", ['[""]', '["in", ""]'])
def test_an_inbox_without_a_name_is_not_the_files_own_folder(tmp_path: Path, inbox: str) -> None:
    with pytest.raises(ConfigError, match="inbox must name folders, got an empty text"):
        load(tmp_path, f'inbox = {inbox}\noutput = "out"\n')


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


@pytest.mark.parametrize(
    ("text", "key", "place"),
    [
        ("workers = 2\n", "workers", "it belongs into [limits]"),
        ("time_limit_s = 9\n", "time_limit_s", "it belongs into [limits] or [after]"),
        ('plan = "long"\n', "plan", "it belongs into [screen.export]"),
        ("begin_at = 0.4\n", "begin_at", "it belongs into [screen.segments.NAME]"),
        ("[screen]\nworkers = 2\n", "screen.workers", "it belongs into [limits]"),
        # TOML counts what follows a table's name to that table.
        (
            "[limits]\nsettle_s = 9\n",
            "limits.settle_s",
            "it belongs into the top of the file, above the first [table]",
        ),
        ("[export]\nbids = true\n", "export", "the table must be called [screen.export]"),
        ("[windows]\nhop_s = 1.0\n", "windows", "the table must be called [screen.windows]"),
        ("[screen.page]\nnights = 3\n", "screen.page", "the table must be called [page]"),
    ],
)
def test_a_setting_in_the_wrong_table_is_told_where_it_belongs(
    tmp_path: Path, text: str, key: str, place: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, 'inbox = ["in"]\noutput = "out"\n' + text)
    file = tmp_path / "night.toml"
    assert caught.value.problems == (f"{file}: {key} is not a setting here; {place}",)


def test_screening_settings_in_the_wrong_table_are_told_so_too(tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    path.write_text('hop_s = 0.5\n[windows]\nmodel = "mine"\n', encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_config(path)
    assert caught.value.problems == (
        f"{path}: hop_s is not a setting here; it belongs into [windows]",
        f"{path}: windows.model is not a setting here; it belongs into [labelling]",
    )


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
