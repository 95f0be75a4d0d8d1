"""Stand-ins for tests: a service that only has the socket's manners, and states and frames to show."""

from __future__ import annotations

import base64
import json
import math
import os
import select
import socket
import tempfile
import threading
from pathlib import Path
from typing import Any

Json = dict[str, Any]


class FakeService:
    """
    A service's socket for one folder, without a camera or any measuring: greets, broadcasts, notes requests.

    `requests` holds what came, in order; `came(n)` waits for the n-th. Each request gets an ok reply unless
    `reply` is replaced.
    """

    def __init__(self, folder: Path, state: Json | None = None) -> None:
        self.folder = folder
        self.state = state if state is not None else shoot_state(folder=str(folder))
        self.requests: list[Json] = []
        self.reply = lambda request: {"ok": True, "text": f"done: {request['do']}"}
        self._place = Path(tempfile.mkdtemp(prefix="lb"))
        self.path = self._place / "s"
        self._peers: list[socket.socket] = []
        self._change = threading.Condition()
        self._wake = os.pipe()
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._listener.bind(str(self.path))
        self._listener.listen()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        lock = {"pid": os.getpid(), "socket": str(self.path), "folder": str(folder)}
        (folder / ".lampblack.lock").write_text(json.dumps(lock))

    def __enter__(self) -> FakeService:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        if not self._thread.is_alive():
            return
        os.write(self._wake[1], b"x")
        self._thread.join()
        for peer in self._peers:
            peer.close()
        self._listener.close()
        for end in self._wake:
            os.close(end)
        self.path.unlink()
        self._place.rmdir()
        (self.folder / ".lampblack.lock").unlink()

    def say(self, event: Json) -> None:
        self.raw(json.dumps(event).encode() + b"\n")

    def raw(self, line: bytes) -> None:
        with self._change:
            peers = list(self._peers)
        for peer in peers:
            peer.sendall(line)

    def came(self, count: int = 1, timeout_s: float = 20.0) -> list[Json]:
        with self._change:
            assert self._change.wait_for(lambda: len(self.requests) >= count, timeout_s), self.requests
            return list(self.requests)

    def met(self, count: int = 1, timeout_s: float = 20.0) -> None:
        """Wait until `count` clients are connected."""
        with self._change:
            assert self._change.wait_for(lambda: len(self._peers) >= count, timeout_s)

    def _serve(self) -> None:
        buffers: dict[socket.socket, bytearray] = {}
        while True:
            ready, _, _ = select.select([self._listener, self._wake[0], *buffers], [], [])
            if self._wake[0] in ready:
                return
            for link in ready:
                if link is self._listener:
                    buffers[self._greet()] = bytearray()
                elif not self._take(link, buffers[link]):
                    del buffers[link]

    def _greet(self) -> socket.socket:
        peer, _ = self._listener.accept()
        hello = {"event": "hello", "protocol": 1, "state": self.state}
        peer.sendall(json.dumps(hello).encode() + b"\n")
        with self._change:
            self._peers.append(peer)
            self._change.notify_all()
        return peer

    def _take(self, peer: socket.socket, buffer: bytearray) -> bool:
        try:
            block = peer.recv(65536)
        except OSError:
            block = b""
        if not block:
            with self._change:
                self._peers.remove(peer)
            peer.close()
            return False
        buffer += block
        while (end := buffer.find(b"\n")) >= 0:
            request = json.loads(buffer[:end])
            del buffer[: end + 1]
            with self._change:  # first: whoever has the reply may look
                self.requests.append(request)
                self._change.notify_all()
            answer = {"event": "reply", "to": request["id"], **self.reply(request)}
            peer.sendall(json.dumps(answer).encode() + b"\n")
        return True


# --- things to show: glazed stoneware on black, one rim lamp that spills ---

LADDER = [
    2.8,
    3.2,
    3.5,
    4.0,
    4.5,
    5.0,
    5.6,
    6.3,
    7.1,
    8.0,
    9.0,
    10.0,
    11.0,
    13.0,
    14.0,
    16.0,
    18.0,
    20.0,
    22.0,
]


def preview(width: int = 96, height: int = 64, *, light: float = 1.0, spill: bool = True) -> Json:
    """Draw a bowl lit from the left before black, spill at the right edge, one glint; as the hub sends it."""
    rgb, marks = bytearray(), bytearray()
    for y in range(height):
        for x in range(width):
            level, mark = _pixel(x / width, y / height, light, spill)
            warm = (level, level * 0.86, level * 0.72)
            codes = [min(255, round(255 * min(1.0, max(0.0, v)) ** (1 / 2.2))) for v in warm]
            if codes[0] >= 254:
                mark |= 1
            rgb += bytes(codes)
            marks.append(mark)
    return {
        "width": width,
        "height": height,
        "rgb": base64.b64encode(bytes(rgb)).decode(),
        "marks": base64.b64encode(bytes(marks)).decode(),
    }


def _pixel(u: float, v: float, light: float, spill: bool) -> tuple[float, int]:
    dx, dy = (u - 0.45) / 0.27, (v - 0.55) / 0.33
    inside = dx * dx + dy * dy < 1 and v > 0.42
    foot = abs(u - 0.45) < 0.1 and 0.86 < v < 0.93
    if inside or foot:
        glint = math.exp(-(((u - 0.33) / 0.03) ** 2 + ((v - 0.56) / 0.05) ** 2))
        rim = math.exp(-(((u - 0.68) / 0.03) ** 2)) * 0.9
        return light * (0.04 + 0.42 * max(0.0, -dx * 0.8 + 0.5) + 1.1 * glint + rim * 0.8), 0
    if v > 0.9:
        return light * 0.05, 0
    over = light * 0.035 * math.exp(-(((1 - u) / 0.12) ** 2)) if spill else 0.0
    return 0.0008 * light + over, 4 | (2 if over > 0.006 else 0)


