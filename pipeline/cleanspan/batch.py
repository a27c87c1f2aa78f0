"""Many recordings: give each a folder of its own, screen them on several cores."""

import logging
import os
import re
import time
import warnings
from collections.abc import Callable, Collection, Generator, Iterator, Mapping, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from cleanspan.atomic import UNFINISHED, alone_in, output_error, remove_left_by_dead
from cleanspan.config import Config
from cleanspan.errors import OutputError, UsageError
from cleanspan.scratch import sweep
from cleanspan.screen import Outcome, failed, screen_recording
from cleanspan.search import holds_results
from cleanspan.stopping import end_with, started_deaf
from cleanspan.types import EARLIER, NIGHT_LOCK, SUMMARY

log = logging.getLogger(__name__)

EASE = 4.0
"""How many times as long as writing the summary took it is left alone, while recordings are
screened: a run that is killed outright leaves few results without a row, and a long table costs
little."""


@dataclass(frozen=True, slots=True)
class Task:
    """One recording and where its results go."""

    source: Path
    folder: Path


def plan_tasks(recordings: Sequence[Path], out: Path) -> list[Task]:
    """Give every recording a folder; those that share a name are told apart by a number.

    A recording that has results in `out` gets their folder again, to be replaced. It is known by
    its content: results of another recording of the same name stay.

    Raises
    ------
    UsageError
        If such a folder holds anything but earlier results, for results replace it as a whole; or
        if a night keeps its results in `out`, for its ledger must know of them.
    """
    from cleanspan.export.cells import safe_stem

    _check_no_nights(out)
    present = _filled_folders(out)
    taken = {SUMMARY, EARLIER}
    tasks = []
    for source in recordings:
        stem = safe_stem(source.name)
        known = _contents(stem, {key: at for key, at in present.items() if key not in taken})
        folder = _own_folder(source, known)
        if folder is None:
            folder = out / _free_name(stem, present, taken)
            _tell_unknown(known, folder)
        taken.add(folder.name.casefold())
        _check_place(folder)
        tasks.append(Task(source, folder))
    return tasks


def _check_no_nights(out: Path) -> None:
    """Refuse a night's output folder, and any folder in it."""
    place = Path(os.path.realpath(out))
    for folder in (place, *place.parents):
        if os.path.lexists(folder / NIGHT_LOCK):
            raise UsageError(
                f"{out}: results must not go where a night keeps its own, got its output folder "
                f"{folder} or one in it; choose another folder with --out (or delete {NIGHT_LOCK} "
                "there if no night uses it any more)"
            )


def _filled_folders(out: Path) -> dict[str, Path]:
    """Map the folders in the output folder by name, case left aside; empty ones are room."""
    from cleanspan.export.room import standing_in

    there = standing_in(out) if out.is_dir() else {}
    return {name: entry for name, entry in there.items() if entry.is_dir()}


def _contents(stem: str, present: Mapping[str, Path]) -> dict[Path, str]:
    """Say of each folder named after a stem, numbered or not, what recording it is of."""
    from cleanspan.export.stored import content_of

    name = re.compile(re.escape(stem.casefold()) + r"(-\d+)?")
    return {at: content_of(at) for key, at in present.items() if name.fullmatch(key)}


def _own_folder(source: Path, known: Mapping[Path, str]) -> Path | None:
    """Find the folder that holds this very recording's results."""
    from cleanspan.recording.content import digest_of

    if not any(known.values()):
        return None  # no need to read the recording
    try:
        content = digest_of(source.resolve())
    except OSError:  # screening will say what is wrong with it
        return None
    return next((folder for folder, one in known.items() if one == content), None)


def _free_name(stem: str, present: Mapping[str, Path], taken: Collection[str]) -> str:
    """Give the first number under which no results stand."""
    name, number = stem, 1
    while name.casefold() in taken or _is_of_results(present.get(name.casefold())):
        number += 1
        name = f"{stem}-{number}"
    return name


