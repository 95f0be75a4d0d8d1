"""
PTP/IP bytes and what they say: packets and datasets, without sockets.

Packets are those of CIPA DC-005 (PTP/IP), datasets and codes those of ISO 15740 (PTP). Everything on the
wire is little-endian. The codec serves both ends, so that tests can be the other one.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import ClassVar

PORT = 15740
"""The port registered for PTP/IP."""

VERSION = 0x00010000
"""PTP/IP 1.0."""

MAX_PACKET = 1 << 20
"""Longer packets are an error: nothing here needs them, and a false length must not cost memory."""

_HEADER = struct.Struct("<II")


class PeerError(Exception):
    """The other end sent something that PTP/IP doesn't allow; the connection is of no more use."""


class Operation(IntEnum):
    """Operation codes that this camera knows (ISO 15740)."""

    GET_DEVICE_INFO = 0x1001
    OPEN_SESSION = 0x1002
    CLOSE_SESSION = 0x1003
    GET_STORAGE_IDS = 0x1004
    GET_STORAGE_INFO = 0x1005
    GET_NUM_OBJECTS = 0x1006
    GET_OBJECT_HANDLES = 0x1007
    GET_OBJECT_INFO = 0x1008
    GET_OBJECT = 0x1009
    GET_THUMB = 0x100A
    INITIATE_CAPTURE = 0x100E
    GET_DEVICE_PROP_DESC = 0x1014
    GET_DEVICE_PROP_VALUE = 0x1015
    SET_DEVICE_PROP_VALUE = 0x1016
    GET_PARTIAL_OBJECT = 0x101B
    GET_STREAM_INFO = 0x1024
    GET_STREAM = 0x1025


class Answer(IntEnum):
    """Response codes (ISO 15740)."""

    OK = 0x2001
    GENERAL_ERROR = 0x2002
    SESSION_NOT_OPEN = 0x2003
    INVALID_TRANSACTION_ID = 0x2004
    OPERATION_NOT_SUPPORTED = 0x2005
    PARAMETER_NOT_SUPPORTED = 0x2006
    INCOMPLETE_TRANSFER = 0x2007
    INVALID_STORAGE_ID = 0x2008
    INVALID_OBJECT_HANDLE = 0x2009
    DEVICE_PROP_NOT_SUPPORTED = 0x200A
    INVALID_OBJECT_FORMAT_CODE = 0x200B
    STORE_FULL = 0x200C
    ACCESS_DENIED = 0x200F
    NO_THUMBNAIL_PRESENT = 0x2010
    STORE_NOT_AVAILABLE = 0x2013
    DEVICE_BUSY = 0x2019
    INVALID_PARENT_OBJECT = 0x201A
    INVALID_DEVICE_PROP_FORMAT = 0x201B
    INVALID_DEVICE_PROP_VALUE = 0x201C
    INVALID_PARAMETER = 0x201D
    SESSION_ALREADY_OPEN = 0x201E
    TRANSACTION_CANCELLED = 0x201F
    NO_STREAM_ENABLED = 0x2022


class Happening(IntEnum):
    """Event codes (ISO 15740)."""

    OBJECT_ADDED = 0x4002
    DEVICE_PROP_CHANGED = 0x4006
    STORE_FULL = 0x400A
    CAPTURE_COMPLETE = 0x400D


class Format(IntEnum):
    """Object format codes (ISO 15740; DNG since its 2013 edition)."""

    UNDEFINED = 0x3000
    ASSOCIATION = 0x3001
    EXIF_JPEG = 0x3801
    DNG = 0x3811


class Refusal(IntEnum):
    """Why a connection was turned away (CIPA DC-005, Init Fail packet)."""

    REJECTED = 1
    BUSY = 2
    UNSPECIFIED = 3


class Kind(IntEnum):
    """Data types of properties (ISO 15740)."""

    INT8 = 0x0001
    UINT8 = 0x0002
    INT16 = 0x0003
    UINT16 = 0x0004
    INT32 = 0x0005
    UINT32 = 0x0006
    INT64 = 0x0007
    UINT64 = 0x0008
    TEXT = 0xFFFF


