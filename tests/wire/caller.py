"""The other end of PTP/IP for tests: over a responder directly, or over a socket."""

from __future__ import annotations

import random
import socket
import struct
from collections.abc import Sequence

from lampblack.mock_camera import codec
from lampblack.mock_camera.body import Body, Exposed, Settings, Shot
from lampblack.mock_camera.codec import Answer, Operation
from lampblack.mock_camera.responder import Responder

EXTENSIONS = {"jpeg": "JPG", "dng": "DNG"}
COMMAND, EVENTS = 1, 2


def content(number: int, kind: str, size: int = 1000) -> bytes:
    """Return what the test camera's frame `number` holds in the file of one format."""
    return random.Random(f"{number} {kind}").randbytes(size)


def take(settings: Settings, number: int) -> Exposed:
    """Make a small frame that names nothing but its number."""
    return sized(1000)(settings, number)


def sized(size: int):
    """Return a `take` whose files have that many bytes."""

    def make(settings: Settings, number: int) -> Exposed:
        files = tuple((EXTENSIONS[kind], content(number, kind, size)) for kind in settings.formats)
        return Exposed(files, {"number": number})

    return make


class Caller:
    """A caller that has no socket: both links go straight to a responder, whatever slices they are cut in."""

    def __init__(self, body: Body, slice_bytes: int = 1 << 20, *, shows: bool = False) -> None:
        self.body = body
        self.responder = Responder(body, shows=shows)
        self._slice = slice_bytes
        self._transaction = 0
        self._inbox: dict[int, bytearray] = {}
        for link in (COMMAND, EVENTS):
            self.connect(link)

    def connect(self, link: int) -> None:
        self.responder.open(link)
        self._inbox[link] = bytearray()

    def say(self, link: int, packet: codec.Packet) -> None:
        data = codec.encode(packet)
        for start in range(0, len(data), self._slice):
            self.responder.receive(link, data[start : start + self._slice])

    def hear(self, link: int) -> list[codec.Packet]:
        """Return every packet that a link has for us now."""
        inbox = self._inbox[link]
        while data := self.responder.outgoing(link, self._slice):
            self.responder.sent(link, len(data))
            inbox += data
        packets = []
        while (packet := codec.take_packet(inbox)) is not None:
            packets.append(packet)
        return packets

    def half_heard(self, link: int) -> bytes:
        """Return what came after the last whole packet."""
        return bytes(self._inbox[link])

    def shake_hands(self) -> Caller:
        self.say(COMMAND, codec.InitCommandRequest(b"0123456789abcdef", "test"))
        (ack,) = self.hear(COMMAND)
        assert isinstance(ack, codec.InitCommandAck)
        self.say(EVENTS, codec.InitEventRequest(ack.connection))
        assert self.hear(EVENTS) == [codec.InitEventAck()]
        return self

    def in_session(self) -> Caller:
        self.shake_hands()
        assert self.ask(Operation.OPEN_SESSION, 1).code == Answer.OK
        return self

    def ask(self, code: int, *params: int, data: bytes | None = None) -> codec.CommandResponse:
        """Carry an operation out; data that came with the answer is in `self.data`."""
        self._transaction += 1
        tid = self._transaction
        self.say(COMMAND, codec.CommandRequest(code, tid, params, data is not None))
        if data is not None:
            self.say(COMMAND, codec.StartData(tid, len(data)))
            self.say(COMMAND, codec.EndData(tid, data))
        *phase, response = self.hear(COMMAND)
        assert isinstance(response, codec.CommandResponse)
        assert response.transaction == tid
        self.data = joined(phase)
        return response

    def events(self) -> list[tuple[int, tuple[int, ...]]]:
        packets = self.hear(EVENTS)
        assert all(isinstance(packet, codec.Event) for packet in packets)
        return [(packet.code, packet.params) for packet in packets]

    def pass_time(self, dt_s: float) -> list[Shot]:
        """Let time pass; frames that ended are developed and recorded at once."""
        shots = self.responder.tick(dt_s)
        for shot in shots:
            self.body.record(shot, take(shot.settings, shot.number))
        self.responder.announce()
        return shots


def joined(phase: Sequence[codec.Packet]) -> bytes | None:
    """Check a data phase's packets and return what they carry; None if there are none."""
    if not phase:
        return None
    start, *pieces, end = phase
    assert isinstance(start, codec.StartData)
    assert isinstance(end, codec.EndData)
    assert all(isinstance(piece, codec.Data) for piece in pieces)
    data = b"".join(piece.payload for piece in (*pieces, end))
    assert len(data) == start.total
    return data


def u16(value: int) -> bytes:
    return struct.pack("<H", value)


def u32s(data: bytes | None) -> tuple[int, ...]:
    reader = codec.Reader(data or b"")
    values = reader.u32s()
    reader.end()
    return values


class SocketCaller:
    """A caller on a real socket; only as much as tests of the server need."""

    def __init__(self, port: int, event_port: int | None = None) -> None:
        self.command = socket.create_connection(("127.0.0.1", port), 20)
        self.event: socket.socket | None = None
        self._event_port = event_port or port
        self._inbox = bytearray()

    def __enter__(self) -> SocketCaller:
        return self

    def __exit__(self, *_: object) -> None:
        self.command.close()
        if self.event is not None:
            self.event.close()

    def begin(self) -> codec.Packet:
        """Ask for the command connection; if granted, open the event connection too. Returns the first answer."""
        self.say(codec.InitCommandRequest(b"0123456789abcdef", "test"))
        answer = self.hear()
        if isinstance(answer, codec.InitCommandAck):
            self.event = socket.create_connection(("127.0.0.1", self._event_port), 20)
            self.event.sendall(codec.encode(codec.InitEventRequest(answer.connection)))
            assert self.hear_event() == codec.InitEventAck()
        return answer

    def say(self, packet: codec.Packet) -> None:
        self.command.sendall(codec.encode(packet))

    def hear_event(self) -> codec.Packet:
        """Return the next packet on the event connection; nothing behind it is read."""
        assert self.event is not None
        inbox = bytearray()
        while (packet := codec.take_packet(inbox)) is None:
            inbox += self.event.recv(1)
        return packet

    def hear(self) -> codec.Packet:
        while (packet := codec.take_packet(self._inbox)) is None:
            data = self.command.recv(65536)
            if not data:
                raise EOFError("the camera closed the connection")
            self._inbox += data
        return packet

    def ask(self, code: int, transaction: int, *params: int) -> codec.CommandResponse:
        self.say(codec.CommandRequest(code, transaction, params))
        while not isinstance(packet := self.hear(), codec.CommandResponse):
            pass
        return packet