def _tell_unknown(known: Mapping[Path, str], folder: Path) -> None:
    """Say that results may be of the same recording but are left, for they do not tell."""
    unknown = [path for path, content in known.items() if not content and _is_of_results(path)]
    if unknown:
        log.warning(
            "%s: results of an earlier version do not say which recording they are of, so they "
            "stay; the new ones go to %s", unknown[0], folder,
        )  # fmt: skip


def _is_of_results(folder: Path | None) -> bool:
    """Whether a recording's results stand there."""
    return folder is not None and holds_results(list(folder.iterdir()))


def _check_place(folder: Path) -> None:
    """Refuse to replace a folder that is not one of results, or a file."""
    if folder.exists() and not folder.is_dir():
        raise UsageError(
            f"{folder}: results go to a folder of this name, got a file that has it; move the "
            "file or choose another folder with --out"
        )
    entries = list(folder.iterdir()) if folder.is_dir() else []
    if entries and not holds_results(entries):
        raise UsageError(
            f"{folder}: results replace this folder as a whole, so it must hold earlier results "
            f"or nothing, got: {min(entry.name for entry in entries)}; choose another folder"
        )


def screen_batch(
    tasks: Sequence[Task],
    *,
    config: Config,
    model: Path,
    jobs: int = 1,
    done: Callable[[Outcome], None] | None = None,
) -> list[Outcome]:
    """Screen recordings and write ``summary.csv`` beside their folders, also on the way.

    Rows of recordings that were screened there before and are not among the tasks stay.

    Parameters
    ----------
    tasks : sequence of Task
        All in one output folder.
    config : Config
    model : Path
        Model folder.
    jobs : int
        Processes to work with.
    done : callable, optional
        Called with each outcome as it arrives.

    Returns
    -------
    list of Outcome
        In the order of the tasks.

    Raises
    ------
    OutputError
        If results cannot be written; what was finished stays, and stands in the summary.
    """
    out = tasks[0].folder.parent
    make_folder(out)
    arrived: list[_Arrived] = []
    order = _longest_first(tasks) if jobs > 1 else list(range(len(tasks)))
    told, again_s = 0, 0.0
    try:
        with closing(_outcomes(tasks, order, config, model, jobs)) as arriving:
            for place, outcome in arriving:
                arrived.append(_Arrived(place, outcome, _replaced(tasks[place], outcome)))
                log.info("%s: %s", outcome.recording, outcome.error or outcome.status)
                began_s = time.monotonic()
                if began_s >= again_s:
                    # What cannot be written now is tried again, and told at the end.
                    with suppress(OutputError):
                        _write_tables(out, arrived, told=told)
                        told = len(arrived)
                    ended_s = time.monotonic()
                    again_s = ended_s + EASE * (ended_s - began_s)
                if done is not None:
                    done(outcome)
    finally:
        if len(arrived) > told:
            _write_tables(out, arrived, told=told)
    return [one.outcome for one in sorted(arrived, key=_place)]


@dataclass(frozen=True, slots=True)
class _Arrived:
    """An outcome, its task's place, and the folder whose earlier row goes."""

    place: int
    outcome: Outcome
    replaced: Path | None


def _place(arrived: _Arrived) -> int:
    """Tell where a recording stands among the tasks."""
    return arrived.place


def _replaced(task: Task, outcome: Outcome) -> Path | None:
    """Give the folder whose earlier row goes; none where it is another recording's by now."""
    if outcome.folder is not None:
        return outcome.folder
    return _own_folder(task.source, _contents(task.folder.name, {task.folder.name: task.folder}))


def _write_tables(out: Path, arrived: Sequence[_Arrived], *, told: int) -> None:
    """Write the summary, and take rows about results that are replaced out of ``plans.csv``.

    The first `told` that arrived have rows already; their plans are no longer ours to take out.
    """
    from cleanspan.export.earlier import earlier_rows
    from cleanspan.export.replan import PLANS, forget_plans
    from cleanspan.export.summary import write_summary

    path = out / SUMMARY
    folders = [one.replaced.name for one in arrived if one.replaced is not None]
    new = [one.outcome.folder.name for one in arrived[told:] if one.outcome.folder is not None]
    outcomes = [one.outcome for one in sorted(arrived, key=_place)]
    with alone_in(out):
        earlier, replaced = earlier_rows(path, but=folders)
        write_summary(outcomes, path, earlier=earlier, replaced=replaced)
        forget_plans(out / PLANS, new)


