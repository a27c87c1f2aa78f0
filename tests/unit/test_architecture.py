"""The package keeps to its plan: who may import whom, who prints, how large a module may grow."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

import cleanspan

PACKAGE = Path(cleanspan.__file__).parent
ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "DEVELOPERS.md"
MODULES = sorted(PACKAGE.rglob("*.py"))
ORDER = (
    *("errors", "stopping", "config", "atomic", "shipped", "scratch", "types"),
    *("recording", "features", "labelling", "export"),
    *("screen", "search", "batch", "review", "training", "night", "api", "cli", "__main__"),
)
"""A part may import from those before it and from itself: records, stages, workflows, commands."""
LONGEST_MODULE = 400
COMMAND_LINE = "cli"


def part_of(path):
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def tree_of(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def for_types_only(tree):
    """Find the lines of imports that a type checker alone carries out."""
    guards = [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
    ]
    return {inner for guard in guards for body in guard.body for inner in ast.walk(body)}


def imports_of(tree):
    """List (line, dotted name) of everything imported, inside functions too."""
    ignored = for_types_only(tree)
    for node in ast.walk(tree):
        if node in ignored:
            continue
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
            if node.module == "cleanspan":
                names = [f"cleanspan.{alias.name}" for alias in node.names]
            yield from ((node.lineno, name) for name in names)


def place_of(module):
    """Find where a module, ``screen`` or ``labelling.drift.Histogram``, stands in the order."""
    part = module.split(".")[0]
    return ORDER.index(part) if part in ORDER else -1


def wrong_imports(path):
    own = place_of(".".join(path.relative_to(PACKAGE).with_suffix("").parts))
    for line, name in imports_of(tree_of(path)):
        first, _, module = name.partition(".")
        if first == "cleanspan" and place_of(module) > own:
            yield f"{path.relative_to(PACKAGE)}:{line} imports {name}"


def test_every_part_has_its_place_in_the_order():
    assert {part_of(path) for path in MODULES} == {*ORDER, "__init__"}


def test_imports_go_one_way():
    wrong = [line for path in MODULES if part_of(path) in ORDER for line in wrong_imports(path)]
    assert wrong == []


@pytest.mark.parametrize(
    ("module", "text", "wrong"),
    [
        ("features/late.py", "def f():\n    from cleanspan.labelling import model\n", 1),
        ("features/early.py", "from cleanspan.types import Role\nimport numpy\n", 0),
        ("types.py", "import cleanspan.cli.screen\n", 1),
        ("types.py", "from cleanspan import __version__, night\n", 1),
        ("export/a.py", "if TYPE_CHECKING:\n    from cleanspan.screen import Outcome\n", 0),
    ],
)
def test_a_wrong_import_would_be_found(tmp_path, monkeypatch, module, text, wrong):
    monkeypatch.setattr(sys.modules[__name__], "PACKAGE", tmp_path)
    path = tmp_path / module
    path.parent.mkdir(exist_ok=True)
    path.write_text(text)
    assert len(list(wrong_imports(path))) == wrong


def test_only_commands_know_click_and_nothing_prints():
    click_users = {
        part_of(path)
        for path in MODULES
        if any(name.split(".")[0] == "click" for _, name in imports_of(tree_of(path)))
    }
    assert click_users == {COMMAND_LINE}
    printing = [
        f"{path.relative_to(PACKAGE)}:{node.lineno}"
        for path in MODULES
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        and node.func.id == "print"
    ]  # fmt: skip
    assert printing == []


def test_no_module_is_too_long():
    lengths = {
        str(path.relative_to(PACKAGE)): len(path.read_text(encoding="utf-8").splitlines())
        for path in MODULES
    }
    assert {name: n for name, n in lengths.items() if n > LONGEST_MODULE} == {}


def loaded(code, *arguments):
    """Run code in a Python of its own and tell which heavy libraries it has loaded."""
    tell = (
        "import sys; print(*[n for n in ('numpy', 'scipy', 'pandas', 'pyarrow', 'mne', 'sklearn',"
        " 'matplotlib', 'edfio') if n in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\n{tell}", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    return set(done.stdout.splitlines()[-1].split())


def test_help_loads_no_heavy_library():
    code = "from click.testing import CliRunner; from cleanspan.cli import cli\n"
    code += "assert CliRunner().invoke(cli, ['--help']).exit_code == 0"
    assert loaded(code) == set()


def test_screening_an_edf_file_does_without_slow_libraries(tmp_path):
    demo = ROOT / "demo_data" / "harbour-street-p03-drowsy.edf"
    code = (
        "import sys; from click.testing import CliRunner; from cleanspan.cli import cli\n"
        "call = ['screen', sys.argv[1], '--out', sys.argv[2], '--jobs', '1']\n"
        "call += ['--model', 'shipped']\n"
        "done = CliRunner().invoke(cli, call, catch_exceptions=False)\n"
        "assert done.exit_code == 0, done.output"
    )
    found = loaded(code, demo, tmp_path / "out")
    assert (tmp_path / "out" / "summary.csv").exists()
    assert "numpy" in found  # it was done in this very process
    assert found & {"mne", "sklearn", "matplotlib"} == set()


def test_contributors_guide_names_every_variable_of_the_tests():
    variable = re.compile(r"\bCLEANSPAN_(?!NIGHT_)[A-Z_]*[A-Z]\b")
    used = {
        name
        for path in (ROOT / "tests").rglob("*.py")
        for name in variable.findall(path.read_text(encoding="utf-8"))
    }
    assert set(variable.findall(GUIDE.read_text(encoding="utf-8"))) == used


def test_contributors_guide_names_only_paths_that_there_are():
    named = re.findall(r"`([a-z_./-]+(?:/|\.py|\.md|\.toml))`", GUIDE.read_text(encoding="utf-8"))
    assert len(named) > 20
    places = (ROOT, PACKAGE)
    assert [name for name in named if not any((place / name).exists() for place in places)] == []
