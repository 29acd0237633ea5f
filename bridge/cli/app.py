"""The commands and their options; each hands over to a module of its own."""

import io
import logging
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Final

import typer

import bridge
from bridge.cli import failures
from bridge.cli.choice import LAST, LAST_MEANT

CONFIG_NAME: Final = "trimbridge.toml"

app = typer.Typer(
    name="trimbridge",
    help="Reads the level of every track while you calibrate an analogue multitrack tape recorder, shows how far each "
    "is from its target, and logs every trim. Begin with `demo`; for your own machine with `init`, `check` and `run`.",
    epilog="Exit status: 0 done; 1 what was asked for failed; 2 wrong use or config.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)

ConfigArgument = Annotated[
    Path, typer.Argument(help="The config file: machine, tape, interface.", show_default=True, metavar="CONFIG")
]
LogOption = Annotated[
    Path | None,
    typer.Option("--log", help="The log's file; by default trimbridge.db in your data folder.", metavar="FILE"),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Write JSON, for other programs.")]
TrackOption = Annotated[
    list[int] | None, typer.Option(help="Only this track; may be given again.", min=1, metavar="NUMBER")
]
CalibrationOption = Annotated[str | None, typer.Option(help=f"Only this calibration; {LAST_MEANT}", metavar="ID")]
PlainOption = Annotated[
    bool, typer.Option("--plain", help="Write a line for each thing that happens, in place of the live view.")
]


class ExportFormat(StrEnum):
    """What `export` can write."""

    JSONL = "jsonl"
    CSV = "csv"


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"trimbridge {bridge.__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", help="Show the version.", callback=_show_version, is_eager=True)
    ] = False,
) -> None:
    """Nothing to do before the command."""


@app.command()
def demo(
    by_hand: Annotated[
        bool, typer.Option("--by-hand", help="You turn its trimmers yourself, on the page or by OSC.")
    ] = False,
    seed: Annotated[
        int, typer.Option(help="Another number: another recorder, another hand.", min=0, metavar="NUMBER")
    ] = 4,
    fast: Annotated[bool, typer.Option("--fast", help="As fast as the computer can, not in real time.")] = False,
    plain: PlainOption = False,
    port: Annotated[
        int, typer.Option(help="UDP port for OSC; 0 = a free one.", min=0, max=65535, metavar="PORT")
    ] = 9710,
    page_port: Annotated[
        int, typer.Option(help="TCP port of the page; 0 = a free one.", min=0, max=65535, metavar="PORT")
    ] = 9711,
    log: Annotated[
        Path | None,
        typer.Option("--log", help="The log's file; by default practice.db in your data folder.", metavar="FILE"),
    ] = None,
) -> None:
    """Watch a simulated recorder being calibrated.

    A hand turns its trimmers; at the end stands what it did beside what was logged. Nothing is connected or heard.
    """
    from bridge.cli.demo import demo as show

    show(by_hand=by_hand, seed=seed, fast=fast, plain=plain, port=port, page_port=page_port, log=log)


@app.command()
def run(
    config: ConfigArgument = Path(CONFIG_NAME),
    new: Annotated[
        bool, typer.Option("--new", help="Begin a new calibration, do not go on with an unfinished one.")
    ] = False,
    lan: Annotated[
        bool, typer.Option("--lan", help="Let tablets and phones in the network open the page; a code pairs them.")
    ] = False,
    plain: PlainOption = False,
) -> None:
    """Calibrate: show every track, log every trim, until Ctrl-C.

    Reads the audio interface, shows how far each track is from its target, here and on the page for tablets, and logs
    each trim once it has settled. An unfinished calibration is gone on with. What is logged stays when this is stopped.
    """
    from bridge.cli.running import run_config

    run_config(config, fresh=new, lan=lan, plain=plain)


@app.command()
def check(config: ConfigArgument = Path(CONFIG_NAME), json: JsonOption = False) -> None:
    """Test all that `run` needs, with advice for what is wrong.

    Looks at config, tones, sound, MIDI, ports, log and disk.

    Exit status 0: nothing is bad; 1: something is; 2: the config is wrong.
    """
    from bridge.cli.checks import check_config

    check_config(config, as_json=json)


@app.command()
def inputs(json: JsonOption = False) -> None:
    """List audio interfaces with inputs, and MIDI inputs."""
    from bridge.cli.inputs import show_inputs

    show_inputs(as_json=json)


@app.command()
def init(
    config: ConfigArgument = Path(CONFIG_NAME),
    yes: Annotated[bool, typer.Option("--yes", help="Take every default, ask nothing.")] = False,
) -> None:
    """Ask a few questions and write the config file of your machine."""
    from bridge.cli.inputs import init_config

    init_config(config, yes=yes)


@app.command()
def learn(config: ConfigArgument = Path(CONFIG_NAME)) -> None:
    """Bind a MIDI switch, pad or controller by playing it.

    It can do: next, back, repeat, step, bank, focus, hold, go on, hold or go on, follow, stay, follow or stay, log,
    undo, reinstate, note, confirm, take back, finish; with [midi] machine_control also tape stop, tape play and tape to
    tone; with the simulated recorder also practice turn, practice tone and practice path.

    It changes the config file: the binding is added when all is answered, and the file as it was is kept beside it.
    Ctrl-C quits before that, and writes nothing.
    """
    from bridge.cli.learn import learn_binding

    learn_binding(config)


@app.command()
def targets(config: ConfigArgument = Path(CONFIG_NAME), json: JsonOption = False) -> None:
    """Show what the meter must read in each step, and why."""
    from bridge.cli.targets import show_targets

    show_targets(config, as_json=json)


