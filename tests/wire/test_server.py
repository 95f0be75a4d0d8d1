"""The sockets around the responder: nothing sent to them ends the camera, and nothing of it is left behind."""

from __future__ import annotations

import os
import random
import socket
import threading
from pathlib import Path

import pytest
from caller import SocketCaller, content, sized, take, u32s

from lampblack.mock_camera import codec
from lampblack.mock_camera.body import Body, Card
from lampblack.mock_camera.codec import Answer, InitCommandAck, InitFail, Operation
from lampblack.mock_camera.responder import STORAGE
from lampblack.mock_camera.server import MAX_LINKS, Server


def still_there(server: Server) -> bool:
    """Return whether a caller is served, once those before it are gone."""
    with SocketCaller(server.port, server.event_port) as it:
        answer = it.begin()
        return isinstance(answer, InitCommandAck) and it.ask(Operation.OPEN_SESSION, 1, 1).code == Answer.OK


def eventually_there(server: Server) -> bool:
    """Wait until the camera has noticed that earlier callers went; at most so many turns of it."""
    return any(still_there(server) or server.do(lambda body: False) for _ in range(100))


def all_of(link: socket.socket) -> bytes:
    data = b""
    try:
        while piece := link.recv(65536):
            data += piece
    except ConnectionResetError:
        pass
    return data


def test_it_listens_on_loopback_alone() -> None:
    with Server(Body(), take) as server:
        assert server._listeners[0].getsockname()[0] == "127.0.0.1"
        assert still_there(server)


def test_a_taken_port_is_an_error_at_once_and_leaks_nothing() -> None:
    with Server(Body(), take) as server, pytest.raises(OSError, match="in use"):
        Server(Body(), take, port=server.port)


def test_random_bytes_never_end_it() -> None:
    noise = random.Random(20260302)
    hello = codec.encode(codec.InitCommandRequest(b"0123456789abcdef", "test"))
    with Server(Body(), take) as server:
        for turn in range(150):
            with socket.create_connection(("127.0.0.1", server.port), 20) as link:
                if turn % 3 == 0:
                    link.sendall(hello)
                link.sendall(noise.randbytes(noise.randrange(1, 400)))
                if turn % 2:
                    link.shutdown(socket.SHUT_WR)
                    all_of(link)
        assert eventually_there(server)


def test_random_bytes_in_a_session_end_that_session_alone() -> None:
    noise = random.Random(7)
    with Server(Body(), take) as server:
        for turn in range(40):
            with SocketCaller(server.port) as it:
                while not isinstance(it.begin(), InitCommandAck):
                    it.command.close()
                    it.command = socket.create_connection(("127.0.0.1", server.port), 20)
                it.ask(Operation.OPEN_SESSION, 1, 1)
                assert it.event is not None
                # A first byte this high makes a length that is refused at once.
                nonsense = noise.randbytes(3) + b"\xff" + noise.randbytes(noise.randrange(4, 100))
                (it.command, it.event)[turn % 2].sendall(nonsense)
                all_of(it.command)
                all_of(it.event)
        assert eventually_there(server)


def test_callers_that_vanish_in_mid_transfer_leave_no_trace() -> None:
    with Server(Body(), sized(2_000_000)) as server:
        shoot(server)
        for _ in range(5):
            with SocketCaller(server.port) as it:
                while not isinstance(it.begin(), InitCommandAck):
                    it.command.close()
                    it.command = socket.create_connection(("127.0.0.1", server.port), 20)
                it.ask(Operation.OPEN_SESSION, 1, 1)
                it.say(codec.CommandRequest(Operation.GET_OBJECT, 2, (3,)))
                it.command.recv(1000)
        assert eventually_there(server)


def test_too_many_connections_are_closed_and_the_session_goes_on() -> None:
    with Server(Body(), take) as server, SocketCaller(server.port) as it:
        it.begin()
        idle = [socket.create_connection(("127.0.0.1", server.port), 20) for _ in range(MAX_LINKS)]
        assert all_of(idle[-1]) == b""
        assert server.do(lambda body: len(server._links)) == MAX_LINKS
        assert it.ask(Operation.OPEN_SESSION, 1, 1).code == Answer.OK
        for link in idle:
            link.close()


def test_a_second_session_hears_why_it_is_refused() -> None:
    with Server(Body(), take) as server, SocketCaller(server.port) as it, SocketCaller(server.port) as second:
        it.begin()
        assert second.begin() == InitFail(codec.Refusal.BUSY)
        assert all_of(second.command) == b""


