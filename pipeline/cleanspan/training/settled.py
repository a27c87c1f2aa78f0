"""Settings together with the model and the plan that they name, checked before work starts."""

from pathlib import Path

from cleanspan.config import Config, load_config, read_toml
from cleanspan.errors import CleanspanError, ConfigError, ModelError
from cleanspan.export.plans import Plan, check_labels, load_plan
from cleanspan.labelling.model import Model, check_rules, load_model
from cleanspan.training.store import resolve_model


def load_settings(path: Path | None) -> Config:
    """Read settings as `load_config` does; a wrong plan is told beside what else is wrong.

    Raises
    ------
    ConfigError
        With every problem.
    """
    try:
        return load_config(path)
    except ConfigError as error:
        raise ConfigError([*error.problems, *_plan_problems(path)]) from error


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
    try:
        export = {} if path is None else read_toml(path).get("export", {})
    except ConfigError:
        return ()  # that is the one problem, and told already
    named = export.get("plan") if isinstance(export, dict) else None
    try:
        if isinstance(named, str):
            load_plan(named)
    except ConfigError as error:
        return error.problems
    return ()
