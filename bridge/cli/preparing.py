"""What experience demands before the first tone, asked at the terminal: a service in; confirmations in its log."""

import getpass
import threading
from typing import TYPE_CHECKING, Final

from bridge.cli.console import Console
from bridge.control.inbox import Request
from bridge.procedure.commands import Confirm
from bridge.procedure.preparation import CAUTIONS, outstanding

if TYPE_CHECKING:
    from bridge.daemon.service import Service

ANSWER_S: Final = 5.0
"""How long a confirmation may take to reach the disk."""

HOW: Final = """
Before the first tone. Answer y to confirm, which is logged with your name; Enter leaves it open, and the view goes on
saying so. [preparation] ask = false in the config turns this off.
"""


def ask_preparation(service: "Service", console: Console) -> None:
    """Ask for each item that is not confirmed yet, with the cautions that belong to it."""
    waiting = outstanding(service.confirmed, "before the first tone")
    if not waiting:
        return
    console.say(HOW)
    who = _user()
    told: set[str] = set()
    for item in waiting:
        for caution in CAUTIONS:
            if caution.key in item.cautions and caution.key not in told:
                told.add(caution.key)
                console.say("\n".join((f"{caution.title}:", *(f"  {line}" for line in caution.lines), "")))
        if console.ask(f"{item.question} {item.why} y/Enter", "").lower() in ("y", "yes"):
            reason = _confirmed(service, item.key, who)
            if reason:
                console.say(f"not confirmed: {reason}")


def _confirmed(service: "Service", item: str, who: str) -> str:
    """Confirm an item, and return why it was not, or nothing."""
    answered = threading.Event()
    answers: list[str | None] = []

    def take(reason: str | None) -> None:
        answers.append(reason)
        answered.set()

    if not service.inbox.put(Request(Confirm(item, who), f"terminal of {who}", take)):
        return "too many commands are waiting"
    return (answers[0] or "") if answered.wait(ANSWER_S) else "the log does not answer"


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "somebody at the terminal"
