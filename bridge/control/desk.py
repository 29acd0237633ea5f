"""Where commands are handed in, whichever way they came: a command with its request id in, one answer out.

What is asked again under the same id is answered again and not done twice.
"""

from collections.abc import Callable, Hashable
from functools import partial
from typing import Final

from bridge.control.inbox import CommandInbox, Request
from bridge.control.requests import RequestMemory
from bridge.procedure.commands import Command

BUSY: Final = "too many commands are waiting: send it again"


class Desk:
    """Hands commands to the inbox and remembers what became of them. Answers may come from any thread.

    Parameters
    ----------
    inbox : CommandInbox
        Where commands go.
    """

    def __init__(self, inbox: CommandInbox) -> None:
        self._inbox = inbox
        self._memory = RequestMemory()

    def hand_in(
        self,
        command: Command,
        request_id: str,
        sender: Hashable,
        named: str,
        answer: Callable[[str | None], object],
    ) -> str | None:
        """Hand a command in. Returns why it cannot be, or None.

        Parameters
        ----------
        command : Command
        request_id : str
            Empty when no answer is wanted.
        sender : hashable
            Whose ids these are.
        named : str
            What the log calls the sender.
        answer : callable
            Called with None when the command is done, with the reason when not; not called without a request id.
        """
        if not request_id:
            return None if self._inbox.put(Request(command, named, _nobody_asked)) else BUSY
        standing = self._memory.begin(sender, request_id)
        if isinstance(standing, tuple):
            answer(standing[0])
        elif standing == "new":
            request = Request(command, named, partial(self._answered, sender, request_id, answer))
            if not self._inbox.put(request):
                self._memory.forget(sender, request_id)
                return BUSY
        return None

    def _answered(
        self, sender: Hashable, request_id: str, answer: Callable[[str | None], object], refused_reason: str | None
    ) -> None:
        self._memory.answered(sender, request_id, refused_reason)
        answer(refused_reason)


def _nobody_asked(_refused_reason: str | None) -> None:
    """Answer a request that has no id: by saying nothing."""
