"""
The camera's side of PTP/IP, without sockets: bytes in, bytes out, one table of what may follow what.

The caller numbers its connections ("links"), hands over what each one receives, and asks what each one is to
send. Time passes by `tick`. Of the two links of a session the first takes commands, the second brings events
(CIPA DC-005); operations and properties are those of ISO 15740.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum
from fractions import Fraction
from typing import Any

from lampblack.mock_camera import codec
from lampblack.mock_camera.body import (
    DIALS,
    F_NUMBERS,
    ISOS,
    SHUTTERS,
    Added,
    Body,
    CardFull,
    CardItem,
    Changed,
    Completed,
    News,
    Reason,
    RefusedError,
    Shot,
)
from lampblack.mock_camera.codec import (
    Answer,
    CommandRequest,
    CommandResponse,
    DevicePropDesc,
    Format,
    Happening,
    Kind,
    Operation,
    PeerError,
    Value,
)

NAME = "Lampblack studio camera"
STORAGE = 0x00010001
PIECE_BYTES = 64 * 1024
MAX_DATA_IN = 64 * 1024
"""No property is longer; a caller that announces more is refused."""
MAX_WAITING = 64
"""Answers that may wait to be sent: a caller that asks on and on without reading is cut off."""
HANDSHAKE_S = 10.0
"""A link that hasn't come to anything by then is closed, so that it keeps nobody else out."""
NO_TRANSACTION = 0xFFFFFFFF
_ALL = 0xFFFFFFFF
_EXTENSIONS = {"JPG": Format.EXIF_JPEG, "DNG": Format.DNG}


# ----------------------------------------------------------------------------------------- properties


@dataclass(frozen=True)
class Property:
    """How a dial of the body shows itself over PTP."""

    dial: str
    kind: Kind
    wire: Mapping[object, Value]
    """Each mark's value on the wire."""


def _tenth_ms(mark: str) -> int:
    """Return a marked time in units of 0.1 ms, cut off as cameras do: 1/60 is 166."""
    return int(Fraction(mark) * 10_000)


PROPERTIES: Mapping[int, Property] = {
    # Compression Setting is a number that grows with quality; what each stands for is the maker's business.
    0x5004: Property("formats", Kind.UINT8, {("jpeg",): 1, ("dng",): 2, ("dng", "jpeg"): 3}),
    0x5005: Property(
        "white_balance",
        Kind.UINT16,
        {"custom": 1, "automatic": 2, "daylight": 4, "fluorescent": 5, "tungsten": 6},
    ),
    0x5007: Property("f_number", Kind.UINT16, {n: round(n * 100) for n in F_NUMBERS}),
    0x500D: Property("shutter", Kind.UINT32, {mark: _tenth_ms(mark) for mark in SHUTTERS}),
    0x500E: Property("mode", Kind.UINT16, {"M": 1, "A": 2}),
    0x500F: Property("iso", Kind.UINT16, {iso: iso for iso in ISOS}),
    # The same dial as Compression Setting, in words: a number alone tells nobody what will be written.
    0xD101: Property("formats", Kind.TEXT, {("jpeg",): "JPEG", ("dng",): "DNG", ("dng", "jpeg"): "DNG+JPEG"}),
}
"""The dials, by property code (ISO 15740; 0xD101 is this camera's own)."""

BATTERY_LEVEL = 0x5001
SUPPORTED_STREAMS, ENABLED_STREAMS = 0x5020, 0x5021
"""PTP 1.1 (ISO 15740:2013): the picture that the lens throws now is a video stream, number 0."""
VIEW_MOST_BYTES = 1 << 20
DATE_TIME = 0x5011
_CODES_OF = {
    "battery": (BATTERY_LEVEL,),
    "clock": (DATE_TIME,),
    **{dial: tuple(code for code, p in PROPERTIES.items() if p.dial == dial) for dial in DIALS},
}
_REASONS = {
    Reason.BUSY: Answer.DEVICE_BUSY,
    Reason.FULL: Answer.STORE_FULL,
    Reason.LOCKED: Answer.ACCESS_DENIED,
    Reason.NOT_OFFERED: Answer.INVALID_DEVICE_PROP_VALUE,
}


