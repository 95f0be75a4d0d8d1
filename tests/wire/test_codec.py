"""PTP/IP packets and PTP datasets: whatever goes in comes out, in any slices, and nonsense is told as such."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lampblack.mock_camera import codec
from lampblack.mock_camera.codec import Answer, Happening, Kind, Operation, PeerError

U8, U16, U32, U64 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32, 64))
# Whatever UTF-16 can carry; PTP strings hold at most 254 units, and beyond the BMP a character takes two.
TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=120)
GUID = st.binary(min_size=16, max_size=16)
PAYLOAD = st.binary(max_size=200)


def params(at_most: int) -> st.SearchStrategy[tuple[int, ...]]:
    return st.lists(U32, max_size=at_most).map(tuple)


PACKETS = st.one_of(
    st.builds(codec.InitCommandRequest, GUID, TEXT, U32),
    st.builds(codec.InitCommandAck, U32, GUID, TEXT, U32),
    st.builds(codec.InitEventRequest, U32),
    st.just(codec.InitEventAck()),
    st.builds(codec.InitFail, U32),
    st.builds(codec.CommandRequest, U16, U32, params(5), st.booleans()),
    st.builds(codec.CommandResponse, U16, U32, params(5)),
    st.builds(codec.Event, U16, U32, params(3)),
    st.builds(codec.StartData, U32, U64),
    st.builds(codec.Data, U32, PAYLOAD),
    st.builds(codec.Cancel, U32),
    st.builds(codec.EndData, U32, PAYLOAD),
    st.just(codec.Ping()),
    st.just(codec.Pong()),
)

DATASETS = (codec.DeviceInfo, codec.StorageInfo, codec.ObjectInfo, codec.DevicePropDesc)
IDS = [dataset.__name__ for dataset in DATASETS]
U16S = st.lists(U16, max_size=20).map(tuple)
DEVICE_INFOS = st.builds(
    codec.DeviceInfo,
    **dict.fromkeys(("model", "manufacturer", "version", "serial", "extension_text"), TEXT),
    **dict.fromkeys(("operations", "events", "properties", "capture_formats", "image_formats"), U16S),
    standard_version=U16,
    extension_id=U32,
    extension_version=U16,
    functional_mode=U16,
)
STORAGE_INFOS = st.builds(codec.StorageInfo, U64, U64, U32, TEXT, TEXT, U16, U16, U16)
OBJECT_INFOS = st.builds(
    codec.ObjectInfo,
    **dict.fromkeys(("storage", "size", "parent", "association_desc", "sequence"), U32),
    **dict.fromkeys(("object_format", "association_type", "protected"), U16),
    **dict.fromkeys(("name", "captured_at", "modified_at", "keywords"), TEXT),
    thumb=st.tuples(U16, U32, U32, U32),
    image=st.tuples(U32, U32, U32),
)


@st.composite
def prop_descs(draw: st.DrawFn) -> codec.DevicePropDesc:
    kind, values = draw(
        st.sampled_from(
            (
                *((Kind.UINT8, U8), (Kind.UINT16, U16), (Kind.UINT32, U32), (Kind.UINT64, U64), (Kind.TEXT, TEXT)),
                *((Kind.INT16, st.integers(-(2**15), 2**15 - 1)), (Kind.INT8, st.integers(-128, 127))),
            )
        )
    )
    allowed = st.one_of(st.none(), st.builds(codec.Range, values, values, values), st.lists(values).map(tuple))
    return codec.DevicePropDesc(draw(U16), kind, draw(st.booleans()), draw(values), draw(values), draw(allowed))


def read_all(stream: bytes) -> None:
    """Take packets as long as there are any; only PeerError may stop it."""
    buffer = bytearray(stream)
    with contextlib.suppress(PeerError):
        while codec.take_packet(buffer) is not None:
            pass


@given(st.lists(PACKETS, max_size=6), st.lists(st.integers(1, 40), min_size=1))
def test_any_slicing_of_a_stream_gives_the_same_packets(packets: list[codec.Packet], cuts: list[int]) -> None:
    stream = b"".join(map(codec.encode, packets))
    buffer, found, turn = bytearray(), [], 0
    while stream:
        size = cuts[turn % len(cuts)]
        buffer, stream, turn = buffer + stream[:size], stream[size:], turn + 1
        while (packet := codec.take_packet(buffer)) is not None:
            found.append(packet)
    assert found == packets
    assert not buffer


@given(PACKETS, PAYLOAD)
def test_a_packet_leaves_what_lies_behind_it(packet: codec.Packet, behind: bytes) -> None:
    buffer = bytearray(codec.encode(packet) + behind)
    assert codec.take_packet(buffer) == packet
    assert buffer == behind


@given(st.binary(max_size=300))
def test_garbage_is_refused_or_awaited_and_nothing_else(garbage: bytes) -> None:
    read_all(garbage)


@given(PACKETS, st.data())
def test_a_damaged_packet_is_refused_or_another_packet(packet: codec.Packet, data: st.DataObject) -> None:
    """One byte changed anywhere gives a packet, a wait or PeerError."""
    raw = bytearray(codec.encode(packet))
    raw[data.draw(st.integers(0, len(raw) - 1))] ^= data.draw(st.integers(1, 255))
    read_all(bytes(raw))


@pytest.mark.parametrize("datasets", [DEVICE_INFOS, STORAGE_INFOS, OBJECT_INFOS, prop_descs()], ids=IDS)
@given(st.data())
def test_datasets_come_back_as_they_went(datasets: st.SearchStrategy, data: st.DataObject) -> None:
    dataset = data.draw(datasets)
    assert type(dataset).unpack(dataset.pack()) == dataset


@pytest.mark.parametrize("dataset", DATASETS)
@given(st.binary(max_size=120))
def test_datasets_of_garbage_are_refused_or_read(dataset: type, garbage: bytes) -> None:
    with contextlib.suppress(PeerError):
        dataset.unpack(garbage)


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        ("07000000 0d000000", "shorter than its own header"),
        ("00000080 0a000000", "longer than anything allowed"),
        ("08000000 0f000000", "unknown type"),
        ("09000000 0d000000 00", "a Ping with something in it"),
        ("12000000 06000000 03000000 0110 01000000", "data phase 3"),
        ("13000000 06000000 01000000 0110 01000000 00", "a quarter of a parameter"),
        ("1c000000 03000000 01000000 00000000 00000000 00000000 00000000", "an event request too long"),
    ],
)
def test_packets_that_break_the_rules_are_refused(raw: str, why: str) -> None:
    with pytest.raises(PeerError):
        codec.take_packet(bytearray.fromhex(raw))


def test_a_false_length_is_refused_before_its_bytes_come() -> None:
    """Eight bytes must not make anybody wait for, or set aside, two gigabytes."""
    with pytest.raises(PeerError):
        codec.take_packet(bytearray.fromhex("ffffff7f 0a000000"))


def test_bytes_are_as_the_standards_have_them() -> None:
    """Layouts of CIPA DC-005 (Init Command Request, Operation Request) and ISO 15740 (strings), from memory."""
    hello = codec.encode(codec.InitCommandRequest(bytes(range(16)), "ab"))
    assert hello.hex() == "2200000001000000" + bytes(range(16)).hex() + "61006200000000000100"
    ask = codec.encode(codec.CommandRequest(Operation.OPEN_SESSION, 7, (1,)))
    assert ask.hex() == "16000000060000000100000002100700000001000000"
    assert codec.pack_value(Kind.TEXT, "f/8").hex() == "0466002f0038000000"
    assert codec.pack_value(Kind.TEXT, "") == b"\0"


def test_codes_are_as_published() -> None:
    """ISO 15740, tables of operation, response and event codes (from memory; libgphoto2's header agrees)."""
    assert [op.value for op in Operation] == [
        *(*range(0x1001, 0x100B), 0x100E, 0x1014, 0x1015, 0x1016, 0x101B),
        *(0x1024, 0x1025),  # PTP 1.1
    ]
    assert (Operation.INITIATE_CAPTURE, Operation.GET_PARTIAL_OBJECT) == (0x100E, 0x101B)
    assert (*(0x2001, 0x200C, 0x200F, 0x2019),) == (
        Answer.OK,
        Answer.STORE_FULL,
        Answer.ACCESS_DENIED,
        Answer.DEVICE_BUSY,
    )
    assert (*(0x4002, 0x4006, 0x400D),) == (
        Happening.OBJECT_ADDED,
        Happening.DEVICE_PROP_CHANGED,
        Happening.CAPTURE_COMPLETE,
    )
    assert [packet.TYPE for packet in codec.PACKETS] == list(range(1, 15))


def test_text_too_long_for_a_ptp_string_is_the_callers_mistake() -> None:
    with pytest.raises(ValueError, match="254"):
        codec.pack_value(Kind.TEXT, "x" * 255)
    assert codec.unpack_value(Kind.TEXT, codec.pack_value(Kind.TEXT, "x" * 254)) == "x" * 254


@pytest.mark.parametrize(
    "raw", ["02 66002f00", "01 00d8", "03 6600", ""], ids=["no NUL", "half a pair", "short", "none"]
)
def test_strings_that_break_the_rules_are_refused(raw: str) -> None:
    with pytest.raises(PeerError):
        codec.unpack_value(Kind.TEXT, bytes.fromhex(raw))


@given(st.lists(PAYLOAD, max_size=4))
def test_a_data_phase_carries_its_pieces(pieces: list[bytes]) -> None:
    packets, buffer = [], bytearray(b"".join(codec.data_phase(9, iter(pieces), sum(map(len, pieces)))))
    while (packet := codec.take_packet(buffer)) is not None:
        packets.append(packet)
    assert isinstance(packets[0], codec.StartData)
    assert isinstance(packets[-1], codec.EndData)
    assert b"".join(p.payload for p in packets[1:]) == b"".join(pieces)
    assert packets[0].total == len(b"".join(pieces))
