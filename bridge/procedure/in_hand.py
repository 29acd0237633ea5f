"""What is in hand: movements as they are told, and finished acts in; what the log must know in case of a kill, out.

What a hand has turned is logged some seconds after it has left, when its mean is good enough. Until then the log has
what the track read before. A trim of the act answers that, and so does a record that it was turned and not logged; what
ends without either has to be said, as else it would count as turned after a restart.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from bridge.procedure.progress import Turned
from bridge.readings import State


@dataclass(slots=True)
class _Movement:
    """One act in the making: what its track read before, whether the log was given that, and whether it still waits.

    ``rests`` after a person has logged it by hand, until its trimmer is seen to turn once more.
    """

    turned: Turned
    is_kept: bool = False
    rests: bool = False


class InHand:
    """The acts that have been told and not finished, by their place in the bank (0…)."""

    def __init__(self) -> None:
        self._movements: dict[int, _Movement] = {}

    def begin(self, place: int, turned: Turned) -> None:
        """Take note that a trimmer is being turned; ``turned`` is what its track read before."""
        self._movements[place] = _Movement(turned)

    def logged(self, place: int, turned: Turned) -> None:
        """Take note that a person has logged what is in hand; ``turned`` is what that left, in case it goes on."""
        if place in self._movements:
            self._movements[place] = _Movement(turned, rests=True)

    def end(self, place: int) -> Turned | None:
        """Take note that an act is finished; return what the log was given of it, if that is not answered yet."""
        movement = self._movements.pop(place, None)
        return movement.turned if movement is not None and movement.is_kept else None

    @property
    def is_owed(self) -> bool:
        """Whether there may be something that the log was not given."""
        return any(not movement.is_kept for movement in self._movements.values())

    def to_keep(self, states: Sequence[State]) -> Iterator[Turned]:
        """Yield what the log has to be given now, once each; ``states`` are those of the tracks of the bank."""
        for place, movement in self._movements.items():
            if not movement.is_kept and not (movement.rests and states[place] != "moving"):
                movement.is_kept, movement.rests = True, False
                yield movement.turned

    def holds(self, turned: Turned) -> bool:
        """Say whether what the log was given is in hand still."""
        return any(movement.turned is turned for movement in self._movements.values())
