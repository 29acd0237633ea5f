"""Measured offsets and learned bindings into a config that was written by hand: nothing else in it changes.

The file is replaced as a whole or not at all; what stood there before is kept beside it.
"""

import hashlib
import os
import re
import tempfile
import tomllib
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable

from bridge.config.template import toml

BOM: Final = b"\xef\xbb\xbf"
DECIMALS: Final = 3
"""Of an offset in dB: a tenth of what fine levels promise."""

_HEADER: Final = re.compile(r"^[ \t]*\[[ \t]*audio[ \t]*\][ \t]*(?:#[^\r\n]*)?(\r?\n|\Z)", re.MULTILINE)
_LONE_FEED: Final = re.compile(r"(?<!\r)\n")


class EditRefusedError(Exception):
    """The file was left as it is. The message says why, in one line."""


def fingerprint(path: Path) -> str:
    """Return what tells this content of a file from any other; take it when the config is loaded.

    Raises
    ------
    EditRefusedError
        When the file cannot be read.
    """
    return _digest(_bytes(path))


def write_offsets(path: Path, offsets_db: Mapping[int, float], seen: str) -> Path:
    """Write measured offsets into ``[audio] offsets_db``; offsets of other inputs stay.

    Parameters
    ----------
    path : Path
        The config.
    offsets_db : mapping of int to float
        Input (1…) to what is to be added to its measured level, dB.
    seen : str
        `fingerprint` of the file when it was loaded.

    Returns
    -------
    Path
        Where the file as it was before is kept.

    Raises
    ------
    EditRefusedError
        When the file has changed since it was loaded, is no config, or cannot be written.
    """
    return change_config(path, lambda content: _with_offsets(content, offsets_db, path), seen)


def write_entry(path: Path, name: tuple[str, str], entry: Mapping[str, Any], seen: str) -> Path:
    """Write one more entry of a list of tables, such as ``[[midi.bind]]``, at the end of a config.

    Parameters
    ----------
    path : Path
        The config.
    name : pair of str
        The section and its list.
    entry : mapping
        Keys and values as TOML would read them.
    seen : str
        `fingerprint` of the file when it was loaded.

    Returns
    -------
    Path
        Where the file as it was before is kept.

    Raises
    ------
    EditRefusedError
        As `write_offsets` does.
    """
    return change_config(path, lambda content: _with_entry(content, name, entry, path), seen)


def change_config(path: Path, change: Callable[[bytes], bytes], seen: str) -> Path:
    """Change the content of a config; what it was is kept beside it under the name that is returned.

    Raises
    ------
    EditRefusedError
        When the file has changed since it was loaded, ``change`` refuses, or it cannot be written.
    """
    file = path.resolve()
    content = _bytes(file)
    if _digest(content) != seen:
        raise EditRefusedError(f"{path}: has changed since it was loaded; load it again")
    changed = change(content)
    try:
        backup = _kept(file, content)
        if _digest(_bytes(file)) != seen:
            raise EditRefusedError(f"{path}: was changed by another program just now; load it again")
        replace_file(file, changed)
    except OSError as wrong:
        raise EditRefusedError(f"{path}: cannot be written: {wrong.strerror or wrong}") from None
    return backup


def replace_file(file: Path, content: bytes, *, is_private: bool = False) -> None:
    """Write a file so that a reader, also after a power cut, finds the old content or the new, never a part.

    Permissions of an existing file stay, and its owner where that is allowed; a private file is its owner's alone.

    Raises
    ------
    OSError
        When it cannot be written; then the file is as it was.
    """
    handle, name = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.")
    new = Path(name)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        if not is_private:  # what mkstemp makes is
            _take_over_permissions(new, file)
        new.replace(file)
    except BaseException:
        new.unlink(missing_ok=True)
        raise
    sync_folder(file.parent)


def _take_over_permissions(new: Path, old: Path) -> None:
    if not old.exists():
        umask = os.umask(0)
        os.umask(umask)
        new.chmod(0o666 & ~umask)
        return
    status = old.stat()
    new.chmod(status.st_mode & 0o7777)
    if hasattr(os, "chown"):
        with suppress(PermissionError):
            os.chown(new, status.st_uid, status.st_gid)


