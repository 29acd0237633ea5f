"""The main job on the simulated recorder: the command `demo`.

A simulated hand goes along the trimmers while the daemon reads levels, follows the tape and logs. It knows the truth of
every turn, so at the end the log is held against it. With `--by-hand` the person turns, by OSC or on the page.
"""

from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path
from typing import Final

from bridge.cli.figures import counted
from bridge.cli.running import serve
from bridge.cli.tables import show, table
from bridge.config.convert import to_banks, to_machine, to_steps, to_tapes
from bridge.config.load import loads
from bridge.config.settings import Settings
from bridge.log.store import default_path
from bridge.readings import Frame, Trim
from bridge.simulation.calibration import Manner, Performance, Task, perform
from bridge.simulation.hand import Act, Temperament
from bridge.simulation.recorder import Recorder
from bridge.source.simulated import Simulated
from bridge.source.voices import voices
from bridge.units import signed

HASTE: Final = 0.4
"""Between a careful hand and a hasty one."""

AFTER_S: Final = 6.0
"""After the last turn, for its trim to settle."""

SAME_ACT_S: Final = 3.0
"""A logged trim is the one that the hand made when they began no further apart than this."""

SAME_VISIT_S: Final = 5.0

SETTLES_S: Final = 4.0
"""After a turn, until its trim is in the log."""

INTRODUCTION: Final = """\
This is practice: the recorder, its tape and the hand on its trimmers are simulated, and the scenario is invented.
With a real machine: mute the monitors before you play tones, make every track safe from recording before you thread
the calibration tape, and leave what lies under covers to qualified service personnel.
"""

BY_HAND: Final = """\
You turn: send /practice/turn with track, trimmer and share of its travel to the OSC port, for instance
  oscsend 127.0.0.1 {port} /practice/turn isf 3 "repro level" 0.05
  oscsend 127.0.0.1 {port} /practice/tone f 10000
What happens by accident can be played, too: the level of all tracks together (in dB), what is of no calibration tape
  oscsend 127.0.0.1 {port} /practice/playback_level f -1
  oscsend 127.0.0.1 {port} /practice/foreign_tone f 3150
  oscsend 127.0.0.1 {port} /practice/foreign s announcement
until /practice/tone winds back to a tone of the tape.
"""


def demo(*, by_hand: bool, seed: int, fast: bool, plain: bool, port: int, page_port: int, log: Path | None) -> None:
    """Run the demonstration."""
    text = resources.files("bridge.cli").joinpath("demo.toml").read_text(encoding="utf-8")
    path = log or default_path().with_name("practice.db")
    path.parent.mkdir(parents=True, exist_ok=True)
    ports = f"[osc]\nport = {port}\n[page]\nport = {page_port}\n"
    added = f'[simulated]\nseed = {seed}\n{ports}[log]\nfile = "{path.as_posix()}"\n'
    settings = loads(f"{text}\n{added}", Path("demo.toml"))
    print(INTRODUCTION)
    if by_hand:
        print(BY_HAND.format(port=port))
        serve(settings, text, fresh=True, plain=plain)
        return
    recorder, performance = rehearsed(settings, seed)
    witness = _Witness()
    serve(
        settings,
        text,
        fresh=True,
        plain=plain,
        make_source=lambda: _source(settings, recorder, performance, fast=fast),
        viewers=[witness],
    )
    _print_verdict(performance, witness, path)


def rehearsed(settings: Settings, seed: int) -> tuple[Recorder, Performance]:
    """Return a recorder with everything that will happen to it laid out in time, and the truth of that."""
    audio = settings.audio
    recorder = Recorder(
        to_machine(settings),
        to_tapes(settings)[0],
        seed=seed,
        sample_rate_hz=audio.sample_rate_hz,
        reference_dbfs=audio.reference_dbfs,
        announcements=voices(),
    )
    tasks = [Task(step.adjustment, step.tone_hz, step.target_vu) for step in to_steps(settings)]
    return recorder, perform(recorder, tasks, Manner(Temperament.between(HASTE)), seed)


def _source(settings: Settings, recorder: Recorder, performance: Performance, *, fast: bool) -> Simulated:
    bank = to_banks(settings)[0]
    return Simulated(
        recorder,
        patch=zip(bank.tracks, bank.inputs, strict=True),
        block_frames=settings.audio.block_frames,
        real_time=not fast,
        seconds=performance.end_s + AFTER_S,
    )


class _Witness:
    """Remembers what was logged."""

    def __init__(self) -> None:
        self.trims: list[tuple[str, Trim]] = []
        self.position_s = 0.0

    def publish(self, frame: Frame, now_s: float) -> None:  # noqa: ARG002 - positions tell the time
        """Remember how far it went."""
        self.position_s = frame.position_s

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:  # noqa: ARG002 - positions tell the time
        """Remember a trim."""
        self.trims.append((trim_id, trim))


def _print_verdict(performance: Performance, witness: _Witness, path: Path) -> None:
    """Print what the hand did beside what was logged."""
    made = table(
        ">track", "trimmer", ">was found", ">logged", ">was left", ">logged", ">off by",
        title="What the hand did, and what was logged, in dB from the target",
    )  # fmt: skip
    waiting = [trim for _, trim in witness.trims]
    worst_db = 0.0
    missed = 0
    # Who stops before the end has not seen the rest.
    visits = [visit for visit in _visits(performance.acts) if visit[1].end_s + SETTLES_S < witness.position_s]
    for first, last in visits:
        trim = _match(first, waiting)
        of_trim = ("—", "—", "")
        if trim is None:
            missed += 1
        else:
            waiting.remove(trim)
            off_db = trim.as_left_db - last.as_left_db
            worst_db = max(worst_db, abs(off_db))
            of_trim = (signed(trim.as_found_db), signed(trim.as_left_db), signed(off_db))
        was_found, was_left = signed(first.as_found_db), signed(last.as_left_db)
        made.add_row(str(first.track), first.adjustment, was_found, of_trim[0], was_left, of_trim[1], of_trim[2])
    show(made)
    verified = sum(trim.as_found_db == trim.as_left_db for trim in waiting)
    print(
        f"\n{counted(len(visits), 'trim')}, {len(visits) - missed} logged, {missed} missed, "
        f"{len(waiting) - verified} logged beside them, {verified} tracks found right; "
        f"largest difference {worst_db:.2f} dB\n"
        f"the log: trimbridge trims --log {path} --calibration last"
    )


def _visits(acts: Sequence[Act]) -> Iterator[tuple[Act, Act]]:
    """Yield the first and the last act of each visit to a trimmer: a hand that comes back at once never left."""
    first = last = None
    for act in acts:
        same = last is not None and (act.track, act.adjustment) == (last.track, last.adjustment)
        if first is not None and last is not None and not (same and act.start_s - last.end_s < SAME_VISIT_S):
            yield first, last
            first = act
        first, last = first or act, act
    if first is not None and last is not None:
        yield first, last


def _match(act: Act, trims: Sequence[Trim]) -> Trim | None:
    fitting = [trim for trim in trims if (trim.track, trim.adjustment) == (act.track, act.adjustment)]
    nearest = min(fitting, key=lambda trim: abs(trim.started_s - act.start_s), default=None)
    if nearest is None or abs(nearest.started_s - act.start_s) > SAME_ACT_S:
        return None
    return nearest
