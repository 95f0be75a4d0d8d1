"""
libgphoto2 in a process of its own, driven by JSON lines on standard input; see `gphoto.py`.

It may crash, it holds the GIL, and it keeps state in statics: so each test has a fresh one.
"""

from __future__ import annotations

import json
import os
import time
from typing import Any

import gphoto2 as gp

CHOOSING = (gp.GP_WIDGET_RADIO, gp.GP_WIDGET_MENU)
EVENTS = {
    gp.GP_EVENT_FILE_ADDED: "file",
    gp.GP_EVENT_FOLDER_ADDED: "folder",
    gp.GP_EVENT_CAPTURE_COMPLETE: "complete",
    gp.GP_EVENT_UNKNOWN: "unknown",
}
PAUSE_S = 0.005
"""Over PTP/IP wait_for_event returns at once, whatever it is told: a loop needs a pause of its own."""


class Driver:
    def __init__(self) -> None:
        self.camera: Any = None

    def connect(self, address: str) -> None:
        ports = gp.PortInfoList()
        ports.load()
        abilities = gp.CameraAbilitiesList()
        abilities.load()
        self.camera = gp.Camera()
        self.camera.set_abilities(abilities[abilities.lookup_model("PTP/IP Camera")])
        self.camera.set_port_info(ports[ports.lookup_path(address)])
        self.camera.init()

    def exit(self) -> None:
        self.camera.exit()
        self.camera = None

    def forget(self) -> None:
        """Let go of a camera that answers no more."""
        self.camera = None

    def model(self) -> str:
        return str(self.camera.get_abilities().model)

    def summary(self) -> str:
        return str(self.camera.get_summary())

    def dials(self) -> dict[str, Any]:
        found: dict[str, Any] = {}

        def walk(widget: Any) -> None:
            if widget.get_type() not in (gp.GP_WIDGET_WINDOW, gp.GP_WIDGET_SECTION):
                found[widget.get_name()] = described(widget)
            for place in range(widget.count_children()):
                walk(widget.get_child(place))

        walk(self.camera.get_config())
        return found

    def get(self, name: str) -> dict[str, Any]:
        return described(self.camera.get_single_config(name))

    def set(self, name: str, value: str) -> str:
        widget = self.camera.get_single_config(name)
        widget.set_value(value)
        self.camera.set_single_config(name, widget)
        return str(self.camera.get_single_config(name).get_value())

    def trigger(self) -> None:
        self.camera.trigger_capture()

    def view(self) -> str:
        """Return what the lens sees without a shot, in hexadecimal."""
        file = self.camera.capture_preview()  # its bytes live only as long as it
        return bytes(file.get_data_and_size()).hex()

    def capture(self) -> list[str]:
        path = self.camera.capture(gp.GP_CAPTURE_IMAGE)
        return [path.folder, path.name]

    def events(self, until: str = "", count: int = 1, limit_s: float = 30.0) -> list[list[Any]]:
        """Collect events until `count` of a kind have come (or one failed); without a kind, for `limit_s`."""
        heard: list[list[Any]] = []
        end = time.monotonic() + limit_s
        while time.monotonic() < end and sum(kind == until for kind, *_ in heard) < count:
            kind, data = self.camera.wait_for_event(50)
            if kind == gp.GP_EVENT_TIMEOUT:
                time.sleep(PAUSE_S)
            elif kind in (gp.GP_EVENT_FILE_ADDED, gp.GP_EVENT_FOLDER_ADDED):
                heard.append([EVENTS[kind], data.folder, data.name])
            else:
                heard.append([EVENTS[kind], data])
        return heard

    def download(self, folder: str, name: str, to: str) -> None:
        self.camera.file_get(folder, name, gp.GP_FILE_TYPE_NORMAL).save(to)

    def files(self, folder: str = "/") -> list[str]:
        listing = self.camera.folder_list_files(folder)
        found = [f"{folder.rstrip('/')}/{listing.get_name(i)}" for i in range(listing.count())]
        below = self.camera.folder_list_folders(folder)
        for place in range(below.count()):
            found += self.files(f"{folder.rstrip('/')}/{below.get_name(place)}")
        return found

    def storage(self) -> list[int]:
        (card,) = self.camera.get_storageinfo()
        return [card.capacitykbytes, card.freekbytes, card.freeimages]


def described(widget: Any) -> dict[str, Any]:
    choosing = widget.get_type() in CHOOSING
    return {
        "value": str(widget.get_value()),
        "choices": [widget.get_choice(i) for i in range(widget.count_choices())] if choosing else None,
        "read_only": bool(widget.get_readonly()),
    }


def keep_descriptor_0() -> None:
    """
    Have something harmless at descriptor 0.

    On leaving a PTP/IP camera libgphoto2 2.5.34 closes descriptor 0, which it never opened (seen in
    /proc/self/fd). Left free, the next file or socket gets that number and is closed when its turn comes.
    """
    try:
        os.fstat(0)
    except OSError:
        os.open(os.devnull, os.O_RDONLY)


def main() -> None:
    driver = Driver()
    lines = os.fdopen(os.dup(0))
    for line in lines:
        name, how = json.loads(line)
        try:
            answer = {"result": getattr(driver, name)(**how)}
        except gp.GPhoto2Error as error:
            answer = {"code": error.code, "error": error.string}
        keep_descriptor_0()
        print(json.dumps(answer), flush=True)


main()