def verdict(number: int = 3, f_number: float = 11.0, **changes: Any) -> Json:
    """A verdict as the contract has it; `changes` replace top-level keys."""
    base: Json = {
        "file": f"bowls/{number:04d}.jpg",
        "frame": number,
        "setup": 2,
        "taken_at": "2026-03-02T10:15:22.40",
        "camera": "PTP/IP Camera",
        "lens": "50 mm",
        "exposure": {
            "f_number": f_number,
            "av": 7.0,
            "shutter_s": 1 / 60,
            "tv": 6.0,
            "iso": 200,
            "sv": 6.0,
            "ev100": 12.0,
        },
        "pixels": {"kind": "jpeg", "width": 6000, "height": 4000},
        "highlights": {
            "frame": 0.012,
            "subject": 0.0043,
            "channels": {"r": 0.0043, "g": 0.001, "b": 0.0},
            "broad": 0.0033,
            "specular": 0.001,
            "headroom_stops": -0.67,
        },
        "shadows": {"frame": 0.31, "subject": 0.02},
        "backdrop": {
            "tone": "black",
            "area": 0.52,
            "clean": False,
            "code": {"p50": 3, "p95": 11, "p99": 19, "max": 41},
            "stops_below_white": 5.1,
            "evenness_stops": 0.9,
            "spill": {"side": "right", "area": 0.08, "over_stops": 1.3},
        },
        "colour": {"cct_k": 3180, "mired": 314, "duv": 0.001, "a": 0.3, "b": 1.1, "from": "backdrop"},
        "steadiness": {"shift_px": [0.1, -0.2], "sharpness": 0.97, "banding": 0.0},
        "next": {
            "move": "close",
            "stops": -0.67,
            "f_number": 14.0,
            "why": "0.3 % of the bowl is clipped in a broad patch; ⅔ stop less brings it under the limit.",
        },
        "forecast": [
            {
                "f_number": f,
                "highlights_subject": round(0.2 / f**2, 5),
                "shadows_subject": round(0.0002 * f * f, 4),
                "backdrop_p99": round(200 / f),
                "shot": f in (4.0, 8.0, 11.0, 16.0),
            }
            for f in LADDER
        ],
        "notices": [
            {
                "kind": "spill",
                "text": "Light spills on the backdrop at the right: try a card between rim and backdrop.",
            }
        ],
    }
    return {**base, **changes}


def clean_backdrop(verdict_: Json) -> Json:
    """The same verdict with a clean backdrop and nothing left to do."""
    backdrop = {
        **verdict_["backdrop"],
        "clean": True,
        "code": {"p50": 1, "p95": 3, "p99": 4, "max": 7},
        "stops_below_white": 7.4,
        "spill": {"side": None, "area": 0.0, "over_stops": 0.0},
    }
    highlights = {
        **verdict_["highlights"],
        "subject": 0.0006,
        "broad": 0.0,
        "specular": 0.0006,
        "headroom_stops": 0.1,
    }
    step = {
        "move": "keep",
        "stops": 0.0,
        "f_number": 14.0,
        "why": "Highlights sit just under the limit and the backdrop is clean.",
    }
    return {**verdict_, "backdrop": backdrop, "highlights": highlights, "next": step, "notices": []}


def camera(**changes: Any) -> Json:
    base: Json = {
        "state": "ready",
        "text": "ready",
        "model": "PTP/IP Camera",
        "serial": "0001",
        "address": "ptpip:127.0.0.1:15740:15740",
        "f_number": 11.0,
        "f_numbers": LADDER,
        "shutter": "1/60",
        "shutter_s": 1 / 60,
        "iso": 200,
        "battery": 71,
    }
    return {**base, **changes}


def shoot_state(**changes: Any) -> Json:
    """A whole STATE: four frames of a bracket on black, the newest not clean yet."""
    row = [(1, 4.0, 2.0, 0.38, -3.3, 4.3), (2, 16.0, 0.35, 0.0, 1.1, 0.0), (3, 8.0, 1.3, 0.021, -1.7, 2.3)]
    row.append((4, 11.0, 0.8, 0.0043, -0.67, 1.3))
    frames = []
    for number, f_number, light, clipped, room, over in row:
        told = verdict(number, f_number)
        told["highlights"] |= {"subject": clipped, "broad": round(clipped * 0.75, 5), "headroom_stops": room}
        told["backdrop"] |= {"clean": over == 0.0, "spill": {"side": "right", "area": 0.08, "over_stops": over}}
        frames.append({"verdict": told, "preview": preview(light=light, spill=over > 0.0)})
    base: Json = {
        "folder": "/shoots/bowls",
        "aim": "hold-highlights",
        "backdrop": "auto",
        "service": {"state": "watching", "text": "watching"},
        "camera": camera(),
        "setup": {"number": 2, "name": "rim lower"},
        "frames": frames,
        "refused": [{"file": "bowls/0002.part.jpg", "error": "The file ends in mid-picture; copy it again."}],
        "counts": {"frames": 9, "refused": 1, "waiting": 0},
    }
    return {**base, **changes}
