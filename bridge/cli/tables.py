"""Tables for people: headings and rows in; text that fits a terminal, and a page where there is none, out."""

import sys
from collections.abc import Sequence
from typing import Final

from rich.console import Console, RenderableType
from rich.table import Table

PAGE_COLUMNS: Final = 110
"""Width where the output goes to a file or another program: a sheet of A4 across."""


def console() -> Console:
    """Return where tables are printed."""
    return Console(highlight=False, width=None if sys.stdout.isatty() else PAGE_COLUMNS)


def table(*headings: str, title: str | None = None) -> Table:
    """Return an empty table without lines; a heading that begins with ``>`` is of a column of figures."""
    made = Table(title=title, title_justify="left", box=None, header_style="bold", pad_edge=False, padding=(0, 1, 0, 0))
    for heading in headings:
        figures = heading.startswith(">")
        made.add_column(heading.removeprefix(">"), justify="right" if figures else "left", no_wrap=figures)
    return made


def show(made: Table, rows: Sequence[Sequence[RenderableType | str]] = ()) -> None:
    """Print a table."""
    for row in rows:
        made.add_row(*row)
    console().print(made)