def _describe(body: Body, code: int) -> DevicePropDesc:
    if code == BATTERY_LEVEL:
        steps = codec.Range(0, 100, 1)
        return DevicePropDesc(code, Kind.UINT8, False, 100, body.battery, steps)
    if code in (SUPPORTED_STREAMS, ENABLED_STREAMS):
        on = 1 if code == SUPPORTED_STREAMS else int(body.showing)
        return DevicePropDesc(code, Kind.UINT32, code == ENABLED_STREAMS, on, on, (0, 1))
    if code == DATE_TIME:
        now = f"{body.clock:%Y%m%dT%H%M%S}.{body.clock.microsecond // 100_000}"
        return DevicePropDesc(code, Kind.TEXT, True, now, now)
    p = PROPERTIES[code]
    marks = tuple(p.wire.values())
    current = p.wire[getattr(body, p.dial)]
    return DevicePropDesc(code, p.kind, not body.locked(p.dial), marks[0], current, marks)


def _set(body: Body, code: int, data: bytes) -> Answer:
    """Turn a dial as SetDevicePropValue says."""
    if code in (BATTERY_LEVEL, SUPPORTED_STREAMS):
        return Answer.ACCESS_DENIED
    try:
        value = codec.unpack_value(_describe(body, code).kind, data)
    except PeerError:
        return Answer.INVALID_DEVICE_PROP_FORMAT
    if code == DATE_TIME:
        return _set_clock(body, str(value))
    if code == ENABLED_STREAMS:
        body.show(bool(value))
        return Answer.OK
    p = PROPERTIES[code]
    mark = next((mark for mark, wire in p.wire.items() if wire == value), None)
    try:
        body.dial(p.dial, mark)
    except RefusedError as refused:
        return _REASONS[refused.reason]
    return Answer.OK


def _set_clock(body: Body, text: str) -> Answer:
    """Set the clock from `YYYYMMDDThhmmss`, whatever fraction or zone comes behind."""
    try:
        body.set_clock(datetime.strptime(text[:15], "%Y%m%dT%H%M%S"))
    except ValueError:
        return Answer.INVALID_DEVICE_PROP_VALUE
    return Answer.OK


# ---------------------------------------------------------------------------------------------- links


class State(Enum):
    """How far a link has come."""

    NEW = "nothing said yet"
    HALF = "a command link that waits for its event link"
    READY = "a command link"
    TAKING = "a command link in the middle of a data phase from the caller"
    EVENTS = "an event link"
    CLOSING = "only what is still to be sent"


@dataclass
class _Link:
    state: State = State.NEW
    inbox: bytearray = field(default_factory=bytearray)
    outbox: deque[Iterator[bytes]] = field(default_factory=deque)
    held: bytes = b""
    age_s: float = 0.0
    request: CommandRequest | None = None
    """The request whose data is coming in."""
    data: bytearray = field(default_factory=bytearray)
    sending: int | None = None
    """The transaction whose data is going out."""

    @property
    def is_closing(self) -> bool:
        return self.state is State.CLOSING


@dataclass(frozen=True)
class _Outcome:
    """What an operation comes to: a code, perhaps parameters, perhaps data or part of an object."""

    code: Answer = Answer.OK
    params: tuple[int, ...] = ()
    data: bytes | None = None
    part: tuple[CardItem, int, int] | None = None
    """A file, where to begin and how many bytes."""


