"""
The camera on loopback: sockets and time around the responder, and a darkroom thread that makes the pictures.

One thread owns responder and body; others reach them by `Server.do`. Everything a caller asks is answered at
once: exposures pass by ticks, pictures are made elsewhere, and both are told by events.
"""

from __future__ import annotations

import contextlib
import math
import queue
import selectors
import socket
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from types import TracebackType
from typing import Self, TypeVar

from lampblack.mock_camera.body import Body, CardItem, Exposed, Settings, Shot
from lampblack.mock_camera.codec import PeerError
from lampblack.mock_camera.responder import Responder

LOOPBACK = "127.0.0.1"
MAX_LINKS = 16
_CHUNK = 256 * 1024
_MOVING_S = 0.005
_RESTING_S = 0.1
_IN, _OUT = selectors.EVENT_READ, selectors.EVENT_WRITE

_VIEW_S = 0.2
"""Between two pictures of what the lens sees."""

Take = Callable[[Settings, int], Exposed]
"""Makes a frame: its settings and number in, its files out. Called in the darkroom thread."""
View = Callable[[Settings], bytes]
"""Makes a small JPEG of what the lens sees now. Called in the darkroom thread."""
OnFrame = Callable[[Shot, list[CardItem], Exposed], None]
_T = TypeVar("_T")


