"""Tables for people: headings and rows in; text that fits a terminal, and a page where there is none, out."""

import itertools
import sys
from collections.abc import Sequence
from typing import Final

from rich.cells import cell_len
from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

PAGE_COLUMNS: Final = 110
"""Width where the output goes to a file or another program: a sheet of A4 across."""


def console() -> Console:
    """Return where tables are printed. Names in them are of people's own making, and no markup."""
    return Console(highlight=False, markup=False, emoji=False, width=None if sys.stdout.isatty() else PAGE_COLUMNS)


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


def show_with_lines(headings: Sequence[str], items: Sequence[Sequence[str] | str], *, title: str) -> None:
    """Print a table with lines of text between its rows, each a string; the columns stay where they are.

    A terminal that is too narrow breaks the lines of the columns that hold no figures.
    """
    out = console()
    out.print(Text(title, style="table.title"))
    rows = [item for item in items if not isinstance(item, str)]
    names = [heading.removeprefix(">") for heading in headings]
    columns = list(zip(names, *rows, strict=True))
    widths = [max(map(cell_len, column)) for column in columns]
    for number, column in enumerate(columns):
        if not headings[number].startswith(">"):
            longest_word = max(cell_len(word) for text in column for word in text.split())
            over = sum(widths) + len(widths) - 1 - out.width
            widths[number] = max(longest_word, widths[number] - max(over, 0))
    out.print(_of_widths(headings, widths, shows_header=True))
    for is_text, group in itertools.groupby(items, lambda item: isinstance(item, str)):
        if is_text:
            for text in group:
                out.print(Padding(Text(str(text)), (0, 0, 0, 2)))
            continue
        made = _of_widths(headings, widths, shows_header=False)
        for row in group:
            made.add_row(*row)
        out.print(made)


def _of_widths(headings: Sequence[str], widths: Sequence[int], *, shows_header: bool) -> Table:
    made = table(*headings)
    made.show_header = shows_header
    for column, width in zip(made.columns, widths, strict=True):
        column.width = width
    return made