class Responder:
    """
    The camera end of PTP/IP around a body.

    Args:
        body: the camera.
        guid: 16 bytes by which a caller knows this camera again.
        serial: its serial number.
        shows: it offers the picture that the lens throws, without a shot; the caller keeps `Body.view` fresh.
    """

    def __init__(
        self, body: Body, *, guid: bytes = b"lampblack-camera", serial: str = "KILN-0001", shows: bool = False
    ) -> None:
        if len(guid) != 16:
            raise ValueError("a GUID has 16 bytes")
        self.body = body
        self._guid = guid
        self._serial = serial
        self._operations = tuple(op for op in _OPERATIONS if shows or op not in _STREAMS)
        streams = (SUPPORTED_STREAMS, ENABLED_STREAMS) if shows else ()
        self._properties = tuple(sorted((BATTERY_LEVEL, DATE_TIME, *streams, *PROPERTIES)))
        self._links: dict[int, _Link] = {}
        self._command: int | None = None
        self._events: int | None = None
        self._connection = 0
        self._session: int | None = None

    # ------------------------------------------------------------------------------- what callers use

    @property
    def in_session(self) -> bool:
        """Return whether somebody has a PTP session open."""
        return self._session is not None

    def open(self, link: int) -> None:
        """Note a new connection."""
        self._links[link] = _Link()

    def closed(self, link: int) -> None:
        """Note that a connection is gone; its session goes with it."""
        if self._links.pop(link, None) is None:
            return
        if link in (self._command, self._events):
            self._end_session()

    def receive(self, link: int, data: bytes) -> None:
        """
        Take what a connection received.

        Raises:
            PeerError: it broke the protocol. What was to be sent is dropped; the links are to be closed.
        """
        it = self._links[link]
        if it.is_closing:
            return
        it.inbox += data
        try:
            while not it.is_closing and (packet := codec.take_packet(it.inbox)) is not None:
                step = _TABLE.get((it.state, type(packet)))
                if step is None:
                    raise PeerError(f"{type(packet).__name__} on a link that is {it.state.value}")
                step(self, link, packet)
                if len(it.outbox) > MAX_WAITING:
                    raise PeerError("it asks on without reading the answers")
        except PeerError:
            self._hang_up(link)
            raise

    def tick(self, dt_s: float) -> list[Shot]:
        """Let time pass; returns the shots to be made into files (see `Body.tick`)."""
        shots = self.body.tick(dt_s)
        for number, link in list(self._links.items()):
            link.age_s += dt_s
            if link.state in (State.NEW, State.HALF) and link.age_s > HANDSHAKE_S:
                self._hang_up(number)
        self.announce()
        return shots

    def announce(self) -> None:
        """Turn the body's news into events; without a session nobody hears them. Asleep: hang up."""
        for news in self.body.take_news():
            for event in _events(news):
                if self._events is not None and self.in_session:
                    self._send(self._events, event)
        if self.body.asleep:
            for link in list(self._links):
                self._hang_up(link)

    def outgoing(self, link: int, limit: int) -> bytes:
        """Return up to `limit` bytes that a connection is to send now; empty when there is nothing."""
        it = self._links[link]
        while not it.held and it.outbox:
            it.held = next(it.outbox[0], b"")
            if not it.held and it.outbox:
                it.outbox.popleft()
        return it.held[: self.body.trouble.may_send(min(limit, len(it.held)))]

    def sent(self, link: int, size: int) -> None:
        """Note that so many of the outgoing bytes went."""
        it = self._links[link]
        it.held = it.held[size:]
        self.body.trouble.sent(size)
        if size:
            self.body.touch()

    def is_over(self, link: int) -> bool:
        """Return whether a connection is to be closed: all is sent, nothing more is wanted."""
        it = self._links[link]
        return it.is_closing and not (it.held or it.outbox)

    # --------------------------------------------------------------------------------------- the table

    def _init_command(self, link: int, packet: codec.InitCommandRequest) -> None:
        it = self._links[link]
        if packet.version >> 16 != codec.VERSION >> 16:
            self._turn_away(link, codec.Refusal.REJECTED)
        elif self._command is not None:
            self._turn_away(link, codec.Refusal.BUSY)
        else:
            self._command = link
            self._connection += 1
            it.state = State.HALF
            self.body.touch()
            self._send(link, codec.InitCommandAck(self._connection, self._guid, NAME))

    def _init_event(self, link: int, packet: codec.InitEventRequest) -> None:
        command = self._links.get(self._command) if self._command is not None else None
        if command is None or command.state is not State.HALF or packet.connection != self._connection:
            self._turn_away(link, codec.Refusal.REJECTED)
            return
        self._events = link
        self._links[link].state = State.EVENTS
        command.state = State.READY
        self._send(link, codec.InitEventAck())

    def _turn_away(self, link: int, reason: codec.Refusal) -> None:
        self._send(link, codec.InitFail(reason))
        self._links[link].state = State.CLOSING

    def _begin(self, link: int, packet: CommandRequest) -> None:
        self.body.touch()
        if packet.brings_data:
            it = self._links[link]
            it.state, it.request, it.data = State.TAKING, packet, bytearray()
        else:
            self._answer(link, packet, b"")

    def _data_starts(self, link: int, packet: codec.StartData) -> None:
        if packet.total > MAX_DATA_IN:
            raise PeerError(f"{packet.total} bytes announced")

    def _data_comes(self, link: int, packet: codec.Data | codec.EndData) -> None:
        it = self._links[link]
        it.data += packet.payload
        if len(it.data) > MAX_DATA_IN:
            raise PeerError("too much data")
        if isinstance(packet, codec.EndData) and it.request is not None:
            it.state = State.READY
            self._answer(link, it.request, bytes(it.data))

    def _cancel(self, link: int, packet: codec.Cancel) -> None:
        """Give a transaction up, whichever way its data goes; a cancel that comes too late changes nothing."""
        number = self._command
        if number is None:
            return
        it = self._links[number]
        if it.state is State.TAKING and it.request is not None and it.request.transaction == packet.transaction:
            it.state = State.READY
        elif it.sending == packet.transaction:
            # What is already cut off for sending goes out whole, or the caller loses its place in the stream.
            it.outbox.clear()
            it.outbox.append(iter((codec.encode(codec.EndData(packet.transaction)),)))
        else:
            return
        it.sending = None
        self._send(number, CommandResponse(Answer.TRANSACTION_CANCELLED, packet.transaction))

    def _ping(self, link: int, packet: codec.Ping) -> None:
        self._send(link, codec.Pong())

    def _pong(self, link: int, packet: codec.Pong) -> None:
        pass

    # ------------------------------------------------------------------------------------- operations

    def _answer(self, link: int, request: CommandRequest, data: bytes) -> None:
        """Carry an operation out, and queue its data phase and response."""
        outcome = self._carry_out(request, data)
        it = self._links[link]
        if outcome.part is not None:
            it.outbox.append(self._object_phase(it, request.transaction, *outcome.part))
        elif outcome.data is not None:
            pieces = (outcome.data[i : i + PIECE_BYTES] for i in range(0, len(outcome.data), PIECE_BYTES))
            it.outbox.append(codec.data_phase(request.transaction, pieces, len(outcome.data)))
        self._send(link, CommandResponse(outcome.code, request.transaction, outcome.params))
        self.announce()

    def _carry_out(self, request: CommandRequest, data: bytes) -> _Outcome:
        try:
            operation = Operation(request.code)
        except ValueError:
            return _Outcome(Answer.OPERATION_NOT_SUPPORTED)
        if operation not in self._operations:
            return _Outcome(Answer.OPERATION_NOT_SUPPORTED)
        run, needs_session = _OPERATIONS[operation]
        if needs_session and not self.in_session:
            return _Outcome(Answer.SESSION_NOT_OPEN)
        if needs_session and operation is not Operation.CLOSE_SESSION and self.body.trouble.busy_s > 0:
            return _Outcome(Answer.DEVICE_BUSY)
        return run(self, request, data)

    def _device_info(self, request: CommandRequest, data: bytes) -> _Outcome:
        info = codec.DeviceInfo(
            model=NAME,
            manufacturer="Lampblack",
            version="1.0",
            serial=self._serial,
            operations=self._operations,
            events=tuple(Happening),
            properties=self._properties,
            capture_formats=(Format.EXIF_JPEG, Format.DNG),
            image_formats=(Format.ASSOCIATION, Format.EXIF_JPEG, Format.DNG),
        )
        return _Outcome(data=info.pack())

    def _open_session(self, request: CommandRequest, data: bytes) -> _Outcome:
        wanted = _param(request, 0)
        if self._session is not None:
            return _Outcome(Answer.SESSION_ALREADY_OPEN, (self._session,))
        if wanted == 0:
            return _Outcome(Answer.INVALID_PARAMETER)
        self._session = wanted
        return _Outcome()

    def _close_session(self, request: CommandRequest, data: bytes) -> _Outcome:
        self._session = None
        self.body.show(False)
        return _Outcome()

    def _storage_ids(self, request: CommandRequest, data: bytes) -> _Outcome:
        return _Outcome(data=codec.pack_u32s((STORAGE,)))

    def _storage_info(self, request: CommandRequest, data: bytes) -> _Outcome:
        if _param(request, 0) != STORAGE:
            return _Outcome(Answer.INVALID_STORAGE_ID)
        card = self.body.card
        frames = min(card.free_frames, 0xFFFFFFFE)
        info = codec.StorageInfo(card.capacity_bytes, card.free_bytes, frames, "Card")
        return _Outcome(data=info.pack())

    def _handles(self, request: CommandRequest) -> tuple[int, ...] | Answer:
        storage, wanted, parent = (_param(request, i) for i in range(3))
        items = self.body.card.items
        if storage not in (STORAGE, _ALL):
            return Answer.INVALID_STORAGE_ID
        if parent not in (0, _ALL) and not (parent in items and items[parent].is_folder):
            return Answer.INVALID_PARENT_OBJECT
        top = 0 if parent == _ALL else parent
        return tuple(
            item.handle
            for item in items.values()
            if (parent == 0 or item.parent == top) and wanted in (0, _format(item))
        )

    def _num_objects(self, request: CommandRequest, data: bytes) -> _Outcome:
        handles = self._handles(request)
        return _Outcome(handles) if isinstance(handles, Answer) else _Outcome(params=(len(handles),))

    def _object_handles(self, request: CommandRequest, data: bytes) -> _Outcome:
        handles = self._handles(request)
        return _Outcome(handles) if isinstance(handles, Answer) else _Outcome(data=codec.pack_u32s(handles))

    def _object_info(self, request: CommandRequest, data: bytes) -> _Outcome:
        item = self.body.card.items.get(_param(request, 0))
        if item is None:
            return _Outcome(Answer.INVALID_OBJECT_HANDLE)
        at = _ptp_time(item.written_at)
        kind = _format(item)
        info = codec.ObjectInfo(STORAGE, kind, item.size, item.parent, item.name, at, at, int(item.is_folder))
        return _Outcome(data=info.pack())

    def _object(self, request: CommandRequest, data: bytes) -> _Outcome:
        item = self._file(request)
        return item if isinstance(item, _Outcome) else _Outcome(part=(item, 0, item.size))

    def _partial_object(self, request: CommandRequest, data: bytes) -> _Outcome:
        item = self._file(request)
        if isinstance(item, _Outcome):
            return item
        offset, wanted = _param(request, 1), _param(request, 2)
        if offset > item.size:
            return _Outcome(Answer.INVALID_PARAMETER)
        size = min(wanted, item.size - offset)
        return _Outcome(params=(size,), part=(item, offset, size))

    def _file(self, request: CommandRequest) -> CardItem | _Outcome:
        item = self.body.card.items.get(_param(request, 0))
        if item is None or item.is_folder:
            return _Outcome(Answer.INVALID_OBJECT_HANDLE)
        return item

    def _thumb(self, request: CommandRequest, data: bytes) -> _Outcome:
        item = self._file(request)
        return item if isinstance(item, _Outcome) else _Outcome(Answer.NO_THUMBNAIL_PRESENT)

    def _capture(self, request: CommandRequest, data: bytes) -> _Outcome:
        if _param(request, 0) not in (0, STORAGE, _ALL):
            return _Outcome(Answer.INVALID_STORAGE_ID)
        try:
            self.body.press(request.transaction)
        except RefusedError as refused:
            return _Outcome(_REASONS[refused.reason])
        return _Outcome()

    def _prop_desc(self, request: CommandRequest, data: bytes) -> _Outcome:
        code = _param(request, 0)
        if code not in self._properties:
            return _Outcome(Answer.DEVICE_PROP_NOT_SUPPORTED)
        return _Outcome(data=_describe(self.body, code).pack())

    def _prop_value(self, request: CommandRequest, data: bytes) -> _Outcome:
        code = _param(request, 0)
        if code not in self._properties:
            return _Outcome(Answer.DEVICE_PROP_NOT_SUPPORTED)
        prop = _describe(self.body, code)
        return _Outcome(data=codec.pack_value(prop.kind, prop.current))

    def _set_prop(self, request: CommandRequest, data: bytes) -> _Outcome:
        code = _param(request, 0)
        if code not in self._properties:
            return _Outcome(Answer.DEVICE_PROP_NOT_SUPPORTED)
        return _Outcome(_set(self.body, code, data))

    def _stream_info(self, request: CommandRequest, data: bytes) -> _Outcome:
        if _param(request, 0) not in (0, 1):  # the standard counts from 0; libgphoto2 asks for 1
            return _Outcome(Answer.INVALID_PARAMETER)
        return _Outcome(data=codec.StreamInfo(VIEW_MOST_BYTES).pack())

    def _stream(self, request: CommandRequest, data: bytes) -> _Outcome:
        if not self.body.showing:
            return _Outcome(Answer.NO_STREAM_ENABLED)
        return _Outcome(data=self.body.view) if self.body.view is not None else _Outcome(Answer.DEVICE_BUSY)

    # ----------------------------------------------------------------------------------------- sending

    def _object_phase(self, link: _Link, transaction: int, item: CardItem, offset: int, size: int) -> Iterator[bytes]:
        """Yield the packets of an object's data phase, read from the card as they are needed."""
        link.sending = transaction
        yield codec.encode(codec.StartData(transaction, size))
        for start in range(0, max(size, 1), PIECE_BYTES):
            piece = self.body.card.read(item, offset + start, min(PIECE_BYTES, size - start))
            last = start + PIECE_BYTES >= size
            packet = codec.encode((codec.EndData if last else codec.Data)(transaction, piece))
            arrives = self.body.trouble.let_through(item.handle, len(piece))
            if arrives < len(piece):
                yield packet[: len(packet) - len(piece) + arrives]
                link.outbox.clear()
                link.state = State.CLOSING
                return
            yield packet
        link.sending = None

    def _send(self, link: int, packet: codec.Packet) -> None:
        self._links[link].outbox.append(iter((codec.encode(packet),)))

    def _hang_up(self, link: int) -> None:
        """Close a link at once, and with it the session it belongs to."""
        self._drop(self._links[link])
        if link in (self._command, self._events):
            self._end_session()

    def _end_session(self) -> None:
        for link in (self._command, self._events):
            if link is not None and link in self._links:
                self._drop(self._links[link])
        self._command = self._events = self._session = None
        self.body.show(False)

    @staticmethod
    def _drop(link: _Link) -> None:
        link.state, link.held = State.CLOSING, b""
        link.outbox.clear()


