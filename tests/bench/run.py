"""
What a run adds to the camera's own time, frame by frame.

    python tests/bench/run.py [--runs N] [--megapixels 24]

The mock camera hands out ready frames, so that making them costs nothing. Bare: libgphoto2 alone sets the aperture,
fires, waits for the file and takes it over, for each frame. Run: the same three apertures by `lampblack bracket`, and
by its aim, from the request until the camera stands as it stood; every frame is measured meanwhile.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from lampblack.daemon.client import Client
from lampblack.mock_camera.body import Body, Card, Exposed, Settings
from lampblack.mock_camera.server import Server
from lampblack.mock_camera.studio import Studio

sys.path += [str(Path(__file__).parents[1] / "wire"), str(Path(__file__).parent)]
from gphoto import Gphoto
from latency import with_grain

BAR_S = 0.5
"""A frame, over the camera's own exposure and transfer."""
APERTURES = (16.0, 8.0, 4.0)


def main() -> None:
    """Print what each way takes for a frame, and what the run adds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--megapixels", type=float, default=24)
    args = parser.parse_args()
    ready = {n: shot(n, args.megapixels) for n in APERTURES}
    with tempfile.TemporaryDirectory() as place:
        bare = [by_libgphoto2(ready, Path(place) / f"home{n}") for n in range(args.runs)]
        took = [by_a_run(ready, Path(place) / f"run{n}") for n in range(args.runs)]
    own, whole = statistics.median(bare), statistics.median(took)
    size = sum(map(len, ready.values())) / 3e6
    print(f"{args.megapixels:g} MP, {size:.1f} MB a frame: camera and transfer alone {own:.2f} s a frame, ", end="")
    print(f"in a run of 3 {whole:.2f} s: {whole - own:.2f} s over it (bar {BAR_S} s)", flush=True)


def shot(f_number: float, megapixels: float) -> bytes:
    """Return a grainy frame at an aperture."""
    body = Body()
    body.dial("f_number", f_number)
    return with_grain(Studio(seed=1).photograph(body.settings, 1, megapixels).files[0][1])


@contextlib.contextmanager
def camera(ready: dict[float, bytes]) -> Iterator[Server]:
    """A mock camera that has these frames ready; each is another file."""
    numbers = itertools.count(1)

    def take(settings: Settings, number: int) -> Exposed:
        return Exposed((("JPG", ready[settings.f_number] + next(numbers).to_bytes(8, "big")),), {})

    with Server(Body(Card()), take) as server:
        yield server


def by_libgphoto2(ready: dict[float, bytes], home: Path) -> float:
    """Return the seconds a frame, with libgphoto2 alone."""
    with camera(ready) as server, Gphoto(home) as lg:
        lg.call("connect", address=server.address)
        begun = time.perf_counter()
        for n in ready:
            lg.call("set", name="f-number", value=f"f/{n:g}")
            for path in lg.shoot():
                lg.download(path)
        took = time.perf_counter() - begun
        lg.call("exit")
    return took / len(ready)


def by_a_run(ready: dict[float, bytes], place: Path) -> float:
    """Return the seconds a frame, by a run of a real service."""
    place.mkdir()
    with camera(ready) as server:
        command = [sys.executable, "-m", "lampblack.daemon.cli", "watch", "--foreground", "--json"]
        service = subprocess.Popen([*command, "--camera", server.address, str(place)], stdout=subprocess.PIPE)
        assert service.stdout is not None
        service.stdout.readline()
        client = Client.connect(place)
        try:
            until(client, "camera", lambda event: event["camera"]["state"] == "ready")
            begun = time.perf_counter()
            client.send({"do": "bracket", "at": list(ready)})
            end = until(client, "run", lambda event: event["run"]["state"] == "ended")
            took = time.perf_counter() - begun
            assert len(end["run"]["taken"]) == len(ready), end
        finally:
            client.close()
            service.terminate()
            service.communicate()
    return took / len(ready)


def until(client: Client, kind: str, holds: Any) -> Any:
    """Return the first event of a kind for which something holds."""
    while True:
        for event in client.receive(0.05):
            if event["event"] == kind and holds(event):
                return event


if __name__ == "__main__":
    main()