def shoot(server: Server) -> None:
    """Press the button and wait until the frame lies on the card."""
    before = server.do(lambda body: len(body.card.items))
    server.do(lambda body: body.press())
    while server.do(lambda body: len(body.card.items)) == before:
        pass


def test_asleep_it_refuses_connections_and_keeps_its_port() -> None:
    with Server(Body(), take) as server:
        server.do(lambda body: body.sleep())
        for _ in range(3):
            with pytest.raises(ConnectionRefusedError):
                socket.create_connection(("127.0.0.1", server.port), 20)
        with socket.socket() as other, pytest.raises(OSError, match="in use"):
            other.bind(("127.0.0.1", server.port))
        server.do(lambda body: body.wake())
        assert still_there(server)


def test_sleep_drops_those_connected() -> None:
    with Server(Body(), take) as server, SocketCaller(server.port) as it:
        it.begin()
        server.do(lambda body: body.sleep())
        assert all_of(it.command) == b""
        assert it.event is not None
        assert all_of(it.event) == b""


def test_frames_are_reported_by_name_and_lie_in_the_cards_memory(tmp_path: Path) -> None:
    told = []
    with open(tmp_path / "card", "w+b") as memory:
        card = Card(memory)
        with Server(
            Body(card, formats=("dng", "jpeg")), take, on_frame=lambda shot, items, made: told.append((shot, items))
        ) as server:
            shoot(server)
            with SocketCaller(server.port) as it:
                it.begin()
                it.ask(Operation.OPEN_SESSION, 1, 1)
                it.say(codec.CommandRequest(Operation.GET_OBJECT_HANDLES, 2, (STORAGE, 0, 0)))
                it.hear()
                assert u32s(it.hear().payload) == (1, 2, 3, 4)
        ((shot, items),) = told
        assert (shot.number, [item.name for item in items]) == (1, ["KILN0001.DNG", "KILN0001.JPG"])
    assert (tmp_path / "card").read_bytes() == content(1, "dng") + content(1, "jpeg")


def test_a_slow_darkroom_keeps_nobody_waiting() -> None:
    """While a frame is made the camera answers; the frame follows."""
    may_go_on = threading.Event()

    def make(settings, number):
        may_go_on.wait(60)
        return take(settings, number)

    with Server(Body(), make) as server, SocketCaller(server.port) as it:
        it.begin()
        it.ask(Operation.OPEN_SESSION, 1, 1)
        assert it.ask(Operation.INITIATE_CAPTURE, 2, 0, 0).code == Answer.OK
        assert it.ask(Operation.GET_NUM_OBJECTS, 3, STORAGE).params == (2,)  # the folders
        may_go_on.set()
        assert it.hear_event() == codec.Event(codec.Happening.OBJECT_ADDED, 2, (3,))


def test_the_end_waits_for_the_frame_in_hand_and_for_no_other() -> None:
    made, in_hand, may_go_on = [], threading.Event(), threading.Event()

    def make(settings, number):
        in_hand.set()
        may_go_on.wait(60)
        made.append(number)
        return take(settings, number)

    with Server(Body(), make) as server:
        for _ in range(3):
            server.do(lambda body: body.press())
            while server.do(lambda body: body._exposing is not None):
                pass
        assert in_hand.wait(60)
        server._stopping = True  # as leaving the block does first of all
        may_go_on.set()
    assert made == [1]


def test_a_failing_darkroom_is_no_quiet_camera() -> None:
    def make(settings, number):
        raise ZeroDivisionError("no light")

    def press_and_wait(server: Server) -> None:
        with server:
            server.do(lambda body: body.press())
            server.wait()

    server = Server(Body(), make)
    with pytest.raises(ZeroDivisionError):
        press_and_wait(server)
    with pytest.raises(RuntimeError, match="stopped"):
        server.do(lambda body: body.press())


def test_orders_hand_back_what_they_raise() -> None:
    with Server(Body(), take) as server:
        with pytest.raises(KeyError):
            server.do(lambda body: body.dial("nothing", 1))
        with pytest.raises(KeyError):
            server.in_darkroom(lambda: {}["nothing"])
        assert still_there(server)


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="no list of open descriptors here")
def test_it_leaves_no_descriptor_and_no_thread() -> None:
    before = (sorted(os.listdir("/proc/self/fd")), threading.active_count())
    for _ in range(3):
        with Server(Body(), take, event_port=0) as server:
            still_there(server)
            server.do(lambda body: body.sleep())
            server.do(lambda body: body.wake())
            shoot(server)
    assert (sorted(os.listdir("/proc/self/fd")), threading.active_count()) == before