def _longest_first(tasks: Sequence[Task]) -> list[int]:
    """Order tasks by the size of their recordings, so that no long one is left to the end."""

    def size(place: int) -> int:
        try:
            return -tasks[place].source.stat().st_size
        except OSError:  # gone meanwhile: its own outcome will say so
            return 0

    return sorted(range(len(tasks)), key=size)


def make_folder(folder: Path) -> None:
    """Make the output folder and make sure it can be written to, before work starts."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe = folder / f"{UNFINISHED}{os.getpid()}-probe"
        probe.touch()
        probe.unlink()
    except OSError as error:
        raise output_error(folder, error) from error


def _outcomes(
    tasks: Sequence[Task], order: Sequence[int], config: Config, model: Path, jobs: int
) -> Generator[tuple[int, Outcome], None, None]:
    """Screen one after the other in the order given, or on several processes.

    Yields
    ------
    place of the task, outcome
        As they end: a long recording holds no other back.
    """
    if min(jobs, len(tasks)) <= 1:
        from cleanspan.labelling.model import load_model

        loaded = load_model(model)
        for place in order:
            task = tasks[place]
            yield place, screen_recording(task.source, task.folder, config=config, model=loaded)
        return
    from joblib import Parallel, delayed

    # One task at a time: tasks sent in bundles would leave a process without work at the end.
    work = Parallel(
        n_jobs=min(jobs, len(tasks)),
        return_as="generator_unordered",
        batch_size=1,
        initializer=end_with,
        initargs=(os.getpid(),),
    )
    calls = (
        delayed(_at_place)(screen_recording, place, tasks[place], config, model) for place in order
    )
    out = tasks[0].folder.parent
    before = set(out.glob(f"{UNFINISHED}*"))
    missing = dict.fromkeys(order)
    cut_off = True
    try:
        # However the block fails, the processes are gone after it, maybe while they wrote.
        with ExitStack() as held:
            with started_deaf():
                results = held.enter_context(_ended(work(calls)))
            for place, outcome in results:
                del missing[place]
                yield place, outcome
        cut_off = False
    except BrokenProcessPool:
        log.warning("a process was stopped from outside: going on with one recording at a time")
        for place in [*missing]:
            yield place, _alone(tasks[place], config, model)
            del missing[place]
    finally:
        if cut_off:
            remove_left_by_dead(out, but=before)
            sweep()


def _at_place(
    screen: Callable[..., Outcome], place: int, task: Task, config: Config, model: Path
) -> tuple[int, Outcome]:
    """Screen one recording; say which of the tasks it was."""
    return place, screen(task.source, task.folder, config=config, model=model)


@contextmanager
def _ended(
    results: Generator[tuple[int, Outcome], None, None],
) -> Iterator[Generator[tuple[int, Outcome], None, None]]:
    """End the processes after the block, without a word about recordings not worked on."""
    try:
        yield results
    finally:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            results.close()


def _alone(task: Task, config: Config, model: Path) -> Outcome:
    """Screen one recording in a process of its own, which may die."""
    from joblib.externals.loky import ProcessPoolExecutor

    with ProcessPoolExecutor(1, initializer=end_with, initargs=(os.getpid(),)) as pool:
        with started_deaf():
            work = pool.submit(
                screen_recording, task.source, task.folder, config=config, model=model
            )
        try:
            outcome: Outcome = work.result()
        except BrokenProcessPool:
            outcome = failed(
                task.source,
                f"{task.source.name}: its process must be left to finish, got: stopped from "
                "outside; there may have been too little memory",
            )
        except BaseException:
            pool.shutdown(kill_workers=True)
            raise
    return outcome
