"""The socket's other end: finding a service, its events whole, requests and their replies."""

from __future__ import annotations

import json
import os
import socket
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from fakes import FakeService
from hypothesis import given
from hypothesis import strategies as st

from lampblack.daemon.client import (
    Client,
    NoServiceError,
    Whereabouts,
    ask,
    folder_key,
    greet,
    locate,
    sockets,
    waiting_for,
)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[FakeService]:
    with FakeService(tmp_path) as fake:
        yield fake


def pair() -> tuple[Client, socket.socket]:
    ours, theirs = socket.socketpair()
    return Client(ours), theirs


def test_the_first_event_is_the_whole_state(service: FakeService) -> None:
    with Client.connect(service.folder) as client:
        (hello,) = client.receive(20)
    assert hello["event"] == "hello"
    assert hello["state"] == service.state


def test_ask_returns_the_reply_to_its_own_request(service: FakeService) -> None:
    reply = ask(service.folder, {"do": "status"}, 20)
    assert reply["ok"] is True
    assert reply["text"] == "done: status"
    assert service.requests == [{"do": "status", "id": reply["to"]}]


def test_greet_returns_the_state(service: FakeService) -> None:
    assert greet(service.folder, 20) == service.state


def test_events_around_a_reply_are_kept_in_order() -> None:
    client, service = pair()
    with service, client:
        lines = [
            {"event": "aim", "aim": "even"},
            {"event": "reply", "to": 1, "ok": True},
            {"event": "camera"},
        ]
        service.sendall(b"".join(json.dumps(line).encode() + b"\n" for line in lines))
        assert client.ask({"do": "fire"}, 20)["ok"] is True
        assert [event["event"] for event in client.receive(20)] == ["aim", "camera"]


def test_a_reply_to_somebody_else_is_not_taken() -> None:
    client, service = pair()
    with service, client:
        service.sendall(b'{"event": "reply", "to": 99, "ok": true}\n')
        with pytest.raises(TimeoutError):
            client.ask({"do": "fire"}, 0.05)
        assert client.waiting
        assert client.receive()[0]["to"] == 99


def test_nothing_new_is_an_empty_list() -> None:
    client, service = pair()
    with service, client:
        assert client.receive(0) == []


@given(st.lists(st.integers(1, 40), max_size=30))
def test_any_slicing_of_the_stream_gives_the_same_events(cuts: list[int]) -> None:
    """Half lines wait for their other half; a multi-byte letter cut in two arrives whole."""
    events = [
        {"event": "aim", "aim": "⅔ even"},
        {"event": "service", "n": 1},
        {"event": "aim", "aim": "x" * 50},
    ]
    stream = b"".join(json.dumps(e, ensure_ascii=False).encode() + b"\n" for e in events)
    client, service = pair()
    got = []
    with service, client:
        for size in cuts:
            service.sendall(stream[:size])
            stream = stream[size:]
            got += client.receive(0)
        service.sendall(stream)
        while len(got) < len(events):
            got += client.receive(20)
    assert got == events


@pytest.mark.parametrize("junk", [b"\n", b"[1]\n", b"\xff\xfe\n", b"{\n", b"[" * 100_000 + b"\n", b"null\n"])
def test_a_line_that_is_no_object_is_passed_over(junk: bytes) -> None:
    client, service = pair()

    def speak() -> None:
        service.sendall(junk + b'{"event": "aim"}\n')

    with service, client:
        speaker = threading.Thread(target=speak)
        speaker.start()
        got = client.receive(20)
        speaker.join()
    assert got == [{"event": "aim"}]


def test_a_service_that_goes_hands_over_its_last_words_first() -> None:
    client, service = pair()
    with client:
        service.sendall(b'{"event": "service"}\n{"event": "cut')
        service.close()
        assert client.receive(20) == [{"event": "service"}]
        with pytest.raises(NoServiceError):
            client.receive(20)
        with pytest.raises(NoServiceError):
            client.send({"do": "fire"})


def test_no_lock_file_means_no_service(tmp_path: Path) -> None:
    with pytest.raises(NoServiceError, match=r"No service is watching .*\."):
        ask(tmp_path, {"do": "status"}, 1)


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "7", '{"pid": 1}', '{"socket": 5}', '{"socket": ""}', '{"socket": "a\\u0000b"}']
)
def test_a_lock_file_that_does_not_read_means_no_service(tmp_path: Path, text: str) -> None:
    (tmp_path / ".lampblack.lock").write_text(text)
    with pytest.raises(NoServiceError):
        locate(tmp_path)


def test_a_fifo_or_link_as_lock_file_does_not_block(tmp_path: Path) -> None:
    lock = tmp_path / ".lampblack.lock"
    os.mkfifo(lock)
    with pytest.raises(NoServiceError):
        locate(tmp_path)
    lock.unlink()
    (tmp_path / "other").write_text('{"socket": "/nowhere"}')
    lock.symlink_to(tmp_path / "other")
    with pytest.raises(NoServiceError):
        locate(tmp_path)


def test_a_lock_file_left_by_a_dead_service_means_no_service(tmp_path: Path) -> None:
    (tmp_path / ".lampblack.lock").write_text(json.dumps({"pid": 1, "socket": str(tmp_path / "gone")}))
    assert locate(tmp_path).pid == 1
    with pytest.raises(NoServiceError):
        Client.connect(tmp_path)


def test_the_socket_of_another_owner_is_not_trusted(service: FakeService, monkeypatch: pytest.MonkeyPatch) -> None:
    owner = os.geteuid()
    monkeypatch.setattr(os, "geteuid", lambda: owner + 1)
    with pytest.raises(NoServiceError):
        Client.connect(service.folder)


def test_a_dead_services_socket_leads_to_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Though a process of that number lives: by now it is somebody else, whom no `stop` may end."""
    with tempfile.TemporaryDirectory(prefix="lb") as run_files:
        monkeypatch.setenv("XDG_RUNTIME_DIR", run_files)
        (Path(run_files) / "lampblack").mkdir(mode=0o700)
        place = Path(run_files) / "lampblack" / f"{folder_key(tmp_path)}-{os.getpid()}.sock"
        with socket.socket(socket.AF_UNIX) as dead:
            dead.bind(str(place))
            assert sockets(folder_key(tmp_path)) == [(place, os.getpid())]
            assert waiting_for(tmp_path) is None
            dead.listen()
            assert waiting_for(tmp_path) == Whereabouts(tmp_path, place, os.getpid())
            with Client.connect(tmp_path) as client:
                assert client.where == Whereabouts(tmp_path, place, os.getpid())
