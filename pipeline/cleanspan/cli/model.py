"""``cleanspan model``: the lab's models, and which one is in use."""

import getpass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cleanspan.cli import EXISTING, TEXT
from cleanspan.config import Config, load_config
from cleanspan.errors import ModelError, UsageError

if TYPE_CHECKING:
    from cleanspan.training.store import ModelStore

config_option = click.option(
    "--config", type=EXISTING, help="Settings, with [labelling] store where it is not the default."
)
why_option = click.option("--why", required=True, help="The reason, for the record.")


@click.group("model")
def command() -> None:
    """Show the lab's models, and choose the one that screening uses."""


def _store(config: Path | None) -> "tuple[ModelStore, Config]":
    """Open the store that the settings name."""
    from cleanspan.training.store import ModelStore, store_folder

    settings = load_config(config)
    return ModelStore(store_folder(settings.labelling.store)), settings


@command.command("list")
@config_option
def list_models(config: Path | None) -> None:
    """List the shipped model and the lab's own; a star stands at the one in use."""
    from cleanspan.labelling.model import load_model
    from cleanspan.training.store import SHIPPED

    store, _ = _store(config)
    in_use = store.in_use()
    for name in (SHIPPED, *store.names()):
        star = "*" if name == in_use else " "
        try:
            model = load_model(store.path(name))
        except ModelError as error:
            click.echo(f"{star} {name}  cannot be used: {error}")
            continue
        click.echo(f"{star} {name}  {model.fingerprint}  {', '.join(model.labels)}")


@command.command("show")
@click.argument("name", default="in use", type=TEXT)
@config_option
def show_model(name: str, config: Path | None) -> None:
    """Show a model's card (the model in use where no NAME is given), and its history."""
    from cleanspan.labelling.model import CARD, load_model
    from cleanspan.training.store import resolve_model

    store, _ = _store(config)
    model = load_model(resolve_model(name, store.folder))
    click.echo(f"{model.full_name} in {model.folder}")
    card = model.folder / CARD
    if card.is_file():
        try:
            text = card.read_text(encoding="utf-8", errors="replace")
        except OSError as error:
            raise ModelError(f"{card}: a card must be readable, got: {error.strerror}") from error
        click.echo(text)
    for change in store.history():
        note = ", forced" if change.forced else ", going back" if change.back else ""
        click.echo(f"{change.when}  {change.model}  by {change.who}{note}: {change.why}")


@command.command("use")
@click.argument("name", type=TEXT)
@why_option
@click.option("--force", is_flag=True, help="Use it although the gate refuses it.")
@config_option
def use_model(name: str, why: str, *, force: bool, config: Path | None) -> None:
    """Put a model into use.

    NAME is a model of the store, or `shipped`. A model that is worse than the one in use on any
    label, or was never judged against it, is refused unless --force is given; the reason is
    recorded either way.
    """
    from cleanspan.labelling.model import load_model
    from cleanspan.training.gate import read_judgement, refusals
    from cleanspan.training.store import SHIPPED
    from cleanspan.training.voting import base_of

    _must_say_why(why)
    store, _ = _store(config)
    model = load_model(store.path(name))
    base_of(model)  # a folder copied in part is told now, not at the next retraining
    reasons = []
    if name not in (SHIPPED, store.in_use()):
        present = load_model(store.path(store.in_use()))
        reasons = refusals(
            read_judgement(model.folder),
            model=model.fingerprint,
            in_use=present.fingerprint,
            labels=model.labels,
            needed=present.labels,
        )
    if reasons and not force:
        raise ModelError(
            f"a model put into use must be no worse than the one it replaces; {name}: "
            + "; ".join(reasons)
            + ". To use it all the same: --force, and --why with the reason"
        )
    change = store.use(name, who=_who(), why=why, forced=bool(reasons))
    already = "" if change else " already: nothing was changed"
    click.echo(f"in use{already}: {name} ({model.fingerprint})")
    for reason in reasons:
        click.echo(f"note: forced although {reason}", err=True)