_NUMBERS = {
    Kind.INT8: struct.Struct("<b"),
    Kind.UINT8: struct.Struct("<B"),
    Kind.INT16: struct.Struct("<h"),
    Kind.UINT16: struct.Struct("<H"),
    Kind.INT32: struct.Struct("<i"),
    Kind.UINT32: struct.Struct("<I"),
    Kind.INT64: struct.Struct("<q"),
    Kind.UINT64: struct.Struct("<Q"),
}

Value = int | str
"""What a property holds: a number of its data type, or text."""


class Reader:
    """Takes fields off the front of a dataset; PeerError when it is too short or malformed."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def raw(self, size: int) -> bytes:
        """Return the next `size` bytes."""
        if size > self.left:
            raise PeerError(f"a field of {size} bytes where {self.left} are left")
        self._at += size
        return self._data[self._at - size : self._at]

    @property
    def left(self) -> int:
        """Return how many bytes are still unread."""
        return len(self._data) - self._at

    def rest(self) -> bytes:
        """Return everything unread."""
        return self.raw(self.left)

    def number(self, kind: Kind) -> int:
        """Return the next number."""
        layout = _NUMBERS[kind]
        return int(layout.unpack(self.raw(layout.size))[0])

    def u8(self) -> int:
        """Return the next UINT8."""
        return self.number(Kind.UINT8)

    def u16(self) -> int:
        """Return the next UINT16."""
        return self.number(Kind.UINT16)

    def u32(self) -> int:
        """Return the next UINT32."""
        return self.number(Kind.UINT32)

    def u64(self) -> int:
        """Return the next UINT64."""
        return self.number(Kind.UINT64)

    def text(self) -> str:
        """Return the next PTP string: a count of UTF-16 units with the closing NUL, then those."""
        units = self.u8()
        if units == 0:
            return ""
        words = _utf16(self.raw(2 * units))
        if not words.endswith("\0"):
            raise PeerError("a string without its closing NUL")
        return words[:-1]

    def value(self, kind: Kind) -> Value:
        """Return the next value of a property of that kind."""
        return self.text() if kind is Kind.TEXT else self.number(kind)

    def u16s(self) -> tuple[int, ...]:
        """Return the next array of UINT16, counted by a UINT32."""
        return tuple(self.u16() for _ in range(self.u32()))

    def u32s(self) -> tuple[int, ...]:
        """Return the next array of UINT32, counted by a UINT32."""
        return tuple(self.u32() for _ in range(self.u32()))

    def end(self) -> None:
        """Refuse bytes after the last field."""
        if self.left:
            raise PeerError(f"{self.left} bytes too many")


def _utf16(data: bytes) -> str:
    try:
        return data.decode("utf-16-le")
    except UnicodeDecodeError as error:
        raise PeerError("a string that is not UTF-16") from error


def _text(words: str) -> bytes:
    """Return a PTP string; at most 254 UTF-16 units."""
    if not words:
        return b"\0"
    data = f"{words}\0".encode("utf-16-le")
    if len(data) > 510:
        raise ValueError(f"{len(data) // 2 - 1} characters in a string that holds 254")
    return bytes((len(data) // 2,)) + data


def _value(kind: Kind, value: Value) -> bytes:
    if isinstance(value, str):
        return _text(value)
    return _NUMBERS[kind].pack(value)


def pack_value(kind: Kind, value: Value) -> bytes:
    """Return a property's value as GetDevicePropValue sends it."""
    return _value(kind, value)


def unpack_value(kind: Kind, data: bytes) -> Value:
    """Read a property's value, as SetDevicePropValue brings it; PeerError if it is of another size."""
    reader = Reader(data)
    value = reader.value(kind)
    reader.end()
    return value


def _u16s(values: Sequence[int]) -> bytes:
    return struct.pack(f"<I{len(values)}H", len(values), *values)


def pack_u32s(values: Sequence[int]) -> bytes:
    """Return an array of UINT32, as handles and storage ids travel."""
    return struct.pack(f"<I{len(values)}I", len(values), *values)


# ------------------------------------------------------------------------------------------- datasets


