"""``cleanspan guide``: the documentation that is shipped with the program."""

import difflib
from pathlib import Path

import click

from cleanspan.errors import UsageError

GUIDES = Path(__file__).parents[1] / "guides"


@click.command("guide")
@click.argument("topic", required=False)
def command(topic: str | None) -> None:
    """Read the documentation: without TOPIC, list what there is."""
    guides = {path.stem: path for path in sorted(GUIDES.glob("*.md"))}
    if topic is None:
        width = max(len(name) for name in guides)
        for name, path in guides.items():
            click.echo(f"{name:{width}}  {_title(path)}")
        click.echo("\nRead one: cleanspan guide TOPIC")
        return
    name = topic.lower().removesuffix(".md")
    if name not in guides:
        near = difflib.get_close_matches(name, guides, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"there are: {', '.join(guides)}"
        raise UsageError(f"a guide must be one that is shipped, got {topic!r}; {hint}")
    click.echo(guides[name].read_text(encoding="utf-8").rstrip())


def _title(path: Path) -> str:
    """Take the guide's heading."""
    with path.open(encoding="utf-8") as file:
        return file.readline().lstrip("# ").strip()
