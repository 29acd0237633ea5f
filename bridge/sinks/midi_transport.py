"""Where the tones are on the tape, and the recorder sent there: frames and time code in; machine control out.

A tone whose beginning was heard while the time code ran is known from then on, on the tape and at the speed of the
step: another tape has it elsewhere, and at another speed time runs otherwise on this one. Only stop, play and locate
exist here, and only where the config allows them. Unasked, nothing winds where the tape has to be changed, nor on the
record side: a reel must not start under somebody's hands, and no recording be left.
"""

from collections.abc import Callable, Iterator
from typing import Final, Literal

from bridge.config.midi_settings import MidiSettings
from bridge.readings import Frame
from bridge.tape.calibration_tape import CalibrationTape
from bridge.tape.wavelength import same_speed
from bridge.wire import midi_machine
from bridge.wire.midi_time_code import TRUE_FRAMES_PER_S, TimeCode

SAME_TONE: Final = 0.03
"""Tones closer than this are one: speed is off by 1 % at most, tones of a tape are a third of an octave apart."""

SURE_S: Final = 1.0
"""A tone that has played for so long is one; speech and clicks between the tones are not."""

BEFORE_S: Final = 0.3
"""The tape must have run for so long before a tone for this to be where the tone begins, and not where play began."""

JUMP_S: Final = 0.25
"""A position that is further off from where the last one led is somewhere else on the tape: what has played until then
does not belong to it. Ports and threads are late by less."""

TapeTime = Callable[[float], tuple[TimeCode, bool] | None]

TapeIn = Callable[[int], CalibrationTape | None]


class Transport:
    """Knows the positions of the tones; drives the recorder when asked.

    ``publish`` belongs to the metering thread; ``act`` may be called from any.

    Parameters
    ----------
    settings : MidiSettings
    tape_in : callable
        The calibration tape that is on in a step, by its number from 1; None on the record side.
    tape_time : callable
        The tape's position at a time, and whether it runs forwards.
    send : callable
        Takes a message for the recorder; returns why not, or None. Does not wait.
    """

    def __init__(
        self,
        settings: MidiSettings,
        tape_in: TapeIn,
        tape_time: TapeTime,
        send: Callable[[bytes], str | None],
    ) -> None:
        self._settings = settings
        self._tape_in = tape_in
        self._tape_time = tape_time
        self._send = send
        self._written = [(tone.hz, tone.speed_ips, tone.position) for tone in settings.tone]
        self._heard: dict[tuple[float, float, CalibrationTape | None], TimeCode] = {}
        self._running_since_s: float | None = None
        self._last = (0.0, 0.0)
        self._rate = 3
        self._step = (0, 0.0, 0.0)
        self._tape: CalibrationTape | None = None

    def publish(self, frame: Frame, now_s: float) -> None:
        """Learn where the tone playing began; wind to the tone of a new step where that is wanted."""
        step = (frame.step.number, frame.step.tone_hz, frame.step.speed_ips)
        before, self._step = self._step, step
        tape_before = self._tape
        if step[0] != before[0]:
            self._tape = self._tape_in(step[0])
        is_same_tape = self._tape == tape_before and same_speed(step[2], before[2])
        time = self._tape_time(now_s)
        # What still plays when a step of another tape is chosen is the tape of before.
        if time is None or not time[1] or not is_same_tape:
            self._running_since_s = None
        if time is not None and time[1]:
            self._learn(frame, time[0], now_s)
        is_played = is_same_tape and self._tape is not None
        if self._settings.locate_on_step and before[0] and step[0] != before[0] and is_played:
            self.act("to tone")

    def _learn(self, frame: Frame, time: TimeCode, now_s: float) -> None:
        self._rate = time.rate
        last_position_s, last_s = self._last
        self._last = (time.position_s, now_s)
        has_jumped = abs((time.position_s - last_position_s) - (now_s - last_s)) > JUMP_S
        if self._running_since_s is None or has_jumped:
            self._running_since_s = now_s
        began_s = now_s - frame.tone_s
        if frame.tone_hz <= 0 or frame.tone_s < SURE_S or began_s - self._running_since_s < BEFORE_S:
            return
        ips, tape = frame.step.speed_ips, self._tape
        known = next(self._heard_on(tape, frame.tone_hz, ips), (frame.tone_hz, ips, tape))
        count = time.count - round(frame.tone_s * TRUE_FRAMES_PER_S[time.rate])
        # Later frames of the same tone say the same, but for the jitter of the ports: the first one stays.
        if known not in self._heard or abs(self._heard[known].count - count) > TRUE_FRAMES_PER_S[time.rate]:
            self._heard[known] = TimeCode.from_count(count, time.rate)

    def _heard_on(
        self, tape: CalibrationTape | None, tone_hz: float, speed_ips: float
    ) -> Iterator[tuple[float, float, CalibrationTape | None]]:
        for heard in list(self._heard):
            hz, at_ips, on = heard
            if on == tape and _same(hz, tone_hz) and same_speed(at_ips, speed_ips):
                yield heard

    def position(self, tone_hz: float, speed_ips: float) -> TimeCode | None:
        """Return where a tone begins, at a speed, on the tape of the step under way; None when that is not known."""
        for heard in self._heard_on(self._tape, tone_hz, speed_ips):
            return self._heard[heard]
        for hz, written_ips, text in self._written:
            if _same(hz, tone_hz) and (written_ips is None or same_speed(written_ips, speed_ips)):
                hours, minutes, seconds, frames = map(int, text.split(":"))
                return TimeCode(self._rate, hours, minutes, seconds, frames)
        return None

    def act(self, action: Literal["stop", "play", "to tone"]) -> str | None:
        """Do what is wanted of the recorder. Returns why not, or None."""
        if not self._settings.machine_control:
            return "machine control is not enabled in [midi]"
        if action == "to tone":
            return self._to_tone()
        device = self._settings.machine_device
        return self._send(midi_machine.stop(device) if action == "stop" else midi_machine.play(device))

    def _to_tone(self) -> str | None:
        _, tone_hz, speed_ips = self._step
        time = self.position(tone_hz, speed_ips)
        if time is None:
            return f"where the tone of {tone_hz:g} Hz begins is not known: play it once with time code, or write it"
        if not time.exists:
            return f"{time} is no time at this frame rate"
        return self._send(midi_machine.locate(self._settings.machine_device, time))


def _same(hz: float, other_hz: float) -> bool:
    return abs(hz - other_hz) <= SAME_TONE * hz
