"""The screens that have shown the pairing code: tokens in; who may command, and what is worth keeping, out. Pure.

A token is 24 random bytes, so its digest can be kept where the token itself must not be: nobody finds the token by it.
"""

import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

MOST: Final = 64
"""Most screens paired at one time; the one that came last longest ago is forgotten."""

EXPIRES_S: Final = 30 * 86_400.0
"""A screen that was not seen for so long is forgotten: it may have been sold, or lost."""

NOTED_S: Final = 3_600.0
"""How exactly it is kept when a screen was seen last."""

TOKEN_BYTES: Final = 24


@dataclass(frozen=True, slots=True)
class PairedScreen:
    """One screen that may command.

    Parameters
    ----------
    digest : str
        SHA-256 of its token, hexadecimal.
    host : str
        Numeric address that it was paired from.
    what : str
        What its browser calls itself; for people.
    paired_s, seen_s : float
        When it was paired and when it came last, Unix time, seconds.
    """

    digest: str
    host: str
    what: str
    paired_s: float
    seen_s: float

    @property
    def id(self) -> str:
        """What it is called where it can be read by others: the start of its digest."""
        return self.digest[:12]


class PairedScreens:
    """The screens that may command; for one thread.

    Parameters
    ----------
    screens : iterable of PairedScreen
        Those that are known from before.
    """

    def __init__(self, screens: Iterable[PairedScreen] = ()) -> None:
        self._by_digest = {screen.digest: screen for screen in screens}

    def pair(self, host: str, what: str, unix_s: float) -> str:
        """Take up a screen; return its token."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        digest = _digest(token)
        self._by_digest[digest] = PairedScreen(digest, host, what, unix_s, unix_s)
        if len(self._by_digest) > MOST:
            others = (screen for screen in self._by_digest.values() if screen.digest != digest)
            del self._by_digest[min(others, key=lambda screen: screen.seen_s).digest]
        return token

    def is_paired(self, token: str, unix_s: float) -> bool:
        """Whether the token belongs to a paired screen."""
        # Looked up by its digest, so that how long it takes tells nothing of the token.
        screen = self._by_digest.get(_digest(token)) if token else None
        return screen is not None and _is_alive(screen, unix_s)

    def see(self, token: str, unix_s: float) -> bool:
        """Note that a paired screen came; whether that is worth keeping."""
        screen = self._by_digest.get(_digest(token))
        if screen is None or abs(unix_s - screen.seen_s) < NOTED_S:
            return False
        self._by_digest[screen.digest] = replace(screen, seen_s=unix_s)
        return True

    def forget(self, screen_id: str) -> bool:
        """Forget a screen, or all when the id is empty; whether there was one."""
        gone = [digest for digest, screen in self._by_digest.items() if screen_id in ("", screen.id)]
        for digest in gone:
            del self._by_digest[digest]
        return bool(gone)

    def screens(self, unix_s: float) -> tuple[PairedScreen, ...]:
        """Return those that may command, the newest first."""
        alive = (screen for screen in self._by_digest.values() if _is_alive(screen, unix_s))
        return tuple(sorted(alive, key=lambda screen: -screen.paired_s))

    def to_keep(self, unix_s: float) -> tuple[PairedScreen, ...]:
        """Return those worth keeping: those that may command, and those last seen in what is the future now.

        A clock that starts in 1970 forgets nobody: they may command again when it is right. Nobody far ahead of the
        clock commands meanwhile, so one that was once set far ahead pairs nobody for ever.
        """
        return tuple(screen for screen in self._by_digest.values() if unix_s - screen.seen_s <= EXPIRES_S)


def _is_alive(screen: PairedScreen, unix_s: float) -> bool:
    # Either way: a clock that was once set far ahead must not pair for ever.
    return abs(unix_s - screen.seen_s) <= EXPIRES_S


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
