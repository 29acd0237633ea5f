"""The page's OSC codec against python-osc and liblo on good packets, and against mutated ones."""

import base64
import math
import socket
import subprocess
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from playwright.sync_api import Page
from pythonosc.osc_bundle_builder import OscBundleBuilder
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.wire.frames import FrameEncoder
from tests.page.conftest import OpenPage
from tests.page.rooms import Feeder, frame, reading

SEED = 20_261_125
MUTANTS = 50_000

DECODE = """async (packets) => {
  const { decode } = await import("/page/osc.js");
  return packets.map((packet) => {
    const bytes = Uint8Array.from(atob(packet), (character) => character.charCodeAt(0));
    const found = decode(bytes.buffer);
    return found && { seconds: found.seconds, messages: found.messages.map((message) =>
      message.map((value) => Number.isNaN(value) ? "nan" : value === Infinity ? "inf" : value === -Infinity ? "-inf"
        : value instanceof Uint8Array ? [...value] : value)) };
  });
}"""


@pytest.fixture(scope="module")
def module_feeder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Feeder]:
    one = Feeder(tmp_path_factory.mktemp("feeder"))
    one.show([reading(1)], focus=1)
    yield one
    one.close()


@pytest.fixture
def page(module_feeder: Feeder, open_page: OpenPage) -> Page:
    return open_page(module_feeder.address)


def decoded(page: Page, packets: list[bytes]) -> list[dict[str, object] | None]:
    found: list[dict[str, object] | None] = page.evaluate(DECODE, [base64.b64encode(one).decode() for one in packets])
    return found


TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=40)
ADDRESS = st.from_regex(r"(/[a-z_0-9]{1,12}){1,3}", fullmatch=True)
FLOATS = st.floats(width=32)
VALUES = st.one_of(
    st.tuples(st.just("i"), st.integers(-(2**31), 2**31 - 1)),
    st.tuples(st.just("f"), FLOATS),
    st.tuples(st.just("s"), TEXT),
    st.tuples(st.just("T"), st.just(True)),
    st.tuples(st.just("F"), st.just(False)),
    st.tuples(st.just("b"), st.binary(min_size=1, max_size=20)),
)
MESSAGES = st.lists(st.tuples(ADDRESS, st.lists(VALUES, max_size=5)), min_size=1, max_size=5)


def written(message: tuple[str, list[tuple[str, object]]]) -> OscMessage:
    builder = OscMessageBuilder(message[0])
    for tag, value in message[1]:
        builder.add_arg(value, tag)  # type: ignore[arg-type]
    return builder.build()


def plain(value: object) -> object:
    if isinstance(value, float) and not math.isfinite(value):
        return "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"
    # The browser has one kind of number, and JSON writes large ones without a point.
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    return list(map(float, value)) if isinstance(value, bytes) else value


def alike(value: object) -> object:
    return [float(byte) for byte in value] if isinstance(value, list) else plain(value)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(MESSAGES, st.floats(1.0, 2_085_978_495.0)), min_size=1, max_size=12))
def test_what_python_osc_writes_is_read(
    page: Page, bundles: list[tuple[list[tuple[str, list[tuple[str, object]]]], float]]
) -> None:
    packets = []
    for messages, seconds in bundles:
        builder = OscBundleBuilder(seconds)  # type: ignore[arg-type] - it takes Unix seconds
        for message in messages:
            builder.add_content(written(message))
        packets.append(builder.build().dgram)
    for (messages, _), found in zip(bundles, decoded(page, packets), strict=True):
        assert found is not None
        read = [[address, *(alike(value) for value in values)] for address, *values in found["messages"]]  # type: ignore[attr-defined]
        assert read == [[address, *(plain(value) for _, value in values)] for address, values in messages]


def test_what_liblo_sends_is_read(page: Page) -> None:
    sent = [
        ("/track/24/fine", "f", "-0.125"),
        ("/health/message", "s", "the interface was unplugged, größer"),
        ("/trim/logged", "isfffs", "3", "repro level", "0.5", "-0.25", "0.0625", "20261125-1.7"),
        ("/hold/on", "T"),
    ]
    packets = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        ear.settimeout(20)
        for address, tags, *values in sent:
            port = str(ear.getsockname()[1])
            subprocess.run(["oscsend", "127.0.0.1", port, address, tags, *values], check=True, timeout=20)
            packets.append(ear.recv(4096))
    found = [one["messages"] if one else None for one in decoded(page, packets)]
    assert found == [
        [["/track/24/fine", -0.125]],
        [["/health/message", "the interface was unplugged, größer"]],
        [["/trim/logged", 3, "repro level", 0.5, -0.25, 0.0625, "20261125-1.7"]],
        [["/hold/on", True]],
    ]


def test_the_time_tag_is_read_in_unix_seconds(page: Page) -> None:
    # RFC 5905, figure 4: Unix second 0 is second 2,208,988,800 of NTP.
    packet = b"#bundle\0" + (2_208_988_800 + 1_795_600_000).to_bytes(4, "big") + (2**31).to_bytes(4, "big")
    packet += (8).to_bytes(4, "big") + b"/a\0\0,\0\0\0"
    (found,) = decoded(page, [packet])
    assert found == {"seconds": 1_795_600_000.5, "messages": [["/a"]]}


def test_what_the_page_writes_python_osc_reads(page: Page) -> None:
    packet = bytes(
        page.evaluate(
            """async () => [...(await import("/page/osc.js"))
                 .encode("/do/x", "isfTFs", 3, "größer", -0.5, "request-7")]"""
        )
    )
    read = OscMessage(packet)
    assert (read.address, read.params) == ("/do/x", [3, "größer", -0.5, True, False, "request-7"])


MUTATE = """async ([packet, mutants, seed]) => {
  const { decode } = await import("/page/osc.js");
  const good = Uint8Array.from(atob(packet), (character) => character.charCodeAt(0));
  // Marsaglia's xorshift (Journal of Statistical Software 8, 2003): the same mutants every time.
  let state = seed;
  const below = (most) => {
    state ^= state << 13; state ^= state >>> 17; state ^= state << 5;
    return (state >>> 0) % most;
  };
  const likely = [0, 1, 35, 44, 47, 127, 255];
  let refused = 0, misshapen = 0;
  for (let count = 0; count < mutants; count++) {
    const mutant = good.slice(0, below(10) < 3 ? 4 + below(good.length - 4) : good.length);
    for (let change = below(6); change > 0; change--)
      mutant[below(mutant.length)] = below(2) ? likely[below(likely.length)] : below(256);
    const found = decode(mutant.buffer);
    if (found === null) refused++;
    else if (!found.messages.every(([address]) => address[0] === "/") || !Number.isFinite(found.seconds)) misshapen++;
  }
  return [refused, misshapen];
}"""


def test_mutated_packets_are_read_or_refused_and_nothing_else(page: Page) -> None:
    good = FrameEncoder().encode(frame([reading(track, 0.1) for track in range(1, 4)], focus=2))
    refused, misshapen = page.evaluate(MUTATE, [base64.b64encode(good).decode(), MUTANTS, SEED])
    assert misshapen == 0
    # Both happen, so the mutation reaches what it should.
    assert MUTANTS * 0.2 < refused < MUTANTS * 0.95


def test_the_page_counts_what_it_cannot_read(page: Page) -> None:
    counted = page.evaluate(
        """() => { const { link } = trimbridge; const before = link.refusedPackets;
          link.receive(new Uint8Array([1, 2, 3]).buffer); link.receive("text"); link.receive(new ArrayBuffer(0));
          return link.refusedPackets - before; }"""
    )
    assert counted == 3
