"""From a config file to settings: a path in; frozen `Settings`, or all faults at once, out."""

from difflib import SequenceMatcher, get_close_matches
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from bridge.config import checks, document, keys, patching
from bridge.config.document import Document
from bridge.config.faults import ConfigFaults, Finding, shown
from bridge.config.positions import Path as KeyPath
from bridge.config.settings import FREE_CURVE, MOST_TRACKS, NAMED_CURVE, ONE_TAPE, SEVERAL_TAPES, Settings

_MARKS: Final = (FREE_CURVE, NAMED_CURVE, ONE_TAPE, SEVERAL_TAPES)
_STAND_INS: Final = {"name": "?", "tracks": MOST_TRACKS}
"""What stands for a required key that is wrong, so that the rest can still be checked."""


ABOUT_EQUAL: Final = 0.1
"""Two words whose likeness to a misspelt one differs by less are both offered (by trying misspellings of our keys)."""


def load(path: Path, *, source_needed: bool = True) -> Settings:
    """Return the settings in a config file.

    Parameters
    ----------
    path : Path
        The TOML file. Relative file names in it start at its folder.
    source_needed : bool
        Whether the source that it names is to be opened; if not, a recording need not be named.

    Raises
    ------
    ConfigFaults
        When it cannot be used; it holds everything that is wrong, in the order of the file.
    """
    return _settings(document.read(path), source_needed=source_needed)


def loads(text: str, path: Path) -> Settings:
    """Return the settings in a text; ``path`` is the file that it comes from or goes to.

    Raises
    ------
    ConfigFaults
        As `load` does.
    """
    return _settings(document.parse(text, path))


def _settings(written: Document, *, source_needed: bool = True) -> Settings:
    findings: list[Finding] = []
    raw = _plain(written.raw, findings)
    settings, wrong = _validated(raw)
    findings += wrong
    findings += checks.findings(settings, {finding.path for finding in findings}, source_needed=source_needed)
    if findings:
        faults = [written.fault(finding) for finding in findings]
        raise ConfigFaults(sorted(faults, key=lambda fault: (str(fault.file), fault.line or 0)))
    return _at_home(settings, written.file.parent)


def _plain(raw: dict[str, Any], findings: list[Finding]) -> dict[str, Any]:
    """Return the raw table as the settings take it: lists as tuples, patching as pairs of numbers."""
    out: dict[str, Any] = {name: _tuples(value) for name, value in raw.items()}
    audio, machine = out.get("audio"), out.get("machine")
    if isinstance(audio, dict):
        tracks = machine.get("tracks") if isinstance(machine, dict) else None
        known = tracks if isinstance(tracks, int) and not isinstance(tracks, bool) and tracks > 0 else None
        if "banks" in audio:
            del audio["banks"]
            findings.append(Finding(("audio", "banks"), "unknown key", "did you mean inputs?", show_value=False))
        if "inputs" in audio:
            audio["inputs"] = patching.banks(audio["inputs"], known, findings)
        if "offsets_db" in audio:
            audio["offsets_db"] = patching.offsets(audio["offsets_db"], findings)
    return out


def _tuples(value: object) -> Any:
    if isinstance(value, dict):
        return {name: _tuples(item) for name, item in value.items()}
    return tuple(map(_tuples, value)) if isinstance(value, list) else value


def _validated(raw: dict[str, Any]) -> tuple[Settings, list[Finding]]:
    """Return the settings and what is wrong; of what is wrong the settings hold the defaults."""
    try:
        return Settings.model_validate(raw), []
    except ValidationError as wrong:
        errors = wrong.errors(include_url=False, include_context=False)
    findings = [_finding(_path(error["loc"]), error["type"], error["input"]) for error in errors]
    return _remainder(raw, [finding.path for finding in findings]), findings


def _path(loc: KeyPath) -> KeyPath:
    return tuple(part for part in loc if part not in _MARKS)


def _remainder(raw: dict[str, Any], wrong: list[KeyPath]) -> Settings:
    """Return the settings of what is left when each key with something wrong in it is taken out."""
    kept = {name: dict(value) if isinstance(value, dict) else value for name, value in raw.items()}
    tapes = kept.get("tape")
    if isinstance(tapes, tuple):
        kept["tape"] = tapes = tuple(dict(entry) if isinstance(entry, dict) else entry for entry in tapes)
    for section, *inner in wrong:
        table = kept.get(str(section))
        # No key of a tape must be given, so what is right of it can be checked without what is wrong.
        if section == "tape" and isinstance(table, tuple) and len(inner) > 1:
            table[int(inner[0])].pop(str(inner[1]), None)
        elif inner and isinstance(table, dict):
            table.pop(str(inner[0]), None)
        else:
            kept.pop(str(section), None)
    kept["machine"] = _STAND_INS | kept.get("machine", {})
    return Settings.model_validate(kept)


