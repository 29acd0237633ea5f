"""The calibration: levels of all inputs and commands in; frames for the sinks and trims for the log out.

It goes through the steps, by itself as the tape plays and as the person says.
"""

from collections.abc import Iterable, Sequence
from typing import Final

from bridge.metering.levels import Levels
from bridge.procedure.bank import Bank
from bridge.procedure.commands import (
    Command,
    Confirm,
    Finish,
    Focus,
    Follow,
    GoToStep,
    Hold,
    ListenTo,
    LogNow,
    MovePlayback,
    NextStep,
    Note,
    PlayForeign,
    PlayForeignTone,
    PlayTone,
    PreviousStep,
    Reinstate,
    RepeatStep,
    SelectBank,
    TakeBack,
    TurnTrimmer,
    Withdraw,
)
from bridge.procedure.course import Course
from bridge.procedure.framing import Framing
from bridge.procedure.outcomes import (
    Accepted,
    ConfirmationToLog,
    Declined,
    NoteToLog,
    Outcome,
    ReinstatementToLog,
    TakingBackToLog,
    WithdrawalToLog,
)
from bridge.procedure.patch import Patch
from bridge.procedure.preparation import refusal
from bridge.procedure.progress import Missing, Progress, Record, Turned, turned_told
from bridge.procedure.setup import Place, Setup
from bridge.procedure.steps import Step
from bridge.procedure.visit import Moment
from bridge.readings import Frame, Health, Trim

NOT_PRACTICE: Final = "this is no simulated recorder: the hand has to turn it"

NO_STEPS: Final = "there are no steps: add [[step]] tables to the config"


