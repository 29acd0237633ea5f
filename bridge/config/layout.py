"""Layouts of the page: a TOML file in; which parts are shown where, or one line that says what is wrong, out."""

import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Final, Literal, Self

from pydantic import Field, ValidationError, model_validator

from bridge.config.section import Section

Part = Literal["step", "status", "figure", "strip", "tracks", "progress", "commands"]
CommandName = Literal[
    "back", "next", "repeat", "step", "path", "bank", "track", "hold", "follow", "log", "undo", "note", "sound"
]  # fmt: skip
View = Literal["trim", "prepare", "run", "log"]

SHIPPED: Final = ("machine", "wall", "phone")
NAME: Final = re.compile(r"[a-z][a-z0-9-]{0,31}")
"""What a layout may be called: it is part of an address."""

TAKEN: Final = frozenset(("live", "alive", "pair", "page"))
"""Names that are addresses of something else."""


class LayoutError(ValueError):
    """A layout cannot be used. The message is one line."""


class Row(Section):
    """One row of parts."""

    height: Annotated[float, Field(gt=0.0, le=100.0)]
    """Share of the screen's height in percent."""
    parts: Annotated[tuple[Part, ...], Field(min_length=1, max_length=4)]
    """What stands in it, from left to right."""
    widths: tuple[Annotated[float, Field(gt=0.0, le=100.0)], ...] = ()
    """Their widths against each other; left out = all the same."""

    @model_validator(mode="after")
    def _widths_fit(self) -> Self:
        if self.widths and len(self.widths) != len(self.parts):
            raise ValueError(f"{len(self.widths)} widths for {len(self.parts)} parts")
        return self


class Layout(Section):
    """Which parts a page has, how large, and in which order."""

    title: Annotated[str, Field(min_length=1, max_length=60)]
    """What the layout is called."""
    landscape: Annotated[tuple[Row, ...], Field(min_length=1, max_length=8)]
    """Rows from top to bottom on a screen that is wider than high."""
    portrait: Annotated[tuple[Row, ...], Field(min_length=1, max_length=8)]
    """Rows from top to bottom on a screen that is higher than wide."""
    commands: tuple[CommandName, ...] = ()
    """Buttons of the part "commands", in their order."""
    views: tuple[View, ...] = ("trim", "prepare", "run", "log")
    """Which views can be opened; the first is shown first."""
    theme: Literal["dark", "light", "auto"] = "auto"
    """Dark, light, or what the tablet is set to."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        for way, rows in (("landscape", self.landscape), ("portrait", self.portrait)):
            total = sum(row.height for row in rows)
            if abs(total - 100.0) > 0.5:
                raise ValueError(f"the heights of {way} add up to {total:g}, not to 100")
            parts = [part for row in rows for part in row.parts]
            if twice := {part for part in parts if parts.count(part) > 1}:
                raise ValueError(f"{way} has {min(twice)} twice")
        if not self.views:
            raise ValueError("views must have one view or more")
        return self


def load_layout(path: Path) -> Layout:
    """Return the layout in a TOML file.

    Raises
    ------
    LayoutError
        When it cannot be used.
    """
    if not NAME.fullmatch(path.stem) or path.stem in TAKEN:
        raise LayoutError(f"{path}: the name must be small letters, digits and hyphens, and none of an address in use")
    try:
        return parse_layout(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise LayoutError(f"{path}: cannot be read: {error}") from None


def parse_layout(text: str, named: str) -> Layout:
    """Return the layout in a text; ``named`` is what faults call it.

    Raises
    ------
    LayoutError
        When it cannot be used.
    """
    try:
        return Layout.model_validate(_tuples(tomllib.loads(text)))
    except tomllib.TOMLDecodeError as error:
        raise LayoutError(f"{named}: not TOML: {error}") from None
    except ValidationError as wrong:
        first = wrong.errors(include_url=False)[0]
        place = ".".join(str(part + 1) if isinstance(part, int) else part for part in first["loc"])
        what = first["msg"].removeprefix("Value error, ")
        raise LayoutError(f"{named}: {f'{place}: ' if place else ''}{what[0].lower()}{what[1:]}") from None


def shipped_layouts() -> dict[str, Layout]:
    """Return the layouts that come with the program, by name."""
    folder = files("bridge") / "page" / "layouts"
    return {
        name: parse_layout((folder / f"{name}.toml").read_text(encoding="utf-8"), f"{name}.toml") for name in SHIPPED
    }


def _tuples(value: object) -> object:
    if isinstance(value, dict):
        return {name: _tuples(item) for name, item in value.items()}
    return tuple(map(_tuples, value)) if isinstance(value, list) else value
