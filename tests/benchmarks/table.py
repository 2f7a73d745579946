"""The table of one benchmark, written beside it as Markdown and printed."""

from collections.abc import Sequence
from pathlib import Path


def write_table(name: str, title: str, about: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Write ``name``.md: its title, how it was made, and its rows."""
    lines = [
        f"# {title}",
        "",
        about,
        "",
        *(f"| {' | '.join(cells)} |" for cells in (heads, ["---"] * len(heads), *rows)),
    ]
    (Path(__file__).parent / f"{name}.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))