@dataclass(frozen=True)
class DeviceInfo:
    """Who the camera is and what it can do (ISO 15740, DeviceInfo dataset)."""

    model: str
    manufacturer: str
    version: str
    serial: str
    operations: tuple[int, ...]
    events: tuple[int, ...]
    properties: tuple[int, ...]
    capture_formats: tuple[int, ...]
    image_formats: tuple[int, ...]
    standard_version: int = 100
    extension_id: int = 0
    extension_version: int = 0
    extension_text: str = ""
    functional_mode: int = 0

    def pack(self) -> bytes:
        """Return the dataset's bytes."""
        return b"".join(
            (
                struct.pack("<HIH", self.standard_version, self.extension_id, self.extension_version),
                _text(self.extension_text),
                struct.pack("<H", self.functional_mode),
                *map(_u16s, (self.operations, self.events, self.properties)),
                *map(_u16s, (self.capture_formats, self.image_formats)),
                *map(_text, (self.manufacturer, self.model, self.version, self.serial)),
            )
        )

    @classmethod
    def unpack(cls, data: bytes) -> DeviceInfo:
        """Read the dataset; PeerError if it is malformed."""
        r = Reader(data)
        standard_version, extension_id, extension_version = r.u16(), r.u32(), r.u16()
        extension_text, functional_mode = r.text(), r.u16()
        operations, events, properties = r.u16s(), r.u16s(), r.u16s()
        capture_formats, image_formats = r.u16s(), r.u16s()
        manufacturer, model, version, serial = r.text(), r.text(), r.text(), r.text()
        r.end()
        return cls(
            model=model,
            manufacturer=manufacturer,
            version=version,
            serial=serial,
            operations=operations,
            events=events,
            properties=properties,
            capture_formats=capture_formats,
            image_formats=image_formats,
            standard_version=standard_version,
            extension_id=extension_id,
            extension_version=extension_version,
            extension_text=extension_text,
            functional_mode=functional_mode,
        )


@dataclass(frozen=True)
class StreamInfo:
    """How a stream comes (PTP 1.1, ISO 15740:2013, StreamInfo dataset): here one picture an answer, without headers."""

    most_bytes: int
    """No picture is larger."""
    time_resolution: int = 0

    def pack(self) -> bytes:
        """Return the dataset's bytes."""
        return struct.pack("<QQIIIII", 36, self.time_resolution, 0, self.most_bytes, 0, self.most_bytes, 1)


@dataclass(frozen=True)
class StorageInfo:
    """What a card is and how much it still holds (ISO 15740, StorageInfo dataset)."""

    capacity_bytes: int
    free_bytes: int
    free_images: int
    description: str
    label: str = ""
    storage_type: int = 0x0004
    """Removable RAM, which is what a card is."""
    filesystem_type: int = 0x0003
    """DCF."""
    access: int = 0x0001
    """Read-only, without deletion: nothing can be sent to this camera or wiped from it."""

    def pack(self) -> bytes:
        """Return the dataset's bytes."""
        head = struct.pack("<HHH", self.storage_type, self.filesystem_type, self.access)
        room = struct.pack("<QQI", self.capacity_bytes, self.free_bytes, self.free_images)
        return head + room + _text(self.description) + _text(self.label)

    @classmethod
    def unpack(cls, data: bytes) -> StorageInfo:
        """Read the dataset; PeerError if it is malformed."""
        r = Reader(data)
        storage_type, filesystem_type, access = r.u16(), r.u16(), r.u16()
        capacity, free, images = r.u64(), r.u64(), r.u32()
        description, label = r.text(), r.text()
        r.end()
        return cls(capacity, free, images, description, label, storage_type, filesystem_type, access)