# Which packet goes with which step is what the table says; the type checker can't follow it there.
_Step = Callable[[Responder, int, Any], None]
_TABLE: Mapping[tuple[State, type[codec.Packet]], _Step] = {
    (State.NEW, codec.InitCommandRequest): Responder._init_command,
    (State.NEW, codec.InitEventRequest): Responder._init_event,
    (State.READY, CommandRequest): Responder._begin,
    (State.READY, codec.Cancel): Responder._cancel,
    (State.READY, codec.Ping): Responder._ping,
    (State.TAKING, codec.StartData): Responder._data_starts,
    (State.TAKING, codec.Data): Responder._data_comes,
    (State.TAKING, codec.EndData): Responder._data_comes,
    (State.TAKING, codec.Cancel): Responder._cancel,
    (State.EVENTS, codec.Cancel): Responder._cancel,
    (State.EVENTS, codec.Ping): Responder._ping,
    (State.EVENTS, codec.Pong): Responder._pong,
}
"""Every packet a link may bring, and what it starts; whatever isn't here breaks the protocol."""

_Run = Callable[[Responder, CommandRequest, bytes], _Outcome]
_OPERATIONS: Mapping[Operation, tuple[_Run, bool]] = {
    Operation.GET_DEVICE_INFO: (Responder._device_info, False),
    Operation.OPEN_SESSION: (Responder._open_session, False),
    Operation.CLOSE_SESSION: (Responder._close_session, True),
    Operation.GET_STORAGE_IDS: (Responder._storage_ids, True),
    Operation.GET_STORAGE_INFO: (Responder._storage_info, True),
    Operation.GET_NUM_OBJECTS: (Responder._num_objects, True),
    Operation.GET_OBJECT_HANDLES: (Responder._object_handles, True),
    Operation.GET_OBJECT_INFO: (Responder._object_info, True),
    Operation.GET_OBJECT: (Responder._object, True),
    Operation.GET_THUMB: (Responder._thumb, True),
    Operation.INITIATE_CAPTURE: (Responder._capture, True),
    Operation.GET_DEVICE_PROP_DESC: (Responder._prop_desc, True),
    Operation.GET_DEVICE_PROP_VALUE: (Responder._prop_value, True),
    Operation.SET_DEVICE_PROP_VALUE: (Responder._set_prop, True),
    Operation.GET_PARTIAL_OBJECT: (Responder._partial_object, True),
    Operation.GET_STREAM_INFO: (Responder._stream_info, True),
    Operation.GET_STREAM: (Responder._stream, True),
}
"""What each operation runs, and whether it needs a session."""
_STREAMS = (Operation.GET_STREAM_INFO, Operation.GET_STREAM)


def _events(news: News) -> Iterator[codec.Event]:
    match news:
        case Added(handle, cause):
            transaction = NO_TRANSACTION if cause is None else cause
            yield codec.Event(Happening.OBJECT_ADDED, transaction, (handle,))
        case Completed(cause):
            yield codec.Event(Happening.CAPTURE_COMPLETE, cause, (cause,))
        case Changed(name):
            for code in _CODES_OF[name]:
                yield codec.Event(Happening.DEVICE_PROP_CHANGED, NO_TRANSACTION, (code,))
        case CardFull():
            yield codec.Event(Happening.STORE_FULL, NO_TRANSACTION, (STORAGE,))


def _param(request: CommandRequest, place: int) -> int:
    """Return a parameter; those not sent are zero."""
    return request.params[place] if place < len(request.params) else 0


def _format(item: CardItem) -> Format:
    if item.is_folder:
        return Format.ASSOCIATION
    return _EXTENSIONS.get(item.name.rpartition(".")[2], Format.UNDEFINED)


def _ptp_time(iso_text: str) -> str:
    """Return `20260302T101522.4` for `2026-03-02T10:15:22.40`."""
    return iso_text.replace("-", "").replace(":", "")[:17]