def _finding(path: KeyPath, kind: str, value: object) -> Finding:
    if kind == "extra_forbidden":
        return _unknown(path, value)
    if kind == "missing":
        wanted = "it needs at least name and tracks" if path == ("machine",) else f"must be {keys.allowed(path)}"
        return Finding(path, f"missing; {wanted}", show_value=False)
    return Finding(path, f"must be {keys.allowed(path)}", _better(path, value))


def _unknown(path: KeyPath, value: object) -> Finding:
    """Return what is said about a key or section that does not exist."""
    name, siblings = str(path[-1]), keys.names(path[:-1])
    near = _near(name.lower(), siblings)
    homes = [section for section in keys.names(()) if name in (*keys.names((section,)), *keys.names((section, 0)))]
    if len(path) == 1 and not isinstance(value, dict | tuple):
        homes_text = f"it belongs under [{homes[0]}]" if homes else ""
        return Finding(path, "stands outside every section", homes_text)
    kind = "section" if len(path) == 1 else "key"
    if homes and kind == "key":
        suggestion = f"it belongs in {'[[step]]' if homes[0] == 'step' else f'[{homes[0]}]'}"
    elif near:
        suggestion = f"did you mean {' or '.join(f'[{word}]' if kind == 'section' else word for word in near)}?"
    else:
        marks = "[{}]" if kind == "section" else "{}"
        suggestion = f"the {kind}s here are " + ", ".join(marks.format(sibling) for sibling in siblings)
    return Finding(path, f"unknown {kind}", suggestion, show_value=False)


def _near(name: str, words: tuple[str, ...]) -> list[str]:
    """Return the word that a misspelt one is nearest to, or two when they are about equally near."""
    near = [(SequenceMatcher(None, name, word).ratio(), word) for word in get_close_matches(name, words, n=2)]
    return [word for likeness, word in near if likeness > near[0][0] - ABOUT_EQUAL]


def _better(path: KeyPath, value: object) -> str:
    """Return what was probably meant by a wrong value, or nothing."""
    kinds = keys.kinds(path)
    if path == ("audio", "device"):
        return "`trimbridge inputs` lists the names"
    if isinstance(value, str):
        return _better_than_text(value, keys.choices(path), kinds)
    if isinstance(value, float) and kinds == {"integer"} and value.is_integer():
        return f"write {int(value)}"
    if isinstance(value, int | float) and kinds == {"string"} and not isinstance(value, bool):
        return f"write {shown(str(value))}"
    return ""


def _better_than_text(value: str, choices: tuple[str, ...], kinds: set[str]) -> str:
    if choices:
        near = get_close_matches(value.lower().strip(), choices, n=1)
        return f"did you mean {shown(near[0])}?" if near else ""
    bare = value.strip().lower()
    bare = {"yes": "true", "on": "true", "no": "false", "off": "false"}.get(bare, bare)
    is_number = bare.removeprefix("-").replace(".", "", 1).isdecimal()
    if ("boolean" in kinds and bare in ("true", "false")) or (kinds & {"integer", "number"} and is_number):
        return f"write {bare} without quotes"
    return "there is no such user's folder" if value.startswith("~") else ""


def _at_home(settings: Settings, folder: Path) -> Settings:
    """Return the settings with each file name made absolute; ``folder`` is where relative ones start."""

    def found(name: Path | None) -> Path | None:
        return None if name is None else (folder / name.expanduser()).absolute()

    return settings.model_copy(
        update={
            "audio": settings.audio.model_copy(update={"recording": found(settings.audio.recording)}),
            "page": settings.page.model_copy(
                update={
                    "certificate": found(settings.page.certificate),
                    "certificate_key": found(settings.page.certificate_key),
                    "layouts": tuple((folder / path.expanduser()).absolute() for path in settings.page.layouts),
                }
            ),
            "log": settings.log.model_copy(update={"file": found(settings.log.file)}),
        }
    )
