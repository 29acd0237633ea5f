"""The page's own files, read once: names in, bytes with their type and tag out."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Final

TYPES: Final = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}


@dataclass(frozen=True, slots=True)
class PageFile:
    """One file. ``tag`` changes with its bytes, so that a browser need not load what it has (RFC 9110, 8.8.3)."""

    body: bytes
    content_type: str
    tag: str


def page_files() -> dict[str, PageFile]:
    """Return all files of the page by their path within it."""
    return dict(_below(files("bridge") / "page", ""))


def _below(folder: Traversable, prefix: str) -> Iterator[tuple[str, PageFile]]:
    for entry in folder.iterdir():
        name = f"{prefix}{entry.name}"
        if entry.is_dir():
            yield from _below(entry, f"{name}/")
        elif (ending := entry.name[entry.name.rfind(".") :]) in TYPES:
            body = entry.read_bytes()
            yield name, PageFile(body, TYPES[ending], f'"{hashlib.sha256(body).hexdigest()[:16]}"')
