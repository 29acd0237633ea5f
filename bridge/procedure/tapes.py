"""The calibration tapes at the machine: a tone that fits no step goes in; which tape may run at a wrong speed, out.

A tape at twice its speed is heard an octave higher, all of it. One tone tells that only where no tape of the speed that
the person has chosen has it; so it is said, and nothing follows it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Self

from bridge.procedure.steps import Step
from bridge.tape.calibration_tape import SAME_TONE, CalibrationTape, tape_for
from bridge.tape.machine import RECORD_SIDE, Machine
from bridge.tape.targets import default_speed_ips
from bridge.tape.wavelength import same_speed
from bridge.words import EVERY_TRACK_SAFE, SPEED_NOW


@dataclass(frozen=True, slots=True)
class Tapes:
    """The calibration tapes of a calibration, each with the speed that it serves, and all speeds of the machine."""

    serving: tuple[tuple[CalibrationTape, float], ...] = ()
    speeds_ips: tuple[float, ...] = ()

    @classmethod
    def on(cls, machine: Machine, tapes: Sequence[CalibrationTape]) -> Self:
        """Return the tapes on a machine."""
        serving = tuple((tape, default_speed_ips(machine, tape)) for tape in tapes)
        speeds = tuple(speed.ips for speed in machine.speeds)
        return cls(serving, speeds or tuple(dict.fromkeys(speed_ips for _, speed_ips in serving)))

    @property
    def tones_hz(self) -> tuple[float, ...]:
        """The tones as heard at the speed that each tape serves."""
        return tuple(tone.hz for tape, speed_ips in self.serving for tone in tape.tones_played_at(speed_ips))

    def of(self, step: Step) -> CalibrationTape | None:
        """Return the calibration tape that is on in a step; None on the record side, where none may be."""
        if not self.serving or step.adjustment in RECORD_SIDE:
            return None
        tapes = [tape for tape, _ in self.serving]
        return tape_for(tapes, step.speed_ips, step.tone_hz, step.target_terms_db.get("tape_level"))

    def have(self, hz: float, speed_ips: float) -> bool:
        """Return whether a tape that serves a speed has a tone that is heard so at it."""
        return any(
            tape.tones_heard(hz, speed_ips) for tape, serves_ips in self.serving if same_speed(serves_ips, speed_ips)
        )

    def change(self, before: Step, step: Step) -> str:
        """Return what has to be done by hand to go on with a step, one line; empty when nothing has.

        From the record side to a calibration tape the first thing is that no track can erase it.
        """
        is_same_speed = same_speed(before.speed_ips, step.speed_ips)
        speed = f"{step.speed_ips:g}{SPEED_NOW}"
        if step.adjustment in RECORD_SIDE:
            return "" if is_same_speed else f"{speed}set speed and equalization; no calibration tape on the machine"
        tape = self.of(step)
        path = "sync" if step.adjustment.startswith("sync") else "repro"
        is_switched = before.adjustment.startswith("sync") != (path == "sync")
        switched = f", switch to {path}" if is_switched else ""
        if before.adjustment in RECORD_SIDE:
            named = f' "{tape.name}"' if tape is not None and tape.name else ""
            set_too = "" if is_same_speed else ", set speed and equalization"
            at_once = ", " if is_same_speed else f"; {speed}"
            return (
                f"make {EVERY_TRACK_SAFE} first{at_once}take the recorded tape off{set_too}{switched}, then thread the"
                f" calibration tape{named}"
            )
        threaded = ""
        if tape is not None and tape is not self.of(before):
            threaded = f'change to the tape "{tape.name}"' if tape.name else "change the calibration tape"
        if is_same_speed:
            return f"{threaded}{switched}; keep {EVERY_TRACK_SAFE}" if threaded else ""
        also = f"{threaded}, " if threaded else ""
        return f"{speed}{also}set speed and equalization{switched}; keep {EVERY_TRACK_SAFE}"

    def wrong_speed(self, hz: float, chosen_ips: float) -> str:
        """Return which tone of a tape may be heard at which wrong speed, in a few words; empty when none is.

        Parameters
        ----------
        hz : float
            As measured.
        chosen_ips : float
            The speed at which the machine should run now.
        """
        found = sorted(self._misplayed(hz), key=lambda one: (one[1] != chosen_ips, one[2] != chosen_ips))
        if not found:
            return ""
        label_hz, made_for_ips, played_ips = found[0]
        return f"{label_hz:g} Hz of a tape for {made_for_ips:g} in/s at {played_ips:g} in/s"

    def _misplayed(self, hz: float) -> Iterator[tuple[float, float, float]]:
        """Yield tones that are heard so at a speed that their tape does not serve: label, its speed, this speed."""
        for tape, serves_ips in self.serving:
            for speed_ips in self.speeds_ips:
                if same_speed(speed_ips, serves_ips):
                    continue
                faster = speed_ips / tape.speed_ips
                for tone in tape.tones:
                    if abs(tone.hz * faster - hz) <= SAME_TONE * hz:
                        yield tone.hz, tape.speed_ips, speed_ips


NO_TAPES: Final = Tapes()