@dataclass(frozen=True)
class ObjectInfo:
    """One file or folder on the card (ISO 15740, ObjectInfo dataset)."""

    storage: int
    object_format: int
    size: int
    """In bytes; sizes beyond 32 bits travel as 0xFFFFFFFF."""
    parent: int
    name: str
    captured_at: str = ""
    modified_at: str = ""
    association_type: int = 0
    """1 for a plain folder."""
    protected: int = 0
    thumb: tuple[int, int, int, int] = (0, 0, 0, 0)
    """Format, bytes, width, height; zeros: there is none."""
    image: tuple[int, int, int] = (0, 0, 0)
    """Width, height, bit depth; zeros: not told."""
    association_desc: int = 0
    sequence: int = 0
    keywords: str = ""

    def pack(self) -> bytes:
        """Return the dataset's bytes."""
        head = struct.pack("<IHHI", self.storage, self.object_format, self.protected, min(self.size, 0xFFFFFFFF))
        sizes = struct.pack("<H3I3I", *self.thumb, *self.image)
        place = struct.pack("<IHII", self.parent, self.association_type, self.association_desc, self.sequence)
        texts = map(_text, (self.name, self.captured_at, self.modified_at, self.keywords))
        return head + sizes + place + b"".join(texts)

    @classmethod
    def unpack(cls, data: bytes) -> ObjectInfo:
        """Read the dataset; PeerError if it is malformed."""
        r = Reader(data)
        storage, object_format, protected, size = r.u32(), r.u16(), r.u16(), r.u32()
        thumb = (r.u16(), r.u32(), r.u32(), r.u32())
        image = (r.u32(), r.u32(), r.u32())
        parent, association_type, association_desc, sequence = r.u32(), r.u16(), r.u32(), r.u32()
        name, captured_at, modified_at, keywords = r.text(), r.text(), r.text(), r.text()
        r.end()
        return cls(
            storage=storage,
            object_format=object_format,
            size=size,
            parent=parent,
            name=name,
            captured_at=captured_at,
            modified_at=modified_at,
            association_type=association_type,
            protected=protected,
            thumb=thumb,
            image=image,
            association_desc=association_desc,
            sequence=sequence,
            keywords=keywords,
        )


@dataclass(frozen=True)
class Range:
    """The values from `low` to `high` in steps."""

    low: Value
    high: Value
    step: Value


@dataclass(frozen=True)
class DevicePropDesc:
    """One property: what it is, what it holds, what it may hold (ISO 15740, DevicePropDesc dataset)."""

    code: int
    kind: Kind
    writable: bool
    default: Value
    current: Value
    allowed: Range | tuple[Value, ...] | None = None
    """A range, an enumeration, or None for anything."""

    def pack(self) -> bytes:
        """Return the dataset's bytes."""
        head = struct.pack("<HHB", self.code, self.kind, self.writable)
        return head + _value(self.kind, self.default) + _value(self.kind, self.current) + self._form()

    def _form(self) -> bytes:
        match self.allowed:
            case None:
                return b"\x00"
            case Range(low, high, step):
                return b"\x01" + b"".join(_value(self.kind, v) for v in (low, high, step))
            case values:
                count = struct.pack("<H", len(values))
                return b"\x02" + count + b"".join(_value(self.kind, v) for v in values)

    @classmethod
    def unpack(cls, data: bytes) -> DevicePropDesc:
        """Read the dataset; PeerError if it is malformed."""
        r = Reader(data)
        code, kind, writable = r.u16(), _kind(r.u16()), r.u8()
        if writable > 1:
            raise PeerError(f"a property is read-only (0) or not (1), not {writable}")
        default, current = r.value(kind), r.value(kind)
        allowed: Range | tuple[Value, ...] | None = None
        match r.u8():
            case 0:
                pass
            case 1:
                allowed = Range(r.value(kind), r.value(kind), r.value(kind))
            case 2:
                allowed = tuple(r.value(kind) for _ in range(r.u16()))
            case form:
                raise PeerError(f"a property's form is 0, 1 or 2, not {form}")
        r.end()
        return cls(code, kind, bool(writable), default, current, allowed)


def _kind(number: int) -> Kind:
    try:
        return Kind(number)
    except ValueError as error:
        raise PeerError(f"data type {number:#06x} is unknown here") from error


# -------------------------------------------------------------------------------------------- packets


@dataclass(frozen=True)
class InitCommandRequest:
    """The first packet on the command connection: who is calling."""

    TYPE: ClassVar[int] = 1
    guid: bytes
    name: str
    version: int = VERSION

    def pack(self) -> bytes:
        """Return the payload."""
        return self.guid + _friendly(self.name) + struct.pack("<I", self.version)

    @classmethod
    def unpack(cls, r: Reader) -> InitCommandRequest:
        """Read the payload."""
        return cls(r.raw(16), _read_friendly(r), r.u32())