@command.command("back")
@why_option
@config_option
def go_back(why: str, config: Path | None) -> None:
    """Go back to the model that was in use before."""
    from cleanspan.labelling.model import load_model

    _must_say_why(why)
    store, _ = _store(config)
    before = store.before()
    model = load_model(store.path(before))
    store.back(who=_who(), why=why)
    click.echo(f"in use: {before} ({model.fingerprint})")


@command.command("compare")
@click.argument("new", type=TEXT)
@click.argument("old", default="in use", type=TEXT)
@click.option("--labels", "label_paths", multiple=True, required=True, type=EXISTING)
@click.option("--recordings", multiple=True, required=True, type=EXISTING)
@click.option(
    "--readers", default="two", show_default=True, type=TEXT, help="As in `cleanspan evaluate`."
)
@click.option("--person-pattern", type=TEXT, help="As in `cleanspan evaluate`.")
@config_option
def compare_two(
    new: str,
    old: str,
    label_paths: tuple[Path, ...],
    recordings: tuple[Path, ...],
    readers: str,
    person_pattern: str | None,
    config: Path | None,
) -> None:
    """Compare the finished marks of two models with hand labels.

    People that one of the models learned from are left out. OLD is the model in use where it is
    not given.
    """
    import pandas as pd

    from cleanspan.cli.evaluate import choose_readers
    from cleanspan.labelling.model import load_model
    from cleanspan.training.comparing import compare_models
    from cleanspan.training.finding import find_recordings
    from cleanspan.training.hand_labels import read_hand_labels
    from cleanspan.training.results import Comparison
    from cleanspan.training.store import resolve_model
    from cleanspan.training.tables import text_table

    store, settings = _store(config)
    models = [load_model(resolve_model(name, store.folder)) for name in (new, old)]
    labels = read_hand_labels(label_paths, settings.labels, recordings=recordings)
    labels, agreement = choose_readers(labels, readers)
    result = compare_models(
        models[0],
        models[1],
        labels,
        find_recordings(recordings),
        comparison=Comparison(settings.labels, agreement, person_pattern or ""),
    )
    click.echo(f"{models[0].full_name} against {models[1].full_name}")
    rows = [
        {
            "label": label,
            "new f1": d.new_f1,
            "old f1": d.old_f1,
            "change from": d.low,
            "to": d.high,
            "people": d.people,
            "verdict": d.verdict,
        }
        for label, d in result.differences.items()
    ]
    click.echo("\n".join(text_table(pd.DataFrame(rows))))
    click.echo("blinks: events; other labels: channel seconds; interval over people")
    if result.known:
        click.echo(
            f"note: {len(result.known)} people left out that a model learned from", err=True
        )


@command.command("watch")
@click.argument("recordings", nargs=-1, required=True, type=EXISTING)
@click.option(
    "--model", "name", default="in use", show_default=True, type=TEXT, help="Which model."
)
@config_option
def watch(recordings: tuple[Path, ...], name: str, config: Path | None) -> None:
    """Say whether RECORDINGS look like what the model learned from.

    The stability index of each feature is compared with what the training recordings show among
    themselves. An unusual recording's marks deserve a look, and a few hand labels.
    """
    from cleanspan.errors import RecordingError
    from cleanspan.labelling.model import load_model
    from cleanspan.training.finding import find_recordings
    from cleanspan.training.store import resolve_model
    from cleanspan.training.watch import watch_recording

    store, _ = _store(config)
    model = load_model(resolve_model(name, store.folder))
    failed = False
    paths = sorted({path for found in find_recordings(recordings).values() for path in found})
    if not paths:
        places = ", ".join(map(str, recordings))
        raise UsageError(f"there must be recordings to look at, got none in {places}")
    for path in paths:
        try:
            drift = watch_recording(path, model)
        except RecordingError as error:
            click.echo(f"cleanspan: {error}", err=True)
            failed = True
            continue
        state = drift.text() if drift.unusual else "as usual"
        index = f"{drift.mean_index:.2f} (usual: below {drift.usual_mean:.2f})"
        click.echo(f"{path.name}: {index if not drift.unusual else 'unusual'}: {state}")
    if failed:
        raise SystemExit(1)


def _must_say_why(why: str) -> None:
    """Refuse an empty reason."""
    if not why.strip():
        raise UsageError("--why must say a reason, got an empty one")


def _who() -> str:
    """Name the user for the record."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"