def sync_folder(folder: Path) -> None:
    """See to it that which files a folder holds outlasts a power cut."""
    if os.name == "nt":  # a folder cannot be opened there; NTFS journals the rename
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _kept(file: Path, content: bytes) -> Path:
    """Write the content beside the file under the first free name, and return that."""
    number = 1
    while True:
        backup = file.with_name(f"{file.name}.{number}.bak")
        try:
            with backup.open("xb") as out:
                out.write(content)
                out.flush()
                os.fsync(out.fileno())
        except FileExistsError:
            number += 1
            continue
        _take_over_permissions(backup, file)
        return backup


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as wrong:
        raise EditRefusedError(f"{path}: cannot be read: {wrong.strerror or wrong}") from None


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _with_offsets(content: bytes, offsets_db: Mapping[int, float], path: Path) -> bytes:
    mark = BOM if content.startswith(BOM) else b""
    rounded = {number: round(offset, DECIMALS) + 0.0 for number, offset in sorted(offsets_db.items())}
    try:
        text = content.removeprefix(BOM).decode("utf-8")
        changed = _edited(text, rounded)
        right = _meaning(changed, {}) == _meaning(text, rounded)
    except (ValueError, TypeError, AttributeError, TOMLKitError) as wrong:
        raise EditRefusedError(f"{path}: is no config: {wrong}") from None
    if not right:
        raise EditRefusedError(f"{path}: offsets_db stands there in a way that cannot be changed safely")
    return mark + changed.encode("utf-8")


def _with_entry(content: bytes, name: tuple[str, str], entry: Mapping[str, Any], path: Path) -> bytes:
    mark = BOM if content.startswith(BOM) else b""
    section, entries = name
    try:
        text = content.removeprefix(BOM).decode("utf-8")
        wanted = tomllib.loads(text)
    except ValueError as wrong:
        raise EditRefusedError(f"{path}: is no config: {wrong}") from None
    end = _line_end(text)
    lines = ["", f"[[{section}.{entries}]]", *(f"{key} = {toml(value)}" for key, value in entry.items()), ""]
    changed = text + (end if text and not text.endswith("\n") else "") + end.join(lines)
    try:
        wanted.setdefault(section, {}).setdefault(entries, []).append(dict(entry))
        right = tomllib.loads(changed) == wanted
    except (ValueError, AttributeError):
        right = False
    if not right:
        raise EditRefusedError(f"{path}: {section} stands there in a way that nothing can be added to safely")
    return mark + changed.encode("utf-8")


def _meaning(text: str, measured_db: Mapping[int, float]) -> dict[str, Any]:
    """Return what a config says, with measured offsets in place of its own, whatever way each input is written."""
    raw = tomllib.loads(text)
    audio = raw.setdefault("audio", {})
    written = {int(name): offset for name, offset in audio.get("offsets_db", {}).items()}
    audio["offsets_db"] = written | dict(measured_db)
    return raw


def _edited(text: str, offsets_db: Mapping[int, float]) -> str:
    document = tomlkit.parse(text)
    audio: Any = document.get("audio")
    table: Any = None if audio is None else audio.get("offsets_db")
    written = {number: str(offset) for number, offset in offsets_db.items()}
    if audio is None:
        end = _line_end(text)
        gap = "" if not text or text.endswith("\n") else end
        return f"{text}{gap}{end}[audio]{end}offsets_db = {_inline(written)}{end}"
    if table is None:
        header = _HEADER.search(text)
        if header:
            line = f"offsets_db = {_inline(written)}"
            end = header[1] or _line_end(text)
            return text[: header.end()] + ("" if header[1] else end) + line + end + text[header.end() :]
        audio["offsets_db"] = tomlkit.value(_inline(written))
    elif isinstance(table, InlineTable) and "\n" not in table.as_string():
        others = {int(name): item.as_string() for name, item in table.items()}
        audio["offsets_db"] = tomlkit.value(_inline(others | written))
    else:
        for number, offset in offsets_db.items():
            table[_name(table, number)] = offset
    changed = tomlkit.dumps(document)
    return _LONE_FEED.sub("\r\n", changed) if "\n" in text and not _LONE_FEED.search(text) else changed


def _inline(written: Mapping[int, str]) -> str:
    return "{ " + ", ".join(f"{number} = {offset}" for number, offset in sorted(written.items())) + " }"


def _line_end(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"


def _name(table: Mapping[str, object], number: int) -> str:
    """Return the key of an input as it stands in the table, or as it is to be written."""
    return next((name for name in table if name.isdecimal() and int(name) == number), str(number))