@dataclass(frozen=True)
class InitCommandAck:
    """The camera takes the call; `connection` joins the event connection to it."""

    TYPE: ClassVar[int] = 2
    connection: int
    guid: bytes
    name: str
    version: int = VERSION

    def pack(self) -> bytes:
        """Return the payload."""
        return struct.pack("<I", self.connection) + self.guid + _friendly(self.name) + struct.pack("<I", self.version)

    @classmethod
    def unpack(cls, r: Reader) -> InitCommandAck:
        """Read the payload."""
        return cls(r.u32(), r.raw(16), _read_friendly(r), r.u32())


@dataclass(frozen=True)
class InitEventRequest:
    """The first packet on the event connection."""

    TYPE: ClassVar[int] = 3
    connection: int

    def pack(self) -> bytes:
        """Return the payload."""
        return struct.pack("<I", self.connection)

    @classmethod
    def unpack(cls, r: Reader) -> InitEventRequest:
        """Read the payload."""
        return cls(r.u32())


@dataclass(frozen=True)
class InitEventAck:
    """The event connection stands."""

    TYPE: ClassVar[int] = 4

    def pack(self) -> bytes:
        """Return the payload."""
        return b""

    @classmethod
    def unpack(cls, r: Reader) -> InitEventAck:
        """Read the payload."""
        return cls()


@dataclass(frozen=True)
class InitFail:
    """The camera turns the caller away."""

    TYPE: ClassVar[int] = 5
    reason: int

    def pack(self) -> bytes:
        """Return the payload."""
        return struct.pack("<I", self.reason)

    @classmethod
    def unpack(cls, r: Reader) -> InitFail:
        """Read the payload."""
        return cls(r.u32())


@dataclass(frozen=True)
class CommandRequest:
    """An operation to carry out."""

    TYPE: ClassVar[int] = 6
    code: int
    transaction: int
    params: tuple[int, ...] = ()
    brings_data: bool = False

    def pack(self) -> bytes:
        """Return the payload."""
        head = struct.pack("<IHI", 2 if self.brings_data else 1, self.code, self.transaction)
        return head + struct.pack(f"<{len(self.params)}I", *self.params)

    @classmethod
    def unpack(cls, r: Reader) -> CommandRequest:
        """Read the payload."""
        phase, code, transaction = r.u32(), r.u16(), r.u32()
        if phase not in (1, 2):
            raise PeerError(f"a data phase is 1 (none or in) or 2 (out), not {phase}")
        return cls(code, transaction, _params(r, 5), phase == 2)


@dataclass(frozen=True)
class CommandResponse:
    """How an operation went."""

    TYPE: ClassVar[int] = 7
    code: int
    transaction: int
    params: tuple[int, ...] = ()

    def pack(self) -> bytes:
        """Return the payload."""
        return struct.pack(f"<HI{len(self.params)}I", self.code, self.transaction, *self.params)

    @classmethod
    def unpack(cls, r: Reader) -> CommandResponse:
        """Read the payload."""
        return cls(r.u16(), r.u32(), _params(r, 5))


@dataclass(frozen=True)
class Event:
    """Something happened in the camera."""

    TYPE: ClassVar[int] = 8
    code: int
    transaction: int
    params: tuple[int, ...] = ()

    def pack(self) -> bytes:
        """Return the payload."""
        return struct.pack(f"<HI{len(self.params)}I", self.code, self.transaction, *self.params)

    @classmethod
    def unpack(cls, r: Reader) -> Event:
        """Read the payload."""
        return cls(r.u16(), r.u32(), _params(r, 3))


@dataclass(frozen=True)
class StartData:
    """A data phase begins; so many bytes will come."""

    TYPE: ClassVar[int] = 9
    transaction: int
    total: int

    def pack(self) -> bytes:
        """Return the payload."""
        return struct.pack("<IQ", self.transaction, self.total)

    @classmethod
    def unpack(cls, r: Reader) -> StartData:
        """Read the payload."""
        return cls(r.u32(), r.u64())


@dataclass(frozen=True)
class Data:
    """A piece of a data phase."""

    TYPE: ClassVar[int] = 10
    transaction: int
    payload: bytes

    def pack(self) -> bytes:
        """Return the payload."""
        return struct.pack("<I", self.transaction) + self.payload

    @classmethod
    def unpack(cls, r: Reader) -> Data:
        """Read the payload."""
        return cls(r.u32(), r.rest())


