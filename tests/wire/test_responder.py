"""The responder without sockets: every step of a session, every refusal, every slice."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest
from caller import COMMAND, EVENTS, Caller, content, u16, u32s
from hypothesis import given, settings
from hypothesis import strategies as st

from lampblack.mock_camera import codec
from lampblack.mock_camera.body import Body, Card, RefusedError
from lampblack.mock_camera.codec import Answer, Happening, Kind, Operation, PeerError
from lampblack.mock_camera.responder import HANDSHAKE_S, MAX_WAITING, STORAGE, Responder

F_NUMBER, EXPOSURE_TIME, WHITE_BALANCE, ISO, PROGRAM, BATTERY = 0x5007, 0x500D, 0x5005, 0x500F, 0x500E, 0x5001
ADDED, CHANGED, COMPLETE = Happening.OBJECT_ADDED, Happening.DEVICE_PROP_CHANGED, Happening.CAPTURE_COMPLETE


def caller(**how: object) -> Caller:
    return Caller(Body(**how)).in_session()


def described(it: Caller, code: int) -> codec.DevicePropDesc:
    assert it.ask(Operation.GET_DEVICE_PROP_DESC, code).code == Answer.OK
    return codec.DevicePropDesc.unpack(it.data)


def shot(it: Caller, seconds: float = 2.0) -> list[int]:
    """Take a frame; returns the handles that events told of."""
    assert it.ask(Operation.INITIATE_CAPTURE, 0, 0).code == Answer.OK
    it.pass_time(seconds)
    return [params[0] for code, params in it.events() if code == ADDED]


def is_over(it: Caller) -> bool:
    return all(it.responder.is_over(link) for link in (COMMAND, EVENTS))


# ----------------------------------------------------------------------------------------- handshake


def test_a_session_from_handshake_to_farewell() -> None:
    it = Caller(Body()).shake_hands()
    assert it.ask(Operation.GET_DEVICE_INFO).code == Answer.OK  # allowed without a session
    assert it.ask(Operation.GET_STORAGE_IDS).code == Answer.SESSION_NOT_OPEN
    assert it.ask(Operation.OPEN_SESSION, 0).code == Answer.INVALID_PARAMETER
    assert it.ask(Operation.OPEN_SESSION, 5).code == Answer.OK
    again = it.ask(Operation.OPEN_SESSION, 6)
    assert (again.code, again.params) == (Answer.SESSION_ALREADY_OPEN, (5,))
    assert it.ask(Operation.CLOSE_SESSION).code == Answer.OK
    assert it.ask(Operation.OPEN_SESSION, 6).code == Answer.OK


@pytest.mark.parametrize("slice_bytes", [1, 3, 7])
def test_slices_make_no_difference(slice_bytes: int) -> None:
    it = Caller(Body(), slice_bytes).in_session()
    (handle,) = shot(it)
    assert it.ask(Operation.GET_OBJECT, handle).code == Answer.OK
    assert it.data == content(1, "jpeg")


def test_a_second_caller_is_turned_away_and_the_first_notices_nothing() -> None:
    it = caller()
    it.connect(7)
    it.say(7, codec.InitCommandRequest(b"fedcba9876543210", "other"))
    assert it.hear(7) == [codec.InitFail(codec.Refusal.BUSY)]
    assert it.responder.is_over(7)
    assert it.ask(Operation.GET_STORAGE_IDS).code == Answer.OK


def test_another_protocol_version_is_turned_away() -> None:
    it = Caller(Body())
    it.say(COMMAND, codec.InitCommandRequest(b"0123456789abcdef", "test", version=0x00020000))
    assert it.hear(COMMAND) == [codec.InitFail(codec.Refusal.REJECTED)]


def test_an_event_link_must_name_its_command_link() -> None:
    it = Caller(Body())
    it.say(COMMAND, codec.InitCommandRequest(b"0123456789abcdef", "test"))
    (ack,) = it.hear(COMMAND)
    it.say(EVENTS, codec.InitEventRequest(ack.connection + 1))
    assert it.hear(EVENTS) == [codec.InitFail(codec.Refusal.REJECTED)]


def test_a_link_that_comes_to_nothing_makes_way() -> None:
    """A caller that stops half way through the handshake must not keep the camera to itself."""
    it = Caller(Body())
    it.say(COMMAND, codec.InitCommandRequest(b"0123456789abcdef", "test"))
    it.pass_time(HANDSHAKE_S + 1)
    assert it.responder.is_over(COMMAND)
    it.responder.closed(COMMAND)
    it.connect(COMMAND)
    it.connect(EVENTS)
    it.in_session()


@pytest.mark.parametrize("lost", [COMMAND, EVENTS])
def test_when_one_link_goes_the_other_follows_and_the_next_caller_may_come(lost: int) -> None:
    it = caller()
    handles = shot(it)
    it.responder.closed(lost)
    assert it.responder.is_over(COMMAND + EVENTS - lost)
    it.responder.closed(COMMAND + EVENTS - lost)
    it.connect(COMMAND)
    it.connect(EVENTS)
    it.in_session()
    assert it.ask(Operation.GET_OBJECT, *handles).code == Answer.OK


# ----------------------------------------------------------------------------------------- the table


@pytest.mark.parametrize(
    "packet",
    [
        codec.CommandRequest(Operation.GET_DEVICE_INFO, 1),
        codec.CommandResponse(Answer.OK, 1),
        codec.StartData(1, 4),
        codec.Event(ADDED, 1, (1,)),
        codec.InitEventAck(),
        codec.Ping(),
    ],
    ids=lambda packet: type(packet).__name__,
)
def test_before_the_handshake_only_the_handshake_is_heard(packet: codec.Packet) -> None:
    it = Caller(Body())
    with pytest.raises(PeerError):
        it.say(COMMAND, packet)
    assert it.responder.is_over(COMMAND)


def test_commands_before_the_event_link_break_the_protocol() -> None:
    it = Caller(Body())
    it.say(COMMAND, codec.InitCommandRequest(b"0123456789abcdef", "test"))
    with pytest.raises(PeerError):
        it.say(COMMAND, codec.CommandRequest(Operation.GET_DEVICE_INFO, 1))


@pytest.mark.parametrize(
    ("link", "packet"),
    [
        (COMMAND, codec.InitCommandRequest(b"0123456789abcdef", "test")),
        (COMMAND, codec.Data(1, b"x")),
        (COMMAND, codec.EndData(1, b"x")),
        (EVENTS, codec.CommandRequest(Operation.GET_DEVICE_INFO, 1)),
        (EVENTS, codec.Event(ADDED, 1, (1,))),
        (EVENTS, codec.InitEventRequest(1)),
    ],
    ids=lambda x: type(x).__name__,
)
def test_a_packet_out_of_place_ends_the_session(link: int, packet: codec.Packet) -> None:
    it = caller()
    with pytest.raises(PeerError):
        it.say(link, packet)
    assert is_over(it)
    assert not it.responder.in_session


def test_pings_are_answered_on_both_links() -> None:
    it = caller()
    for link in (COMMAND, EVENTS):
        it.say(link, codec.Ping())
        assert it.hear(link) == [codec.Pong()]


def test_a_caller_that_asks_without_reading_is_cut_off() -> None:
    it = caller()
    asking = codec.CommandRequest(Operation.GET_DEVICE_INFO, 1)
    for _ in range(MAX_WAITING // 2):  # each is answered by a data phase and a response
        it.say(COMMAND, asking)
    with pytest.raises(PeerError):
        it.say(COMMAND, asking)
    assert is_over(it)


def test_more_data_than_any_property_has_is_refused() -> None:
    it = caller()
    it.say(COMMAND, codec.CommandRequest(Operation.SET_DEVICE_PROP_VALUE, 1, (F_NUMBER,), brings_data=True))
    with pytest.raises(PeerError):
        it.say(COMMAND, codec.StartData(1, 1 << 40))


@settings(max_examples=200)
@given(st.lists(st.tuples(st.sampled_from((COMMAND, EVENTS)), st.binary(max_size=60)), max_size=5))
def test_garbage_in_a_session_gives_peer_error_and_nothing_else(chunks: list[tuple[int, bytes]]) -> None:
    it = caller()
    for link, chunk in chunks:
        try:
            it.responder.receive(link, chunk)
        except PeerError:
            assert is_over(it)
    it.pass_time(1)


@settings(max_examples=200)
@given(st.integers(0, 0xFFFF), st.lists(st.integers(0, 0xFFFFFFFF), max_size=5), st.none() | st.binary(max_size=9))
def test_any_operation_with_any_parameters_gets_one_response(code: int, params: list[int], data: bytes | None) -> None:
    it = caller()
    it.ask(code, *params, data=data)
    assert it.ask(Operation.GET_DEVICE_INFO).code == Answer.OK


@settings(max_examples=100)
@given(st.data())
def test_known_operations_with_likely_parameters_get_one_response(data: st.DataObject) -> None:
    it = caller(formats=("dng", "jpeg"))
    shot(it)
    likely = st.sampled_from((0, 1, 2, 3, 4, 5, 999, 1001, STORAGE, 0xFFFFFFFF, F_NUMBER, ISO, 0x5011, 0xD101))
    for _ in range(5):
        code = data.draw(st.sampled_from(tuple(Operation)))
        it.ask(code, *data.draw(st.lists(likely, max_size=5)), data=data.draw(st.none() | st.binary(max_size=9)))
        if code == Operation.CLOSE_SESSION:
            it.ask(Operation.OPEN_SESSION, 1)
        it.pass_time(0.01)


# ---------------------------------------------------------------------------------------- properties


def test_every_property_of_the_device_info_can_be_described_and_read() -> None:
    it = caller()
    it.ask(Operation.GET_DEVICE_INFO)
    info = codec.DeviceInfo.unpack(it.data)
    assert set(info.properties) == {*(0x5001, 0x5004, 0x5005, 0x5007, 0x500D, 0x500E, 0x500F, 0x5011), 0xD101}
    for code in info.properties:
        desc = described(it, code)
        assert it.ask(Operation.GET_DEVICE_PROP_VALUE, code).code == Answer.OK
        assert codec.unpack_value(desc.kind, it.data) == desc.current
    assert it.ask(Operation.GET_DEVICE_PROP_DESC, 0x5002).code == Answer.DEVICE_PROP_NOT_SUPPORTED


def test_properties_have_the_published_types_and_units() -> None:
    """ISO 15740: F-Number x 100, Exposure Time in 0.1 ms, ISO as it is; white balance codes (from memory)."""
    it = caller()
    f_number, time, iso, white = (described(it, code) for code in (F_NUMBER, EXPOSURE_TIME, ISO, WHITE_BALANCE))
    assert (f_number.kind, f_number.current, f_number.allowed[0]) == (Kind.UINT16, 800, 280)
    assert (time.kind, time.current, time.allowed[0], time.allowed[-1]) == (Kind.UINT32, 166, 10000, 10)
    assert (iso.kind, iso.current, iso.allowed[-1]) == (Kind.UINT16, 200, 3200)
    assert (white.kind, white.allowed) == (Kind.UINT16, (1, 2, 4, 5, 6))
    for desc in (f_number, time, iso, white):
        assert len(set(desc.allowed)) == len(desc.allowed)


def test_every_mark_can_be_set_and_is_told_of() -> None:
    it = caller()
    for code in (F_NUMBER, EXPOSURE_TIME, ISO, WHITE_BALANCE):
        desc = described(it, code)
        for value in desc.allowed:
            is_new = value != described(it, code).current
            data = codec.pack_value(desc.kind, value)
            assert it.ask(Operation.SET_DEVICE_PROP_VALUE, code, data=data).code == Answer.OK
            assert described(it, code).current == value
            assert it.events() == [(CHANGED, (code,))] * is_new


@pytest.mark.parametrize(
    ("code", "data", "answer"),
    [
        (F_NUMBER, u16(790), Answer.INVALID_DEVICE_PROP_VALUE),
        (F_NUMBER, b"\x01", Answer.INVALID_DEVICE_PROP_FORMAT),
        (F_NUMBER, u16(800) + b"\0", Answer.INVALID_DEVICE_PROP_FORMAT),
        (BATTERY, b"\x64", Answer.ACCESS_DENIED),
        (0x5002, b"\x01", Answer.DEVICE_PROP_NOT_SUPPORTED),
        (0x5011, codec.pack_value(Kind.TEXT, "yesterday"), Answer.INVALID_DEVICE_PROP_VALUE),
        (0xD101, codec.pack_value(Kind.TEXT, "TIFF"), Answer.INVALID_DEVICE_PROP_VALUE),
    ],
)
def test_what_cannot_be_set_is_refused_and_changes_nothing(code: int, data: bytes, answer: Answer) -> None:
    it = caller()
    assert it.ask(Operation.SET_DEVICE_PROP_VALUE, code, data=data).code == answer
    assert it.events() == []


def test_outside_manual_aperture_and_shutter_are_read_only() -> None:
    it = caller()
    it.ask(Operation.SET_DEVICE_PROP_VALUE, PROGRAM, data=u16(2))
    assert it.events() == [(CHANGED, (PROGRAM,)), (CHANGED, (F_NUMBER,)), (CHANGED, (EXPOSURE_TIME,))]
    assert not described(it, F_NUMBER).writable
    assert it.ask(Operation.SET_DEVICE_PROP_VALUE, F_NUMBER, data=u16(400)).code == Answer.ACCESS_DENIED
    it.ask(Operation.SET_DEVICE_PROP_VALUE, PROGRAM, data=u16(1))
    assert described(it, F_NUMBER).writable
    assert it.ask(Operation.SET_DEVICE_PROP_VALUE, F_NUMBER, data=u16(400)).code == Answer.OK


def test_the_two_names_of_the_file_dial_move_together() -> None:
    it = caller()
    it.ask(Operation.SET_DEVICE_PROP_VALUE, 0xD101, data=codec.pack_value(Kind.TEXT, "DNG+JPEG"))
    assert it.events() == [(CHANGED, (0x5004,)), (CHANGED, (0xD101,))]
    assert described(it, 0x5004).current == 3
    assert len(shot(it)) == 2


def test_the_clock_can_be_set_and_goes_on() -> None:
    it = caller()
    data = codec.pack_value(Kind.TEXT, "20260704T235959.0")
    assert it.ask(Operation.SET_DEVICE_PROP_VALUE, 0x5011, data=data).code == Answer.OK
    it.pass_time(1.5)
    assert described(it, 0x5011).current == "20260705T000000.5"


def test_the_battery_gauge_tells_of_its_fall() -> None:
    it = caller()
    it.body.charge(41.6)
    it.responder.announce()
    assert it.events() == [(CHANGED, (BATTERY,))]
    assert described(it, BATTERY).current == 42


# --------------------------------------------------------------------------------- frames and the card


def test_a_capture_is_answered_at_once_and_told_when_done() -> None:
    it = caller(formats=("dng", "jpeg"))
    data = codec.pack_value(Kind.UINT32, 10000)
    it.ask(Operation.SET_DEVICE_PROP_VALUE, EXPOSURE_TIME, data=data)
    it.events()
    response = it.ask(Operation.INITIATE_CAPTURE, 0, 0)
    assert response.code == Answer.OK
    assert it.ask(Operation.INITIATE_CAPTURE, 0, 0).code == Answer.DEVICE_BUSY  # one second long
    it.pass_time(0.9)
    assert it.events() == []
    it.pass_time(0.2)
    raw, jpeg, complete = it.events()
    assert (raw[0], jpeg[0], complete) == (ADDED, ADDED, (COMPLETE, (response.transaction,)))
    assert raw[1] != jpeg[1]


def test_the_cameras_own_button_tells_of_its_file_and_of_no_capture() -> None:
    it = caller()
    it.body.press()
    it.pass_time(1)
    (event,) = it.hear(EVENTS)
    assert (event.code, event.transaction) == (ADDED, 0xFFFFFFFF)


def test_the_card_shows_folders_and_files() -> None:
    it = caller(formats=("dng", "jpeg"))
    raw, jpeg = shot(it)
    assert it.ask(Operation.GET_STORAGE_IDS).code == Answer.OK
    assert u32s(it.data) == (STORAGE,)
    it.ask(Operation.GET_OBJECT_HANDLES, STORAGE, 0, 0xFFFFFFFF)
    (top,) = u32s(it.data)
    it.ask(Operation.GET_OBJECT_HANDLES, STORAGE, 0, top)
    (folder,) = u32s(it.data)
    it.ask(Operation.GET_OBJECT_HANDLES, 0xFFFFFFFF, 0, folder)
    assert u32s(it.data) == (raw, jpeg)
    it.ask(Operation.GET_OBJECT_HANDLES, STORAGE)
    assert u32s(it.data) == (top, folder, raw, jpeg)
    it.ask(Operation.GET_OBJECT_HANDLES, STORAGE, codec.Format.DNG)
    assert u32s(it.data) == (raw,)
    assert it.ask(Operation.GET_NUM_OBJECTS, STORAGE).params == (4,)
    it.ask(Operation.GET_OBJECT_INFO, jpeg)
    info = codec.ObjectInfo.unpack(it.data)
    assert (info.name, info.size, info.parent, info.object_format) == ("KILN0001.JPG", 1000, folder, 0x3801)
    assert info.captured_at == "20260302T100000.0"
    it.ask(Operation.GET_OBJECT_INFO, folder)
    info = codec.ObjectInfo.unpack(it.data)
    assert (info.name, info.parent, info.object_format, info.association_type) == ("100GLAZE", top, 0x3001, 1)


@pytest.mark.parametrize(
    ("code", "params", "answer"),
    [
        (Operation.GET_OBJECT_INFO, (999,), Answer.INVALID_OBJECT_HANDLE),
        (Operation.GET_OBJECT, (999,), Answer.INVALID_OBJECT_HANDLE),
        (Operation.GET_OBJECT, (1,), Answer.INVALID_OBJECT_HANDLE),  # a folder
        (Operation.GET_PARTIAL_OBJECT, (3, 1001, 1), Answer.INVALID_PARAMETER),
        (Operation.GET_THUMB, (3,), Answer.NO_THUMBNAIL_PRESENT),
        (Operation.GET_STORAGE_INFO, (7,), Answer.INVALID_STORAGE_ID),
        (Operation.GET_OBJECT_HANDLES, (7,), Answer.INVALID_STORAGE_ID),
        (Operation.GET_OBJECT_HANDLES, (STORAGE, 0, 3), Answer.INVALID_PARENT_OBJECT),
        (Operation.INITIATE_CAPTURE, (7,), Answer.INVALID_STORAGE_ID),
        (0x100B, (3,), Answer.OPERATION_NOT_SUPPORTED),  # DeleteObject: this camera deletes nothing
    ],
)
def test_requests_for_what_is_not_there_are_refused(code: int, params: tuple[int, ...], answer: Answer) -> None:
    it = caller()
    shot(it)
    assert it.ask(code, *params).code == answer
    assert it.data is None


@settings(max_examples=50)
@given(st.integers(0, 1000), st.integers(0, 0xFFFFFFFF))
def test_parts_of_an_object_are_its_slices(offset: int, size: int) -> None:
    it = caller()
    (handle,) = shot(it)
    response = it.ask(Operation.GET_PARTIAL_OBJECT, handle, offset, size)
    assert (response.code, it.data) == (Answer.OK, content(1, "jpeg")[offset : offset + size])
    assert response.params == (len(it.data),)


def test_storage_info_follows_the_card() -> None:
    it = Caller(Body(Card(capacity_bytes=10_000))).in_session()
    shot(it)
    it.ask(Operation.GET_STORAGE_INFO, STORAGE)
    info = codec.StorageInfo.unpack(it.data)
    assert (info.capacity_bytes, info.free_bytes, info.free_images) == (10_000, 9_000, 9)


def test_what_happened_without_a_caller_lies_on_the_card_for_the_next() -> None:
    it = Caller(Body())
    it.body.press()
    it.pass_time(1)
    it.in_session()
    assert it.events() == []
    it.ask(Operation.GET_OBJECT_HANDLES, STORAGE, codec.Format.EXIF_JPEG)
    (handle,) = u32s(it.data)
    it.ask(Operation.GET_OBJECT, handle)
    assert it.data == content(1, "jpeg")


def test_a_cancelled_transfer_ends_and_the_next_command_is_answered() -> None:
    """After Cancel the data phase is closed and the response is Transaction Cancelled (CIPA DC-005, from memory)."""
    it = caller()
    shot(it)
    big = b"x" * 300_000
    item = it.body.card.write("KILN0002.JPG", 2, big, "")
    it.say(COMMAND, codec.CommandRequest(Operation.GET_OBJECT, 50, (item.handle,)))
    first = it.responder.outgoing(COMMAND, 1000)
    it.responder.sent(COMMAND, len(first))
    it._inbox[COMMAND] += first
    it.say(EVENTS, codec.Cancel(50))
    *phase, end, response = it.hear(COMMAND)
    assert isinstance(phase[0], codec.StartData)
    assert isinstance(end, codec.EndData)
    assert response == codec.CommandResponse(Answer.TRANSACTION_CANCELLED, 50)
    assert it.ask(Operation.GET_OBJECT, item.handle).code == Answer.OK
    assert it.data == big


# --------------------------------------------------------------------------------------------- trouble


def test_busy_answers_everything_in_the_session_with_busy_and_then_goes_on() -> None:
    it = caller()
    it.body.trouble.busy_s = 1
    for code, *params in ((Operation.INITIATE_CAPTURE, 0, 0), (Operation.GET_DEVICE_PROP_DESC, F_NUMBER)):
        assert it.ask(code, *params).code == Answer.DEVICE_BUSY
    assert it.ask(Operation.SET_DEVICE_PROP_VALUE, F_NUMBER, data=u16(400)).code == Answer.DEVICE_BUSY
    it.pass_time(1.1)
    assert it.ask(Operation.SET_DEVICE_PROP_VALUE, F_NUMBER, data=u16(400)).code == Answer.OK


def test_a_full_card_answers_store_full() -> None:
    it = caller()
    it.body.card.frames_left = 0
    assert it.ask(Operation.INITIATE_CAPTURE, 0, 0).code == Answer.STORE_FULL


@pytest.mark.parametrize("after", [0, 1, 999, 70_000])
def test_a_cut_line_carries_exactly_so_many_bytes_of_the_object(after: int) -> None:
    it = caller()
    item = it.body.card.write("KILN0009.JPG", 2, content(9, "jpeg", 200_000), "")
    it.body.trouble.cut(after)
    it.say(COMMAND, codec.CommandRequest(Operation.GET_OBJECT, 50, (item.handle,)))
    packets = it.hear(COMMAND)
    whole = b"".join(p.payload for p in packets if isinstance(p, codec.Data))
    got = whole + it.half_heard(COMMAND)[12:]
    assert got == content(9, "jpeg", 200_000)[:after]
    assert it.responder.is_over(COMMAND)
    it.responder.closed(COMMAND)
    assert it.responder.is_over(EVENTS)


def test_a_slow_line_carries_bytes_as_time_passes() -> None:
    it = caller()
    it.body.trouble.slow(100)
    it.say(COMMAND, codec.CommandRequest(Operation.GET_DEVICE_INFO, 50))
    assert it.hear(COMMAND) == []
    for turns in range(1, 6):
        it.pass_time(0.1)
        start = it.hear(COMMAND)  # Start Data, 20 bytes, is whole after two turns
        assert len(start) == (turns == 2)
        assert len(it.half_heard(COMMAND)) == turns * 10 - 20 * (turns >= 2)
    it.body.trouble.slow(None)
    assert it.hear(COMMAND)[-1] == codec.CommandResponse(Answer.OK, 50)


def test_falling_asleep_hangs_up() -> None:
    it = caller(sleep_after_s=30)
    it.pass_time(29)
    it.ask(Operation.GET_DEVICE_INFO)  # whoever asks keeps it awake
    it.pass_time(29)
    assert not is_over(it)
    it.pass_time(2)
    assert is_over(it)
    assert not it.responder.in_session


def test_no_trouble_costs_a_frame() -> None:
    it = caller()
    taken = 0
    for trouble in ("cut", "sleep", "busy", "full", "hang up"):
        it.body.press()
        it.pass_time(1)
        taken += 1
        if trouble == "cut":
            it.body.trouble.cut(10)
            it.say(COMMAND, codec.CommandRequest(Operation.GET_OBJECT, 50, (3,)))
            it.hear(COMMAND)
        elif trouble == "sleep":
            it.body.sleep()
        elif trouble == "busy":
            it.body.trouble.busy_s = 1
        elif trouble == "full":
            it.body.card.frames_left = 0
            with pytest.raises(RefusedError):
                it.body.press()
            it.body.card.frames_left = None
        it.pass_time(3)
        it.body.wake()
        for link in (COMMAND, EVENTS):
            it.responder.closed(link)
            it.connect(link)
        it.in_session()
    it.ask(Operation.GET_OBJECT_HANDLES, STORAGE, codec.Format.EXIF_JPEG)
    handles = u32s(it.data)
    assert len(handles) == taken
    for number, handle in enumerate(handles, 1):
        it.ask(Operation.GET_OBJECT, handle)
        assert it.data == content(number, "jpeg")


def test_a_guid_has_sixteen_bytes() -> None:
    with pytest.raises(ValueError, match="16"):
        Responder(Body(), guid=struct.pack("<Q", 1))


# --------------------------------------------------------------------------------------------- the view


def test_what_the_lens_sees_is_a_stream_of_ptp_1_1() -> None:
    """Operations and properties of ISO 15740:2013 (from memory; libgphoto2's header agrees)."""
    body = Body()
    it = Caller(body, shows=True).in_session()
    assert described(it, 0x5020).current == 1
    assert it.ask(Operation.SET_DEVICE_PROP_VALUE, 0x5020, data=u32(0)).code == Answer.ACCESS_DENIED
    assert it.ask(Operation.GET_STREAM).code == Answer.NO_STREAM_ENABLED
    assert it.ask(Operation.SET_DEVICE_PROP_VALUE, 0x5021, data=u32(1)).code == Answer.OK
    assert it.ask(Operation.GET_STREAM_INFO, 0).code == Answer.OK
    assert struct.unpack("<QQIIIII", it.data)[0] == len(it.data) == 36
    assert it.ask(Operation.GET_STREAM).code == Answer.DEVICE_BUSY  # none is made yet
    body.view = b"a picture"
    assert it.ask(Operation.GET_STREAM).code == Answer.OK
    assert it.data == b"a picture"
    assert it.ask(Operation.SET_DEVICE_PROP_VALUE, 0x5021, data=u32(0)).code == Answer.OK
    assert (body.showing, body.view) == (False, None)


@pytest.mark.parametrize("end", [lambda it: it.ask(Operation.CLOSE_SESSION), lambda it: it.responder.closed(EVENTS)])
def test_a_session_that_ends_ends_the_view(end: Callable[[Caller], object]) -> None:
    body = Body()
    it = Caller(body, shows=True).in_session()
    it.ask(Operation.SET_DEVICE_PROP_VALUE, 0x5021, data=u32(1))
    assert body.showing
    end(it)
    assert not body.showing


def test_a_camera_that_shows_nothing_offers_nothing_of_it() -> None:
    it = caller()
    assert it.ask(Operation.GET_STREAM).code == Answer.OPERATION_NOT_SUPPORTED
    assert it.ask(Operation.GET_DEVICE_PROP_DESC, 0x5021).code == Answer.DEVICE_PROP_NOT_SUPPORTED
    it.ask(Operation.GET_DEVICE_INFO)
    info = codec.DeviceInfo.unpack(it.data)
    assert not {0x1024, 0x1025} & set(info.operations)
    assert not {0x5020, 0x5021} & set(info.properties)


def u32(value: int) -> bytes:
    return struct.pack("<I", value)
