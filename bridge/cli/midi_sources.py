"""What was played on MIDI inputs: bytes in; the switches, pads and controllers that sent them, newest first, out."""

from dataclasses import dataclass, field
from typing import Final

from bridge.wire.midi import stable_part
from bridge.wire.midi_messages import MessageReader, MidiMessage

ROWS: Final = 10
"""Sources that are shown: the newest; a person moves one thing at a time."""


@dataclass(slots=True)
class Source:
    """One switch, pad or controller that was moved: all messages of one kind, channel and number of one input."""

    port: str
    message: MidiMessage
    values: list[int] = field(default_factory=list)
    turned: bool = False
    count: int = 0

    def __str__(self) -> str:
        shown = MidiMessage(self.message.kind, self.message.channel, self.message.number, data=self.message.data)
        values = f"values {min(self.values)} to {max(self.values)}" if self.values else ""
        return f"{stable_part(self.port)}: {shown}  {values}  {self.count}×"


class Heard:
    """What has arrived, the newest last. Taken in one thread, looked at from another."""

    def __init__(self) -> None:
        self._readers: dict[str, MessageReader] = {}
        self._sources: dict[tuple[object, ...], Source] = {}

    def receive(self, port: str, data: bytes, at_s: float) -> None:  # noqa: ARG002 - only the order counts
        """Take bytes of an input."""
        reader = self._readers.setdefault(port, MessageReader())
        for whole_message in reader.whole(data):
            for message in reader.named(whole_message):
                if message.kind == "control 14 bit" and not _has_lower_half(self._sources, port, message):
                    continue
                key = (port, message.kind, message.channel, message.number, message.data)
                source = self._sources.pop(key, None) or Source(port, message)
                source.count += 1
                source.turned |= message.turned != 0
                if message.value >= 0 and message.value not in source.values:
                    source.values.append(message.value)
                # At the end of the order: a new mapping, for whoever looks at the old one.
                self._sources = {**self._sources, key: source}

    @property
    def newest(self) -> list[Source]:
        """The sources that moved last, the newest first."""
        return list(self._sources.values())[: -ROWS - 1 : -1]

    def picture(self) -> list[str]:
        """Return the newest sources as lines."""
        rows = [f"  {number:2}  {source}" for number, source in enumerate(self.newest, start=1)] or [
            "  nothing has arrived yet"
        ]
        return [f"{row:<90}"[:100] for row in (rows + [""] * ROWS)[:ROWS]]


def _has_lower_half(sources: dict[tuple[object, ...], Source], port: str, message: MidiMessage) -> bool:
    """Return whether a controller below 32 has ever sent its lower half: only then it has 14 bits."""
    return (port, "control", message.channel, message.number + 32, b"") in sources