@dataclass(frozen=True)
class Cancel:
    """The caller gives a transaction up."""

    TYPE: ClassVar[int] = 11
    transaction: int

    def pack(self) -> bytes:
        """Return the payload."""
        return struct.pack("<I", self.transaction)

    @classmethod
    def unpack(cls, r: Reader) -> Cancel:
        """Read the payload."""
        return cls(r.u32())


@dataclass(frozen=True)
class EndData:
    """The last piece of a data phase; it may be empty."""

    TYPE: ClassVar[int] = 12
    transaction: int
    payload: bytes = b""

    def pack(self) -> bytes:
        """Return the payload."""
        return struct.pack("<I", self.transaction) + self.payload

    @classmethod
    def unpack(cls, r: Reader) -> EndData:
        """Read the payload."""
        return cls(r.u32(), r.rest())


@dataclass(frozen=True)
class Ping:
    """Are you there?"""

    TYPE: ClassVar[int] = 13

    def pack(self) -> bytes:
        """Return the payload."""
        return b""

    @classmethod
    def unpack(cls, r: Reader) -> Ping:
        """Read the payload."""
        return cls()


@dataclass(frozen=True)
class Pong:
    """Yes."""

    TYPE: ClassVar[int] = 14

    def pack(self) -> bytes:
        """Return the payload."""
        return b""

    @classmethod
    def unpack(cls, r: Reader) -> Pong:
        """Read the payload."""
        return cls()


Packet = (
    InitCommandRequest
    | InitCommandAck
    | InitEventRequest
    | InitEventAck
    | InitFail
    | CommandRequest
    | CommandResponse
    | Event
    | StartData
    | Data
    | Cancel
    | EndData
    | Ping
    | Pong
)

PACKETS: tuple[type[Packet], ...] = (
    *(InitCommandRequest, InitCommandAck, InitEventRequest, InitEventAck, InitFail, CommandRequest),
    *(CommandResponse, Event, StartData, Data, Cancel, EndData, Ping, Pong),
)
_READ: dict[int, Callable[[Reader], Packet]] = {packet.TYPE: packet.unpack for packet in PACKETS}


def _friendly(name: str) -> bytes:
    """Return a name as PTP/IP writes it: UTF-16 up to a NUL, without a count."""
    if "\0" in name:
        raise ValueError("a name with a NUL in it")
    return f"{name}\0".encode("utf-16-le")


def _read_friendly(r: Reader) -> str:
    units = bytearray()
    while (unit := r.raw(2)) != b"\0\0":
        units += unit
    return _utf16(bytes(units))


def _params(r: Reader, at_most: int) -> tuple[int, ...]:
    if r.left % 4 or r.left > 4 * at_most:
        raise PeerError(f"{r.left} bytes of parameters")
    return tuple(r.u32() for _ in range(r.left // 4))


def encode(packet: Packet) -> bytes:
    """Return a packet's bytes, header and all."""
    payload = packet.pack()
    return _HEADER.pack(len(payload) + _HEADER.size, packet.TYPE) + payload


def take_packet(buffer: bytearray) -> Packet | None:
    """
    Remove and return the first whole packet, or None if more is needed.

    Raises:
        PeerError: what stands there is no packet. The buffer is then of no more use.
    """
    if len(buffer) < _HEADER.size:
        return None
    length, kind = _HEADER.unpack_from(buffer)
    # Refused on sight of the header: waiting for the rest of nonsense would wait for ever.
    if not _HEADER.size <= length <= MAX_PACKET:
        raise PeerError(f"a packet of {length} bytes")
    if kind not in _READ:
        raise PeerError(f"packet type {kind}")
    if len(buffer) < length:
        return None
    reader = Reader(bytes(buffer[_HEADER.size : length]))
    del buffer[:length]
    packet = _READ[kind](reader)
    reader.end()
    return packet


def data_phase(transaction: int, pieces: Iterator[bytes], total: int) -> Iterator[bytes]:
    """Yield the packets of a data phase, each as bytes; the last piece goes in the End Data packet."""
    yield encode(StartData(transaction, total))
    held: bytes | None = None
    for piece in pieces:
        if held is not None:
            yield encode(Data(transaction, held))
        held = piece
    yield encode(EndData(transaction, held or b""))