class Calibration:
    """One run over the steps.

    Parameters
    ----------
    setup : Setup
    place : Place, optional
        Where to go on; a place that does not exist any more is brought to the nearest one.
    """

    def __init__(self, setup: Setup, place: Place | None = None) -> None:
        self._setup = setup
        self._patches: list[Patch] = []
        self._sample_rate_hz = 1
        self._base_s = 0.0
        self.progress = Progress()
        self.confirmed: set[str] = set()
        """The preparations that are confirmed, by the log."""
        self._course = Course(setup, self.progress)
        self._framing = Framing(setup, self._course, self.progress)
        if place is not None:
            self.resume(place)

    @property
    def place(self) -> Place:
        """Where the calibration stands."""
        return self._course.place

    @property
    def step(self) -> Step | None:
        """The step under way, if there is any."""
        return self._course.step

    @property
    def bank(self) -> Bank:
        """The bank that is patched."""
        return self._course.bank

    @property
    def is_held(self) -> bool:
        """Whether nothing happens unasked."""
        return self._course.state == "held"

    @property
    def position_s(self) -> float:
        """Seconds from the start of the source to the last levels."""
        return self._course.now.position_s

    @property
    def notice(self) -> str:
        """What a person should know of the tone, one line; empty when there is nothing to say."""
        return self._course.notice

    @property
    def change(self) -> str:
        """What has to be done by hand before a tone of the step can be heard, one line; empty when nothing has."""
        return self._course.change

    @property
    def has_begun(self) -> bool:
        """Whether the tape or a person has led anywhere, or a trimmer was turned."""
        return self._course.has_begun

    def missing(self) -> tuple[Missing, ...]:
        """Return what is not yet in the log."""
        return self._course.missing()

    @property
    def unlogged(self) -> str:
        """What was turned and is not logged since, a few words; empty when nothing was."""
        setup = self._setup
        return turned_told(self.progress.unlogged_of(setup.steps, setup.tracks), setup.steps)

    # -- what the log says

    def resume(self, place: Place) -> None:
        """Go to a place as if nothing had been seen."""
        self._framing.forget()
        self._course.go_to(place)

    def restore(
        self,
        records: Iterable[Record],
        confirmed: Iterable[str],
        withdrawn: Iterable[str] = (),
        turned: Iterable[Turned] = (),
    ) -> None:
        """Take what the log holds.

        Parameters
        ----------
        records : iterable of Record
            The trims in the order of logging.
        confirmed : iterable of str
            Names of what is confirmed of the preparation.
        withdrawn : iterable of str
            Ids of the trims that do not stand.
        turned : iterable of Turned
            What was turned since without being logged.
        """
        self.progress.restore(records, withdrawn, turned, self._setup.steps)
        self.confirmed = set(confirmed)

    def begin_another(self) -> list[Outcome]:
        """Begin the next calibration: at the first step, with the bank that is patched; return what is to be said."""
        self.progress.clear()
        self.confirmed.clear()
        self._framing.forget()
        return self._course.begin_another()

    def logged(self, record: Record) -> None:
        """Take note of a trim whose commit is on disk."""
        self.progress.logged(record)

    def not_logged(self, trim: Trim) -> Turned | None:
        """Take note of a trim that is not in the log and will not be: what was turned is missing until it is.

        Return what was turned, if anything was: that has to outlive the daemon.
        """
        return self._course.not_logged(trim)

    def is_unlogged(self, turned: Turned) -> bool:
        """Say whether what was turned is not logged still."""
        return self._course.is_unlogged(turned)

    def is_in_hand(self, turned: Turned) -> bool:
        """Say whether what was said to be in hand is so still."""
        return self._course.is_in_hand(turned)

    def withdrawn(self, trim_id: str) -> None:
        """Take note of a trim that is marked as withdrawn in the log: what stood before it stands again."""
        self._course.withdrawn(trim_id)

    def reinstated(self, trim_id: str) -> None:
        """Take note of a withdrawn trim that stands again in the log."""
        self._course.reinstated(trim_id)

    # -- the source

    def source_began(self, source_inputs: Sequence[int], sample_rate_hz: int, position_s: float) -> None:
        """Take note of a source that begins to count its samples, so long after the very first start.

        Parameters
        ----------
        source_inputs : sequence of int
            Numbers of the inputs in the columns of the levels.
        sample_rate_hz : int
        position_s : float

        Raises
        ------
        ValueError
            When a bank needs an input that the source does not deliver.
        """
        setup = self._setup
        self._patches = [Patch(bank, source_inputs, setup.reference_dbfs, setup.offsets_db) for bank in setup.banks]
        self._sample_rate_hz = sample_rate_hz
        self.source_lost()
        self._base_s = position_s
        self._course.now = Moment(position_s, self._course.now.captured_ns)

    def source_lost(self) -> None:
        """Take note that there are no levels any more."""
        self._course.on("source lost")
        self._course.tracks = None

    def recording_ended(self) -> tuple[Outcome, ...]:
        """End with the recording; return what has to be done about what was seen so far."""
        return tuple(self._course.on("recording ended"))

    def stop(self) -> tuple[Outcome, ...]:
        """End for now; return what has to be done about what was seen so far. What is in hand just now is not left."""
        return tuple(self._course.on("stop asked"))

    def update(self, levels: Levels) -> tuple[Outcome, ...]:
        """Take the next levels of all inputs; return what has to be done about them."""
        tracks = self._patches[self.place.bank - 1].tracks(levels)
        now = Moment(self._base_s + tracks.end_frame / self._sample_rate_hz, tracks.captured_ns)
        self._framing.note_clipping(tracks, now.position_s)
        return tuple(self._course.update(tracks, now))

    def frame(self, health: Health, captured_ns: int) -> Frame:
        """Return all that the sinks are told now.

        Parameters
        ----------
        health : Health
        captured_ns : int
            Unix time in nanoseconds at which the last sample was captured; without a source, the time now.
        """
        return self._framing.frame(health, captured_ns)

    # -- what a person asks

    def handle(self, command: Command) -> tuple[Outcome, ...]:  # noqa: PLR0911, PLR0912 - one branch a command
        """Do what a person asks, or say why not.

        Returns
        -------
        tuple of Outcome
            The last one answers the command; those before are what comes of it.
        """
        match command:
            case NextStep():
                return self._go_to(self._course.index + 2)
            case PreviousStep():
                return self._go_to(self._course.index)
            case RepeatStep():
                return self._go_to(self._course.index + 1, again=True)
            case GoToStep(number):
                return self._go_to(number)
            case SelectBank(number):
                return self._select(number)
            case Focus(track):
                return (self._focus(track),)
            case Hold(on):
                return (*self._course.on("hold asked" if on else "release asked"), Accepted())
            case Follow(on):
                return (*self._course.on("follow asked" if on else "stay asked"), Accepted())
            case LogNow(track):
                return tuple(self._course.on("log asked", track)) or (Declined(NO_STEPS),)
            case Withdraw(trim_id):
                return (self._withdraw(trim_id),)
            case Reinstate(trim_id):
                return (ReinstatementToLog(trim_id),)
            case Note(text):
                return (NoteToLog(text),)
            case Confirm(item, who):
                obstacle = refusal(item, self.confirmed)
                return (Declined(obstacle) if obstacle else ConfirmationToLog(item, who),)
            case TakeBack(item, who):
                known = item in self.confirmed
                return (TakingBackToLog(item, who) if known else Declined(f"{item} is not confirmed"),)
            case Finish():
                return tuple(self._course.on("finish asked"))
            case TurnTrimmer() | PlayTone() | ListenTo() | MovePlayback() | PlayForeignTone() | PlayForeign():
                return (Declined(NOT_PRACTICE),)

    def _go_to(self, number: int, *, again: bool = False) -> tuple[Outcome, ...]:
        count = len(self._setup.steps)
        if count == 0:
            return (Declined(NO_STEPS),)
        if number == count + 1 == self._course.index + 2:
            lacking = "; ".join(map(str, self.missing()))
            return (Declined(f"step {count} is the last: {f'{lacking} missing' if lacking else 'nothing is missing'}"),)
        if not 1 <= number <= count:
            ends = {0: "this is the first step", count + 1: "this is the last step"}
            return (Declined(ends.get(number, f"there is no step {number}: the steps are 1 to {count}")),)
        if again:
            return (*self._course.on("repeat asked", number), Accepted(moved=True))
        if number - 1 == self._course.index:
            return (Accepted(),)
        return (*self._course.on("step asked", number), Accepted(moved=True))

    def _select(self, number: int) -> tuple[Outcome, ...]:
        count = len(self._setup.banks)
        if not 1 <= number <= count:
            there = "there is one bank only" if count == 1 else f"the banks are 1 to {count}"
            return (Declined(f"there is no bank {number}: {there}"),)
        if number == self.place.bank:
            return (Accepted(),)
        self._framing.forget()
        return (*self._course.on("bank asked", number), Accepted(moved=True))

    def _focus(self, track: int) -> Outcome:
        if track != 0 and track not in self.bank.tracks:
            return Declined(self._course.not_patched(track))
        self._framing.focus(track)
        return Accepted()

    def _withdraw(self, trim_id: str) -> Outcome:
        """Withdraw a trim; without an id, the newest that stands."""
        if not trim_id and not self.progress.newest:
            return Declined("no trim stands in the log of this calibration")
        return WithdrawalToLog(trim_id or self.progress.newest)
