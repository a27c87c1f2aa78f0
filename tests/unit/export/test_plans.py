"""Plans: what is shipped, what a lab writes, what goes wrong."""

import pytest

from cleanspan.config import Config, load_config
from cleanspan.errors import ConfigError
from cleanspan.export.plans import Plan, check_labels, find_channels, load_plan, shipped_plans
from cleanspan.shipped import shipped_folder


def plan(**values):
    return Plan(name="p", purpose="", rationale="", **values)


@pytest.mark.parametrize("name", ["resting", "event-related", "connectivity", "long"])
def test_shipped_plan_loads_and_gives_its_reasons(name):
    loaded = load_plan(name)
    assert loaded.name == name
    assert len(loaded.rationale) > 80
    assert "common practice" in loaded.source


def test_no_other_plan_is_shipped_untested():
    assert set(shipped_plans()) == {"resting", "event-related", "connectivity", "long"}


def test_unknown_plan_names_the_near_one():
    with pytest.raises(ConfigError, match=r"got 'restin'; did you mean 'resting'\?"):
        load_plan("restin")


def test_unlike_any_plan_lists_the_shipped():
    with pytest.raises(ConfigError, match="shipped: connectivity, event-related, long, resting"):
        load_plan("xyzzy")


OWN = 'purpose = "naps"\nrationale = "short"\n'


def own(tmp_path, text):
    path = tmp_path / "naps.toml"
    path.write_text(OWN + text)
    return str(path)


def test_an_own_plan_must_say_what_it_takes_away(tmp_path):
    with pytest.raises(ConfigError, match=r"got none of most_bad_share, .*most_bad_share = 1.0"):
        load_plan(own(tmp_path, "padding_s = 0.2\n"))
    assert load_plan(own(tmp_path, "most_bad_share = 1.0\n")).most_bad_share == 1.0


@pytest.mark.parametrize(
    "key", ['tolerated = ["blnk"]', 'labels = ["blnk"]', '[removes]\nblnk = ["Fp1"]']
)
def test_an_own_plan_must_name_known_labels(tmp_path, key):
    path = own(tmp_path, f"most_bad_share = 0.5\n{key}\n")
    with pytest.raises(ConfigError) as caught:
        check_labels(path, load_plan(path), ("blink", "line noise"))
    said = (
        "labels, tolerated and removes must name known labels, got 'blnk'; did you mean 'blink'?"
    )
    assert caught.value.problems == (f"{path}: {said} known: blink, line noise, all",)


def test_known_labels_may_be_spelt_as_columns_and_shipped_plans_are_not_refused(tmp_path):
    path = own(tmp_path, 'most_bad_share = 0.5\nlabels = ["Line_noise"]\n')
    check_labels(path, load_plan(path), ("line noise",))
    check_labels("long", load_plan("long"), ("line noise",))


def test_own_plan_by_path_takes_its_file_name(tmp_path):
    path = tmp_path / "naps.toml"
    path.write_text(f'{OWN}labels = ["drool"]\nmost_bad_share = 0.5\n')
    loaded = load_plan(str(path))
    assert (loaded.name, loaded.labels) == ("naps", ("drool",))


def test_a_changed_copy_of_a_shipped_plan_needs_another_name(tmp_path):
    copy = tmp_path / "resting.toml"
    copy.write_bytes(shipped_plans()["resting"].read_bytes())
    assert load_plan(str(copy)) == load_plan("resting")
    copy.write_text(copy.read_text().replace("0.25", "0.9"))
    with pytest.raises(ConfigError, match="got that of the shipped 'resting'; rename the file"):
        load_plan(str(copy))
    assert load_plan(str(copy.rename(tmp_path / "our-resting.toml"))).name == "our-resting"


def test_own_plan_reports_every_problem_with_file_and_key(tmp_path):
    path = tmp_path / "naps.toml"
    path.write_text("purpose = 3\npading_s = 0.1\n")
    with pytest.raises(ConfigError) as caught:
        load_plan(str(path))
    text = str(caught.value)
    assert "naps.toml: purpose must be a text, got 3" in text
    assert "naps.toml: pading_s is not a setting; did you mean 'padding_s'?" in text
    assert "naps.toml: rationale must be given" in text


def test_every_value_out_of_range_is_told_although_another_key_is_missing(tmp_path):
    path = tmp_path / "naps.toml"
    path.write_text("name = 'x'\nmost_bad_share = 2.0\npadding_s = -1\nepoch_s = [1, 0]\n")
    with pytest.raises(ConfigError) as caught:
        load_plan(str(path))
    told = [problem.removeprefix(f"{path}: ").split(" ")[0] for problem in caught.value.problems]
    assert told == ["name", "purpose", "rationale", "padding_s", "most_bad_share", "epoch_s"]


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"padding_s": -1.0}, "padding_s must lie between 0 and 60, got -1"),
        ({"most_bad_share": 1.5}, "most_bad_share must lie between 0 and 1, got 1.5"),
        ({"most_bad_share": 0.5, "most_bad_channels": 2}, "exclude each other, got both"),
        ({"epoch_s": (0.8, -0.2)}, "epoch_s must be a begin and a later end, got"),
        ({"dropped": "forget"}, "dropped must be one of 'leave out', 'interpolate', got 'forget'"),
    ],
)
def test_values_out_of_range(values, message):
    with pytest.raises(ValueError, match=message):
        plan(**values)


def test_labels_count_by_any_spelling_and_tolerated_ones_do_not():
    wanted = plan(labels=("Line_noise", "gaze left"))
    assert wanted.counts("line noise")
    assert wanted.counts("gaze left")
    assert not wanted.counts("blink")
    everything = plan(tolerated=("blink",))
    assert everything.counts("any label of a lab")
    assert not everything.counts("Blink")


def test_unknown_labels_are_named():
    wanted = plan(labels=("blink", "drool"), removes={"sneeze": ("Cz",)})
    assert wanted.unknown_labels(("blink", "muscle")) == ["drool", "sneeze"]


@pytest.mark.parametrize(
    ("values", "n_channels", "allowed"),
    [
        ({}, 19, 19),
        ({"most_bad_channels": 2}, 19, 2),
        ({"most_bad_share": 0.25}, 19, 4),  # 4/19 = 21 %, 5/19 = 26 %
        ({"most_bad_share": 0.25}, 8, 2),
        ({"most_bad_share": 0.3}, 10, 3),  # 0.3 * 10 is 3 despite floating point
    ],
)
def test_allowed_at_once(values, n_channels, allowed):
    assert plan(**values).allowed_at_once(n_channels) == allowed


def test_channels_are_found_by_electrode_in_both_spellings_and_by_label(fakes):
    listed = fakes.channels(("T7", "P8", "Cz"))
    assert find_channels(["T3", "t6"], listed) == [0, 1]
    assert find_channels(["eeg cz-a1a2"], listed) == [2]
    assert find_channels(["all"], listed) == [0, 1, 2]
    assert find_channels(["Oz"], listed) == []


def test_default_configuration_file_states_the_defaults():
    assert load_config(shipped_folder("configs") / "default.toml") == Config()
