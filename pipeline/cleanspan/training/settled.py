"""Settings together with the model and the plan that they name, checked before work starts."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cleanspan.config import (
    Config,
    Labelling,
    LabelRules,
    SegmentRule,
    fill,
    load_config,
    read_toml,
)
from cleanspan.errors import CleanspanError, ConfigError, ModelError, collecting
from cleanspan.export.plans import Plan, check_labels, load_plan
from cleanspan.labelling.model import Model, check_rules, load_model
from cleanspan.training.label_rules import unknown_not_read
from cleanspan.training.store import resolve_model

NIGHTS_OWN = {"inbox", "output"}
"""What the settings of a night must hold, and those of the screening cannot."""


def load_settings(path: Path | None) -> Config:
    """Read settings as `load_config` does; what else is wrong with them is told beside it.

    Raises
    ------
    ConfigError
        With every problem.
    """
    try:
        return load_config(path)
    except ConfigError as error:
        if _is_of_a_night(path):
            told = (
                f"{path}: --config must name settings of the screening, got those of a night; "
                "give the file that they name as settings, or one with what stands below [screen]"
            )
            raise ConfigError([told]) from error
        others = (*_plan_problems(path), *_rule_problems(path))
        raise ConfigError([*error.problems, *others]) from error


def _is_of_a_night(path: Path | None) -> bool:
    """Whether a file holds the settings of a night."""
    try:
        return path is not None and set(read_toml(path)) >= NIGHTS_OWN
    except ConfigError:
        return False


def settled(config: Config) -> tuple[Path, Model]:
    """Find the model that settings name, and check that plan and rules fit it.

    Returns
    -------
    model's folder, model

    Raises
    ------
    ConfigError
        With every problem of the settings, the plan and the model.
    ModelError
        If the model alone is wrong.
    """
    problems: list[CleanspanError] = []
    plan: Plan | None = None
    model: Model | None = None
    named = config.export.plan
    try:
        plan = load_plan(named)
    except ConfigError as error:
        problems.append(error)
    try:
        folder = resolve_model(config.labelling.model, config.labelling.store)
        model = load_model(folder)
    except ModelError as error:
        problems.append(error)
    if model is not None:
        problems += _misfits(config, plan, model)
    if model is None or problems:
        raise problems[0] if len(problems) == 1 else ConfigError([str(one) for one in problems])
    return folder, model


def _misfits(config: Config, plan: Plan | None, model: Model) -> list[CleanspanError]:
    """Find rules and labels of the plan that the model knows nothing of."""
    found: list[CleanspanError] = []
    if wrong := unknown_not_read(config.labels, model.labels):
        found.append(ConfigError(wrong))
    try:
        check_rules(config.segments, model)
    except ConfigError as error:
        found.append(error)
    try:
        if plan is not None:
            check_labels(config.export.plan, plan, model.labels)
    except ConfigError as error:
        found.append(error)
    return found


def _plan_problems(path: Path | None) -> tuple[str, ...]:
    """Look at the plan that settings name which are wrong elsewhere."""
    named = _table(path, "export").get("plan")
    try:
        if isinstance(named, str):
            load_plan(named)
    except ConfigError as error:
        return error.problems
    return ()


def _rule_problems(path: Path | None) -> tuple[str, ...]:
    """Look for labels that the model does not know in settings which are wrong elsewhere."""
    try:
        settings = fill(Labelling, _table(path, "labelling"), where=str(path))
        model = load_model(resolve_model(settings.model, settings.store))
    except (ConfigError, ModelError):
        return ()  # which labels there are is not known
    problems: list[str] = []
    with collecting(problems):
        check_rules({label: SegmentRule() for label in _table(path, "segments")}, model)
    with collecting(problems):
        rules = fill(LabelRules, _table(path, "labels"), where=str(path))
        problems += unknown_not_read(rules, model.labels)
    return tuple(line for line in problems if not line.startswith(f"{path}: "))  # told already


def _table(path: Path | None, name: str) -> Mapping[str, Any]:
    """Read one table of settings that may be wrong; empty where it is none."""
    try:
        table = {} if path is None else read_toml(path).get(name, {})
    except ConfigError:
        return {}  # that is the one problem, and told already
    return table if isinstance(table, dict) else {}
