"""What a wire of 31.25 kbit/s carries: ten bits a byte, 3125 bytes/s (MIDI 1.0 Detailed Specification, Hardware)."""

from hypothesis import given
from hypothesis import strategies as st

from bridge.sinks.midi_pacing import BURST_S, LONGEST_BYTES, Pacer, Value

FRAME_S = 1 / 30


def ring(track: int, value: int) -> dict[object, Value]:
    return {track: (bytes((0xB0, 16 + track, value)),)}


def fine_ring(track: int, value: int) -> Value:
    return (bytes((0xB0, track, value >> 7)), bytes((0xB0, 32 + track, value & 127)))


@given(
    rate=st.sampled_from([100, 500, 2500, 3125]),
    tracks=st.integers(1, 64),
    steps=st.lists(st.floats(0.0005, 0.2), min_size=1, max_size=200),
)
def test_never_more_than_the_wire_carries(rate: int, tracks: int, steps: list[float]) -> None:
    pacer = Pacer(rate)
    now_s, value = 100.0, 0
    sent: list[tuple[float, int]] = []
    for step_s in steps:
        now_s += step_s
        value = (value + 1) % 16_384
        pacer.want({track: fine_ring(track % 32, (value * 131) % 16_384) for track in range(tracks)})
        sent += [(now_s, len(message)) for message in pacer.due(now_s)]
    # Over any stretch: at most the rate times its length, and the burst that an interface holds back.
    for first in range(0, len(sent), 7):
        total = 0
        for at_s, size in sent[first:]:
            total += size
            assert total <= rate * (at_s - sent[first][0]) + max(BURST_S * rate, LONGEST_BYTES) + 1e-6


def test_numbers_on_a_five_pin_wire() -> None:
    """24 rings of 7 bits that all change in every frame need 2160 bytes/s: all of it goes. Twice as much does not."""

    def played(message_bytes: int) -> float:
        pacer = Pacer(2500)
        now_s, sent = 0.0, 0
        for number in range(1, 30 * 30):
            pacer.want({t: (bytes((0xB0, t, number % 128)) * (message_bytes // 3),) for t in range(24)})
            for _ in range(8):  # the sink looks again when it may send
                sent += len(pacer.due(now_s))
                now_s += FRAME_S / 8
        return sent / 24 / 30

    assert abs(played(3) - 30) < 0.5
    assert abs(played(6) - 2500 / 6 / 24) < 1


@given(st.lists(st.dictionaries(st.integers(0, 9), st.integers(0, 3)), max_size=50))
def test_nothing_is_sent_twice_and_the_newest_arrives(wishes: list[dict[int, int]]) -> None:
    pacer = Pacer(2500)
    now_s, standing = 5.0, dict[int, int]()
    for wish in wishes:
        pacer.want({track: (bytes((0xB0, track, value)),) for track, value in wish.items()})
        now_s += 0.004
        for message in pacer.due(now_s):
            assert standing.get(message[1]) != message[2]
            assert wish[message[1]] == message[2]
            standing[message[1]] = message[2]
    for _ in range(100):
        now_s += 0.01
        for message in pacer.due(now_s):
            standing[message[1]] = message[2]
    if wishes:
        assert all(standing[track] == value for track, value in wishes[-1].items())
        assert pacer.wait_s() is None
        assert pacer.due(now_s + 9) == []


def test_an_overtaken_value_is_never_sent() -> None:
    pacer = Pacer(100)
    pacer.due(0.0)
    for value in range(100):
        pacer.want(ring(0, value))
    assert pacer.due(1.0) == [bytes((0xB0, 16, 99))]


def test_focus_first_then_who_has_waited_longest() -> None:
    pacer = Pacer(300)  # two messages at one time
    pacer.due(0.0)
    order = []
    for number in range(1, 30):
        pacer.want({track: ring(track, number)[track] for track in range(4)}, first={2})
        order += [message[1] - 16 for message in pacer.due(number * 0.02)]
    assert order[0] == 2
    assert order.count(2) >= 28
    assert {order.count(track) for track in (0, 1, 3)} <= set(range(8, 14))


def test_the_upper_half_is_not_repeated() -> None:
    pacer = Pacer(3125)
    pacer.due(0.0)
    pacer.want({0: fine_ring(0, 8192)})
    assert [message.hex() for message in pacer.due(1.0)] == ["b00040", "b02000"]
    pacer.want({0: fine_ring(0, 8193)})
    assert [message.hex() for message in pacer.due(2.0)] == ["b02001"]
    # Receivers set the lower half to 0 when the upper one comes, so it always follows.
    pacer.want({0: fine_ring(0, 128 * 3 + 1)})
    assert [message.hex() for message in pacer.due(3.0)] == ["b00003", "b02001"]


def test_commands_go_before_values_and_after_a_loss_all_is_sent_again() -> None:
    pacer = Pacer(650)  # a locate, and nothing beside it
    pacer.due(0.0)
    locate = bytes.fromhex("F07F7F064406012102030400F7")
    pacer.want(ring(0, 1))
    pacer.command(locate)
    assert pacer.due(1.0) == [locate]
    assert pacer.wait_s() == 3 / 650
    assert pacer.due(1.1) == [bytes((0xB0, 16, 1))]
    assert pacer.due(1.2) == []
    pacer.command(locate)
    pacer.forget()  # a command of before must not move the tape later
    assert pacer.due(2.0) == [bytes((0xB0, 16, 1))]


def test_commands_that_were_due_and_did_not_go_out_are_dropped_and_counted() -> None:
    pacer = Pacer(3125)
    pacer.due(0.0)
    pacer.want(ring(0, 1))
    for number in range(3):
        pacer.command(bytes((0x90, number, 1)))
    assert len(pacer.due(1.0)) == 4
    pacer.failed(1)
    assert pacer.dropped_commands == 2
    assert pacer.due(2.0) == [bytes((0xB0, 16, 1))]
    pacer.failed(0)  # a value is no command
    assert pacer.dropped_commands == 2


def test_the_longest_message_fits_the_slowest_wire() -> None:
    pacer = Pacer(100)
    pacer.command(bytes(LONGEST_BYTES))
    assert pacer.due(0.0) == []
    assert len(pacer.due(0.0 + (pacer.wait_s() or 0.0) + 1e-9)) == 1