class Server:
    """
    A camera that listens on 127.0.0.1 while the `with` block lasts.

    Args:
        body: the camera; touched only by this server's thread from then on.
        take: makes the frames.
        port: where to listen; 0 picks a free port.
        event_port: a second port for the event connection, 0 picks one; None: the same port for both.
        on_frame: told of each frame on the card, before anybody is told by PTP; in the server's thread.
        view: makes what the lens sees, for a camera that shows it without a shot; None: it doesn't.
        on_failure: called when the camera dies of a mistake of its own; leaving the block then raises it.

    Raises:
        OSError: the port is taken.
    """

    def __init__(
        self,
        body: Body,
        take: Take,
        *,
        port: int = 0,
        event_port: int | None = None,
        on_frame: OnFrame | None = None,
        view: View | None = None,
        on_failure: Callable[[], None] = lambda: None,
    ) -> None:
        self._responder = Responder(body, shows=view is not None)
        self._body = body
        self._take = take
        self._on_frame = on_frame
        self._view = view
        self._view_due_s = 0.0
        """When the next view is to be made; never, while one is."""
        self._on_failure = on_failure
        self._selector = selectors.DefaultSelector()
        self._links: dict[socket.socket, int] = {}
        self._opened = 0
        self._orders: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._darkroom: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._to_tell: list[Callable[[], None]] = []
        """Orders carried out whose givers are told at the end of the turn."""
        self._failure: BaseException | None = None
        self._stopping = False
        self._listening = False
        self._bell, self._bell_rope = socket.socketpair()
        self._bell.setblocking(False)
        self._bell_rope.setblocking(False)
        self._selector.register(self._bell, _IN)
        self._listeners: list[socket.socket] = []
        try:
            for wanted in (port,) if event_port is None else (port, event_port):
                self._listeners.append(_bound(wanted))
            self.port, self.event_port = self._port_of(0), self._port_of(-1)
            self._listen()
        except BaseException:
            self._close_sockets()
            raise
        self._threads = (
            threading.Thread(target=self._serve, name="camera"),
            threading.Thread(target=self._develop, name="darkroom"),
        )

    def _port_of(self, place: int) -> int:
        return int(self._listeners[place].getsockname()[1])

    @property
    def address(self) -> str:
        """Return the address as libgphoto2 wants it: host, command port, event port."""
        return f"ptpip:{LOOPBACK}:{self.port}:{self.event_port}"

    def __enter__(self) -> Self:
        """Begin to serve."""
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop, close everything, and raise whatever the server's threads died of."""
        self._stopping = True
        self._ring()
        self._darkroom.put(None)
        for thread in self._threads:
            thread.join()
        if self._failure is not None and error is None:
            raise self._failure

    def do(self, act: Callable[[Body], _T], timeout_s: float = 30.0) -> _T:
        """
        Do something with the body, from any thread: what a hand on the camera would do.

        Returns when the network shows it too: after `Body.wake`, say, the camera can be reached.

        Raises:
            RuntimeError: the camera is no more.
        """
        if not self._threads[0].is_alive():
            raise RuntimeError("the camera has stopped")
        done: Future[_T] = Future()
        self._order(lambda: self._to_tell.append(_carry_out(done, lambda: act(self._body))))
        return done.result(timeout_s)

    def in_darkroom(self, act: Callable[[], _T], timeout_s: float = 120.0) -> _T:
        """Do something between two frames, in the thread that makes them: whatever changes their light."""
        done: Future[_T] = Future()

        def job() -> None:
            _carry_out(done, act)()

        self._darkroom.put(job)
        return done.result(timeout_s)

    def wait(self) -> None:
        """Wait until the server stops; only a failure of its own makes it."""
        self._threads[0].join()

    # ---------------------------------------------------------------------------------- the two threads

    def _develop(self) -> None:
        while (job := self._darkroom.get()) is not None and not self._stopping:
            job()

    def _serve(self) -> None:
        try:
            before = time.monotonic()
            while not self._stopping:
                busy = self._body.in_motion
                for key, mask in self._selector.select(_MOVING_S if busy else _RESTING_S):
                    self._handle(key, mask)
                while not self._orders.empty():
                    self._orders.get()()
                now = time.monotonic()
                for shot in self._responder.tick(now - before):
                    self._expose(shot)
                before = now
                self._keep_view(now)
                self._move_all()
                while self._to_tell:
                    self._to_tell.pop()()
        except BaseException as error:  # kept for whoever ends the server: a bug must not pass for a quiet camera
            self._failure = error
            self._on_failure()
        finally:
            self._close_sockets()

    def _expose(self, shot: Shot) -> None:
        """Have a frame made in the darkroom, and its files put on the card here."""

        def develop() -> None:
            made: Future[Exposed] = Future()
            _carry_out(made, lambda: self._take(shot.settings, shot.number))()
            self._order(lambda: self._keep_frame(shot, made))

        self._darkroom.put(develop)

    def _keep_frame(self, shot: Shot, made: Future[Exposed]) -> None:
        exposed = made.result()
        items = self._body.record(shot, exposed)
        if self._on_frame is not None:
            self._on_frame(shot, items, exposed)

    def _keep_view(self, now: float) -> None:
        """Have a view made in the darkroom, now and then, while somebody wants to see."""
        view = self._view
        if view is None or not self._body.showing or now < self._view_due_s:
            return
        settings, made = self._body.settings, Future[bytes]()
        self._view_due_s = math.inf

        def keep() -> None:
            self._view_due_s = time.monotonic() + _VIEW_S
            if self._body.showing:
                self._body.view = made.result()

        def look() -> None:
            _carry_out(made, lambda: view(settings))()
            self._order(keep)

        self._darkroom.put(look)

    def _order(self, order: Callable[[], None]) -> None:
        self._orders.put(order)
        self._ring()

    def _ring(self) -> None:
        # A full pipe already wakes the other end; a closed one has nobody left to wake.
        with contextlib.suppress(OSError):
            self._bell_rope.send(b"\0")

    # ------------------------------------------------------------------------------------------ sockets

    def _handle(self, key: selectors.SelectorKey, mask: int) -> None:
        if key.fileobj is self._bell:
            self._bell.recv(4096)
        elif key.fileobj in self._listeners:
            self._accept(key.fileobj)
        elif mask & _IN and key.fileobj in self._links:
            self._receive(key.fileobj)

    def _accept(self, listener: socket.socket) -> None:
        try:
            link, _ = listener.accept()
        except OSError:
            return  # gone again before we came to it
        if len(self._links) >= MAX_LINKS:
            link.close()
            return
        link.setblocking(False)
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._opened += 1
        self._links[link] = self._opened
        self._responder.open(self._opened)
        self._selector.register(link, _IN)

    def _receive(self, link: socket.socket) -> None:
        try:
            data = link.recv(_CHUNK)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._close(link)
            return
        # The responder has already dropped what it had for that caller and marked its links for closing.
        with contextlib.suppress(PeerError):
            self._responder.receive(self._links[link], data)

    def _move_all(self) -> None:
        """Send what there is, close what is over, and listen or not as the body is awake or not."""
        for link in list(self._links):
            if link in self._links:
                self._send(link)
        if self._body.asleep == self._listening:
            (self._stop_listening if self._body.asleep else self._listen)()

    def _send(self, link: socket.socket) -> None:
        # One chunk a turn: a caller that takes a big object keeps nobody else waiting.
        number = self._links[link]
        try:
            self._responder.sent(number, link.send(self._responder.outgoing(number, _CHUNK)))
        except BlockingIOError:
            pass
        except OSError:
            self._close(link)
            return
        if self._responder.is_over(number):
            self._close(link)
        else:
            self._selector.modify(link, _IN | _OUT if self._responder.outgoing(number, 1) else _IN)

    def _close(self, link: socket.socket) -> None:
        number = self._links.pop(link)
        self._selector.unregister(link)
        link.close()
        self._responder.closed(number)

    def _listen(self) -> None:
        for listener in self._listeners:
            listener.listen()
            listener.setblocking(False)
            self._selector.register(listener, _IN)
        self._listening = True

    def _stop_listening(self) -> None:
        """Refuse connections, but keep the ports: nobody else may have them while the camera sleeps."""
        for place, listener in enumerate(self._listeners):
            self._selector.unregister(listener)
            port = self._port_of(place)
            listener.close()
            self._listeners[place] = _bound(port)
        self._listening = False

    def _close_sockets(self) -> None:
        for link in (*self._links, *self._listeners, self._bell, self._bell_rope):
            link.close()
        self._links.clear()
        self._selector.close()


def _bound(port: int) -> socket.socket:
    """Return a socket bound to a port of this machine alone, not yet listening."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        # Without it a camera could not wake, or start anew, while old connections still wind down.
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((LOOPBACK, port))
    except BaseException:
        made.close()
        raise
    return made


def _carry_out(done: Future[_T], act: Callable[[], _T]) -> Callable[[], None]:
    """Run something; returns what tells whoever waits what it gave or raised."""
    try:
        result = act()
    except BaseException as error:
        failure = error  # the name `error` ends with this block
        return lambda: done.set_exception(failure)
    return lambda: done.set_result(result)