@app.command()
def offsets(
    config: ConfigArgument = Path(CONFIG_NAME),
    write: Annotated[bool, typer.Option("--write", help="Write the differences into the config file.")] = False,
    seconds: Annotated[float, typer.Option(help="How long to measure.", min=1.0, max=600.0, metavar="SECONDS")] = 5.0,
    level_dbfs: Annotated[
        float | None,
        typer.Option(help="What every input should read; by default the mean of all.", min=-60, max=0, metavar="DBFS"),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Measure how the inputs differ, from one tone fed to all of them.

    Feed the same steady tone to every input, all of them at once or by a splitter, at about the reference level.
    """
    from bridge.cli.offsets import measure_offsets

    measure_offsets(config, seconds=seconds, level_dbfs=level_dbfs, write=write, as_json=json)


@app.command()
def tape(
    config: ConfigArgument = Path(CONFIG_NAME),
    feet: Annotated[
        float | None, typer.Option(help="Length of the tape on the reel, in feet.", min=0, metavar="FEET")
    ] = None,
    metres: Annotated[float | None, typer.Option(help="The same in metres.", min=0, metavar="METRES")] = None,
    pack_mm: Annotated[
        float | None,
        typer.Option(help="Or the outer diameter of the tape pack, with the next two.", min=0, metavar="MM"),
    ] = None,
    hub_mm: Annotated[float | None, typer.Option(help="Diameter of the hub.", min=0, metavar="MM")] = None,
    thickness_um: Annotated[
        float | None,
        typer.Option(help="Thickness of the whole tape: coating, base and back coating.", min=0, metavar="UM"),
    ] = None,
    played_min: Annotated[
        float, typer.Option(help="Minutes that were played already.", min=0, metavar="MINUTES")
    ] = 0.0,
    spacing_um: Annotated[
        float, typer.Option(help="How far dirt or wear lifts the tape off the head.", min=0, metavar="UM")
    ] = 1.0,
    coating_um: Annotated[float, typer.Option(help="Thickness of the coating.", min=0, metavar="UM")] = 10.0,
    arcminutes: Annotated[
        float, typer.Option(help="How far the head is off its azimuth.", min=0, max=600, metavar="ARCMINUTES")
    ] = 1.0,
    delay_us: Annotated[
        float | None, typer.Option(help="Delay measured between the outer tracks: tells the azimuth.", metavar="US")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Show running times, where tones stand, and what is lost at each."""
    from bridge.cli.tape import Asked, show_tape

    asked = Asked(feet, metres, pack_mm, hub_mm, thickness_um, played_min, spacing_um, coating_um, arcminutes, delay_us)
    show_tape(config, asked, as_json=json)


@app.command()
def replay(
    recording: Annotated[
        Path, typer.Argument(help="WAV, RF64 or FLAC; channel 1 is input 1, and so on.", metavar="RECORDING")
    ],
    config: ConfigArgument = Path(CONFIG_NAME),
    log: Annotated[
        Path | None,
        typer.Option("--log", help="Log the trims into this file; without it they are only counted.", metavar="FILE"),
    ] = None,
    readings: Annotated[
        Path | None,
        typer.Option("--readings", help="Write every reading of every track into this CSV file.", metavar="FILE"),
    ] = None,
    step: Annotated[
        int,
        typer.Option(
            "--step",
            help="Begin at this step, as `targets` counts them: for a recording of sync or of another speed.",
            metavar="NUMBER",
        ),
    ] = 1,
    json: JsonOption = False,
) -> None:
    """Read a recording as if it were played now, faster than real time."""
    from bridge.cli.replaying import replay_recording

    replay_recording(recording, config, log=log, readings=readings, step=step, as_json=json)


@app.command()
def trims(
    log: LogOption = None,
    calibration: CalibrationOption = None,
    track: TrackOption = None,
    json: JsonOption = False,
) -> None:
    """Show the logged trims, as found and as left, the oldest first."""
    from bridge.cli.logs import show_trims

    show_trims(log, calibration=calibration, tracks=track or (), as_json=json)


@app.command()
def report(
    log: LogOption = None,
    calibration: Annotated[str, typer.Option(help=f"Which calibration; {LAST_MEANT}", metavar="ID")] = LAST,
    json: JsonOption = False,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            help="Write a sheet for the binder instead: a page to print from a browser.",
            metavar="FILE",
        ),
    ] = None,
) -> None:
    """Show as found and as left of every track, and what is missing."""
    from bridge.cli.report import show_report

    show_report(log, calibration=calibration, as_json=json, output=output)


@app.command()
def export(
    log: LogOption = None,
    format_: Annotated[
        ExportFormat,
        typer.Option("--format", help="csv = a table for a spreadsheet, jsonl = a JSON object in each line."),
    ] = ExportFormat.JSONL,
    calibration: CalibrationOption = None,
    track: TrackOption = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Into this file; by default to the terminal.", metavar="FILE")
    ] = None,
    without_withdrawn: Annotated[bool, typer.Option("--without-withdrawn", help="Leave withdrawn trims out.")] = False,
) -> None:
    """Write the logged trims for a spreadsheet or another program."""
    from bridge.cli.logs import export_trims

    export_trims(
        log,
        as_csv=format_ is ExportFormat.CSV,
        calibration=calibration,
        tracks=track or (),
        output=output,
        with_withdrawn=not without_withdrawn,
    )


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal or file that cannot write a minus sign shall get a question mark, not end the program.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    failures.log_to_terminal(logging.WARNING)
    with failures.told():
        app()
