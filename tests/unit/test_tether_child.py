"""
The camera's process against bodies that no simulator here plays: other makers' dials, and their moods.

A stand-in for libgphoto2 does what the bug reports say of real bodies; the real library is in `tests/chain`.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import queue
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from PIL import Image

from lampblack.daemon import camera_body, camera_child
from lampblack.daemon.camera_body import holder_of, too_old
from lampblack.daemon.camera_child import Child, Lost, Memory, Stopping
from lampblack.daemon.landing import CardFile
from lampblack.daemon.tether import NO_CAMERA

DEADLINE_S = 20.0
FOLDER = "/store/DCIM/100X"
RADIO, TOGGLE, RANGE, TEXT, WINDOW = 5, 4, 3, 2, 0
TIMEOUT, FILE_ADDED, COMPLETE = 1, 2, 4


class LibraryError(Exception):
    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


class Widget:
    def __init__(self, name: str, kind: int, value: Any, choices: Any = (), readonly: bool = False) -> None:
        self.name, self.kind, self.value, self.choices, self.readonly = name, kind, value, choices, readonly

    def get_name(self) -> str:
        return self.name

    def get_type(self) -> int:
        return self.kind

    def get_value(self) -> Any:
        return self.value

    def set_value(self, value: Any) -> None:
        self.value = value

    def get_choices(self) -> list[str]:
        return list(self.choices)

    def get_range(self) -> tuple[float, float, float]:
        return self.choices  # type: ignore[no-any-return]

    def get_readonly(self) -> bool:
        return self.readonly


class Tree(list[Widget]):
    def get_type(self) -> int:
        return WINDOW

    def count_children(self) -> int:
        return len(self)

    def get_child(self, index: int) -> Widget:
        return self[index]


class Body:
    """A body as libgphoto2 shows it; tests bend single methods."""

    def __init__(self, *widgets: Widget) -> None:
        self.widgets = {widget.name: widget for widget in widgets}
        self.files: dict[str, bytes] = {}
        self.events: queue.SimpleQueue[tuple[int, Any]] = queue.SimpleQueue()
        self.closed = 0
        self.operations, self.views = 0, [b""]
        self.stores = [SimpleNamespace(fields=0, capacitykbytes=0)]

    def get_abilities(self) -> SimpleNamespace:
        return SimpleNamespace(operations=self.operations)

    def capture_preview(self) -> SimpleNamespace:
        view = self.views.pop(0) if len(self.views) > 1 else self.views[0]
        if isinstance(view, int):
            raise LibraryError(view)
        return SimpleNamespace(get_data_and_size=lambda: memoryview(view))

    def init(self) -> None: ...

    def exit(self) -> None:
        self.closed += 1

    def set_abilities(self, _: object) -> None: ...

    def set_port_info(self, _: object) -> None: ...

    def get_config(self) -> Tree:
        return Tree(self.widgets.values())

    def get_single_config(self, name: str) -> Widget:
        held = self.widgets[name]
        return Widget(held.name, held.kind, held.value, held.choices, held.readonly)

    def set_single_config(self, name: str, widget: Widget) -> None:
        self.widgets[name].value = widget.value

    def get_storageinfo(self) -> list[Any]:
        return self.stores

    def wait_for_event(self, _: int) -> tuple[int, Any]:
        with contextlib.suppress(queue.Empty):
            return self.events.get_nowait()
        return TIMEOUT, None

    def folder_list_files(self, folder: str) -> dict[str, None]:
        return dict.fromkeys(self.files) if folder == FOLDER else {}

    def folder_list_folders(self, folder: str) -> dict[str, None]:
        return {"/": {"store": None}, "/store": {"DCIM": None}, "/store/DCIM": {"100X": None}}.get(folder, {})

    def file_get_info(self, _: str, name: str) -> Any:
        return SimpleNamespace(
            file=SimpleNamespace(fields=7, size=len(self.files[name]), mtime=1000, type="image/jpeg")
        )

    def file_get(self, _: str, name: str, *__: object) -> Any:
        return SimpleNamespace(get_data_and_size=lambda: memoryview(self.files[name]))

    def trigger_capture(self) -> None: ...

    def add(self, name: str, data: bytes) -> None:
        self.files[name] = data
        self.events.put((FILE_ADDED, SimpleNamespace(folder=FOLDER, name=name)))


class _List(list[Any]):
    def load(self) -> None: ...

    def lookup_path(self, _: str) -> int:
        return 0

    def lookup_model(self, _: str) -> int:
        return 0


def library(body: Body, detected: dict[str, str] | None = None) -> Any:
    """A module like gphoto2, with one body in it."""

    def camera() -> Body:
        return body

    camera.autodetect = lambda: {"Body": "usb:001,005"} if detected is None else detected  # type: ignore[attr-defined]
    return SimpleNamespace(
        GPhoto2Error=LibraryError,
        Camera=camera,
        PortInfoList=lambda: _List(["port"]),
        CameraAbilitiesList=lambda: _List(["model"]),
        Context=lambda: None,
        gp_context_set_progress_funcs=lambda *_: None,
        **{
            "GP_WIDGET_RADIO": RADIO,
            "GP_WIDGET_MENU": 6,
            "GP_WIDGET_RANGE": RANGE,
            "GP_WIDGET_TEXT": TEXT,
            "GP_WIDGET_TOGGLE": TOGGLE,
        },
        **{"GP_WIDGET_WINDOW": WINDOW, "GP_WIDGET_SECTION": 1},
        **{"GP_EVENT_TIMEOUT": TIMEOUT, "GP_EVENT_FILE_ADDED": FILE_ADDED, "GP_EVENT_CAPTURE_COMPLETE": COMPLETE},
        **{"GP_EVENT_FILE_CHANGED": 5, "GP_EVENT_UNKNOWN": 0, "GP_FILE_TYPE_NORMAL": 1},
        **{"GP_FILE_INFO_SIZE": 1, "GP_FILE_INFO_MTIME": 2, "GP_FILE_INFO_TYPE": 4},
        **{"GP_STORAGEINFO_FREESPACEIMAGES": 1, "GP_STORAGEINFO_FREESPACEKBYTES": 2, "GP_STORAGEINFO_MAXCAPACITY": 4},
        GP_OPERATION_CAPTURE_PREVIEW=8,
    )


class Run:
    """The process's work, in a thread; what it says is kept."""

    def __init__(self, gp: Any, folder: Path, **begin: object) -> None:
        self.said: list[dict[str, Any]] = []
        self._heard = threading.Condition()
        self._orders: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
        self._orders.put(
            {"address": "auto", "folder": os.fsencode(folder).hex(), "bodies": {}, "in_hand": None, "tries": []}
            | {"before": "", "camera": dict(NO_CAMERA), "do": "begin"}
            | begin
        )
        self.ended: BaseException | None = None
        self._child = Child(gp, self, self._orders)  # type: ignore[arg-type]
        self._thread = threading.Thread(target=self._run, name="child")
        self._thread.start()

    def _run(self) -> None:
        try:
            self._child.run()
        except (Stopping, Lost) as why:
            self.ended = why

    def write(self, line: str) -> None:
        with self._heard:
            self.said.append(json.loads(line))
            self._heard.notify_all()

    def flush(self) -> None: ...

    def until(self, what: Callable[[], Any]) -> Any:
        until_s = time.monotonic() + DEADLINE_S
        with self._heard:
            while not (found := what()):
                assert time.monotonic() < until_s, self.said[-8:]
                self._heard.wait(0.05)
            return found

    def sayings(self, say: str) -> list[dict[str, Any]]:
        return [said for said in self.said if said["say"] == say]

    @property
    def camera(self) -> dict[str, Any]:
        return self.sayings("camera")[-1]["camera"] if self.sayings("camera") else {"state": None}  # type: ignore[no-any-return]

    @property
    def troubles(self) -> list[str]:
        return [said["text"] for said in self.sayings("trouble")]

    def ask(self, n: int, **order: object) -> tuple[bool, str]:
        self._orders.put({"n": n, **order})
        done = self.until(lambda: [said for said in self.sayings("done") if said["n"] == n])
        return done[0]["ok"], done[0]["text"]

    def stop(self) -> None:
        self._orders.put({"do": "stop"})
        self._thread.join(DEADLINE_S)
        assert not self._thread.is_alive()


@contextlib.contextmanager
def running(gp: Any, folder: Path, **begin: object) -> Iterator[Run]:
    run = Run(gp, folder, **begin)
    try:
        yield run
    finally:
        run.stop()


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(camera_body, "_library", lambda: None)  # whatever else this process has loaded
    monkeypatch.setattr(camera_child, "SETTLE_S", 0.3)
    monkeypatch.setattr(camera_child, "QUIET_S", 0.05)
    monkeypatch.setattr(camera_child, "RETRY_S", (0.01,))
    monkeypatch.setattr(camera_child, "SEARCH_S", (0.01,))
    monkeypatch.setattr(camera_child, "CLAIMED_S", 0.01)


def canon() -> Body:
    texts = ["auto", "2.8", "4", "5.6", "8", "8", "11"]
    return Body(
        Widget("aperture", RADIO, "5.6", texts),
        Widget("shutterspeed", RADIO, "1/125", ["bulb", "1/125"]),
        Widget("iso", RADIO, "Auto", ["Auto", "100"]),
        Widget("batterylevel", TEXT, "Low"),
        Widget("cameramodel", TEXT, "Body\x1b[31m One"),
        Widget("manufacturer", TEXT, "Body"),
        Widget("eosserialnumber", TEXT, "0123"),
    )


def test_another_makers_names_and_texts_become_the_same_numbers(tmp_path: Path) -> None:
    with running(library(canon()), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        camera = run.camera
        assert (camera["f_number"], camera["f_numbers"]) == (5.6, [2.8, 4, 5.6, 8, 11])
        assert (camera["shutter"], camera["shutter_s"]) == ("1/125", 0.008)
        assert (camera["iso"], camera["battery"]) == (None, None)
        assert (camera["model"], camera["serial"]) == ("Body[31m One", "0123")
        assert run.ask(1, do="aperture", f_number=8) == (True, "Aperture f/8.")


def test_a_tree_that_cannot_be_read_whole_is_read_piece_by_piece(tmp_path: Path) -> None:
    body = canon()
    read = body.get_single_config

    def no_tree() -> Tree:
        raise LibraryError(-1)

    def some(name: str) -> Widget:
        if name not in body.widgets or name == "iso":
            raise LibraryError(-2)
        return read(name)

    body.get_config = no_tree  # type: ignore[method-assign]
    body.get_single_config = some  # type: ignore[method-assign]
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        assert (run.camera["f_number"], run.camera["serial"]) == (5.6, "0123")


@pytest.mark.parametrize(("version", "old"), [("2.5.33", True), ("2.5.34", False), ("2.5.34.1", False), ("3.0", False)])
def test_a_library_with_known_holes_is_refused(version: str, old: bool) -> None:
    gp = SimpleNamespace(gp_library_version=lambda _: [version, "more"], GP_VERSION_SHORT=0)
    assert (too_old(gp) is not None) is old


def test_a_body_without_an_aperture_is_ready_and_says_where_it_is_set(tmp_path: Path) -> None:
    with running(library(Body()), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        assert "on the lens" in run.camera["text"]
        assert run.camera["f_numbers"] == []
        ok, text = run.ask(1, do="aperture", f_number=8)
        assert not ok
        assert "on the lens" in text


def test_a_body_with_a_bare_number_range_is_set_by_number(tmp_path: Path) -> None:
    """lg#331, gp#376: older builds of the Sony driver."""
    body = Body(Widget("f-number", RANGE, 5.599999904, (2.8, 22.0, 0.1)))
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        assert run.camera["f_number"] == 5.6
        assert run.ask(1, do="aperture", f_number=8) == (True, "Aperture f/8.")
        assert body.widgets["f-number"].value == 8.0


def test_a_body_that_steps_towards_a_setting_is_waited_for(tmp_path: Path) -> None:
    """lg#291, lg#527."""
    body = canon()
    steps = ["5.6", "4", "2.8"]
    body.set_single_config = lambda *_: steps.pop(0) and None  # type: ignore[method-assign]
    read = body.get_single_config

    def stepping(name: str) -> Widget:
        widget = read(name)
        if name == "aperture" and len(steps) < 3:
            widget.value = steps.pop(0) if len(steps) > 1 else steps[0]
        return widget

    body.get_single_config = stepping  # type: ignore[method-assign]
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        assert run.ask(1, do="aperture", f_number=2.8) == (True, "Aperture f/2.8.")


@pytest.mark.parametrize("lost", [1, 2])
def test_a_body_that_loses_an_order_is_asked_twice_and_then_believed(tmp_path: Path, lost: int) -> None:
    """gp#392, lg#775."""
    body = canon()
    orders: list[str] = []
    write = body.set_single_config

    def forgetful(name: str, widget: Widget) -> None:
        orders.append(widget.value)
        if len(orders) > lost:
            write(name, widget)

    body.set_single_config = forgetful  # type: ignore[method-assign]
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        ok, text = run.ask(1, do="aperture", f_number=8)
        assert orders == ["8", "8"]
        assert ok is (lost == 1)
        assert ok or text == "Asked for f/8, but the camera stands at f/5.6. Set it on the camera."


def test_frames_are_kept_on_the_card_whatever_the_body_calls_it(tmp_path: Path) -> None:
    body = Body(Widget("capturetarget", RADIO, "sdram", ["sdram", "card", "card+sdram"]))
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
    assert body.widgets["capturetarget"].value == "card+sdram"


@pytest.mark.parametrize("stores", [[], [SimpleNamespace(fields=4, capacitykbytes=0)]])
def test_without_a_card_frames_come_from_memory_and_that_is_said(tmp_path: Path, stores: list[Any]) -> None:
    body = Body(Widget("capturetarget", RADIO, "sdram", ["sdram", "card", "card+sdram"]))
    body.stores = stores
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        assert run.troubles == ["No card in Camera: its frames are kept here alone. A card keeps them twice."]
    assert body.widgets["capturetarget"].value == "sdram"


def test_what_the_lens_sees_is_told_in_cells_and_ended_by_the_makers_switch(tmp_path: Path) -> None:
    body = Body(Widget("viewfinder", TOGGLE, 1))
    body.operations, body.views = 8, [-110, jpeg_of(200), b"no picture", -1]
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        assert run.ask(1, do="view", on=True) == (True, "Seen.")
        (seen,) = run.sayings("seen")
        assert np.shape(seen["cells"]) == (16, 24)
        assert np.allclose(seen["cells"], 0.578, atol=0.02)  # sRGB 200 (IEC 61966-2-1)
        assert not run.ask(2, do="view", on=True)[0], "it is no picture"
        assert run.ask(3, do="view", on=True) == (False, "The camera shows no picture without a shot.")
        assert run.ask(4, do="view", on=False)[0]
        assert body.widgets["viewfinder"].value == 0
        assert len(run.sayings("seen")) == 1


def jpeg_of(code: int) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (96, 64), (code,) * 3).save(out, "JPEG")
    return out.getvalue()


def test_a_dial_that_was_locked_since_it_was_read_is_told_as_that(tmp_path: Path) -> None:
    body = canon()

    def turned(name: str, widget: Widget) -> None:
        body.widgets[name].readonly = True
        raise LibraryError(-2)

    body.set_single_config = turned  # type: ignore[method-assign]
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        ok, text = run.ask(1, do="aperture", f_number=8)
        assert not ok
        assert "turn its mode dial to M" in text


def test_a_body_that_will_not_keep_frames_on_its_card_is_told_of(tmp_path: Path) -> None:
    """gp#590."""
    body = Body(Widget("capturetarget", RADIO, "Internal RAM", ["Internal RAM", "Memory card"]))
    body.set_single_config = lambda *_: None  # type: ignore[method-assign]
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        assert "does not keep frames on its card (it stands at Internal RAM)" in run.troubles[0]


def test_a_frame_announced_twice_is_fetched_once(tmp_path: Path) -> None:
    body = canon()
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        body.add("A.JPG", b"one")
        body.add("A.JPG", b"one")
        body.add("B.JPG", b"two")
        run.until(lambda: len(run.sayings("fetched")) == 2)
        run.until(lambda: run.camera["state"] == "ready")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"A.JPG": b"one", "B.JPG": b"two"}


def test_frames_handed_over_from_memory_get_names_of_our_own(tmp_path: Path) -> None:
    """lg#671: they are called capt0000 at every connection, and nothing is said of their length."""
    body = canon()

    def nothing_known(*_: object) -> None:
        raise LibraryError(-6)

    body.file_get_info = nothing_known  # type: ignore[method-assign]
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        for count, data in enumerate((b"one", b"two"), 1):
            body.add("capt0000.jpg", data)
            run.until(lambda count=count: len(run.sayings("fetched")) == count)
    assert sorted(path.read_bytes() for path in tmp_path.iterdir()) == [b"one", b"two"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["frame-0001.jpg", "frame-0002.jpg"]


def test_a_file_shorter_than_announced_is_not_taken(tmp_path: Path) -> None:
    """It is asked for again; if it stays short it is left on the card, with a word, and the others come."""
    body = canon()
    whole = body.file_get
    asked: list[str] = []

    def cut(folder: str, name: str, *more: object) -> Any:
        asked.append(name)
        if name == "BAD.JPG" or asked.count(name) == 1:
            return SimpleNamespace(get_data_and_size=lambda: memoryview(b"sho"))
        return whole(folder, name, *more)

    body.file_get = cut  # type: ignore[method-assign]
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        body.add("BAD.JPG", b"short")
        body.add("GOOD.JPG", b"whole")
        run.until(lambda: run.sayings("fetched") and run.sayings("given up"))
        assert run.troubles == [
            "BAD.JPG could not be fetched (3 of 5 bytes came). It stays on the card: copy it from there."
        ]
    assert asked.count("BAD.JPG") == 3
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"GOOD.JPG": b"whole"}


def test_a_full_disk_never_makes_a_file_be_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = canon()
    free = [0] * 12
    monkeypatch.setattr(camera_child.Landing, "room", lambda _: free.pop() if free else 100)
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        body.add("A.JPG", b"whole")
        run.until(lambda: run.sayings("fetched"))
        assert len(run.troubles) == 1
        run.until(lambda: "full" not in run.camera["text"])


def test_a_claimed_camera_says_so_once_and_is_tried_again(tmp_path: Path) -> None:
    body = canon()
    tries = [-53, -53, -110, None]

    def init() -> None:
        code = tries.pop(0)
        if code is not None:
            raise LibraryError(code)

    body.init = init  # type: ignore[method-assign]
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        assert len(run.troubles) == 1
        assert "Another program holds the camera" in run.troubles[0]
    assert body.closed == 1


def test_a_camera_that_is_taken_away_ends_the_process_with_the_reason(tmp_path: Path) -> None:
    body = canon()
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")

        def gone(_: int) -> None:
            raise LibraryError(-52)

        body.wait_for_event = gone  # type: ignore[method-assign]
        run.until(lambda: run.ended)
    assert isinstance(run.ended, Lost)
    assert run.ended.why in ("lost", "asleep")
    assert "Body[31m One" in run.ended.text
    assert body.closed == 1


def test_long_searching_ends_in_a_fresh_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(camera_child, "SEARCHES", 3)
    with running(library(canon(), detected={}), tmp_path) as run:
        run.until(lambda: run.ended)
    assert isinstance(run.ended, Lost)
    assert run.ended.why == "recycle"


def test_what_is_asked_while_there_is_no_camera_is_refused_with_what_to_do(tmp_path: Path) -> None:
    with running(library(canon(), detected={}), tmp_path) as run:
        assert run.ask(1, do="fire") == (False, "No camera found: plug it in and switch it on.")


# ---- which files are new


def card(*names: str, mtime: int = 100) -> list[CardFile]:
    return [CardFile(FOLDER, name, 5, mtime) for name in names]


def test_only_what_came_since_and_is_not_here_yet_is_new() -> None:
    a, b, c, movie = card("A.JPG", "B.JPG", "C.JPG", "D.MOV")
    assert Memory(left={a}, have={b: "B.JPG"}).new_on([a, b, c, movie]) == [c]


def test_after_an_emptied_card_what_is_newer_is_new() -> None:
    memory = Memory(left=set(card("A.JPG")), have=dict.fromkeys(card("B.JPG", mtime=200), "B.JPG"))
    old, new, undated = *card("X.JPG", mtime=150), *card("A.JPG", mtime=300), *card("Z.JPG", mtime=0)
    assert memory.new_on([old, new, undated]) == [undated, new]


def test_an_empty_card_at_the_start_makes_everything_new() -> None:
    assert Memory().new_on(card("A.JPG")) == card("A.JPG")


# ---- who holds it


def test_the_holder_of_a_camera_is_named_where_it_can_be_seen(tmp_path: Path) -> None:
    def process(pid: int, name: str, *opened: str) -> None:
        (tmp_path / str(pid) / "fd").mkdir(parents=True)
        (tmp_path / str(pid) / "comm").write_text(f"{name}\n")
        for number, path in enumerate(opened):
            (tmp_path / str(pid) / "fd" / str(number)).symlink_to(path)

    process(10, "other", "/dev/bus/usb/001/004", "/dev/null")
    assert "gio mount -s gphoto2" in holder_of("usb:001,005", tmp_path, "Linux")
    process(11, "ev\x1bil", "/dev/bus/usb/001/005")
    assert holder_of("usb:001,005", tmp_path, "Linux") == "The program evil holds it: close that."
    process(1, "gvfs-gphoto2-vo", "/dev/null", "/dev/bus/usb/001/005")
    assert "gio mount -s gphoto2" in holder_of("usb:001,005", tmp_path, "Linux")
    assert "macOS" in holder_of("usb:001,005", tmp_path, "Darwin")


MODES = ["Auto", "Daylight", "Tungsten", "Color Temperature"]


@pytest.mark.parametrize(
    ("at", "kelvins", "order", "told", "stands"),
    [
        # The light itself, from raw, on a body with a dial in kelvin.
        ("Daylight", (2500, 10000, 10), {"kelvin": 3058.0}, (True, "Balance 3060 K."), ("Color Temperature", 3060.0)),
        # What a JPEG shows is left over, from where the balance stands: 5300 K is 189 mired, 124 more are 313.
        ("Daylight", (2500, 10000, 10), {"mireds": 124.0}, (True, "Balance 3200 K."), ("Color Temperature", 3200.0)),
        ("Daylight", None, {"kelvin": 3058.0}, (True, "Balance Tungsten, made for about 3200 K."), ("Tungsten", None)),
        ("Daylight", None, {"kelvin": 2000.0}, (False, "no balance near 2000 K"), ("Daylight", None)),
        ("Auto", None, {"mireds": 100.0}, (False, "stands at Auto"), ("Auto", None)),
    ],
)
def test_a_balance_is_set_as_the_body_has_it(
    tmp_path: Path, at: str, kelvins: Any, order: Any, told: tuple[bool, str], stands: tuple[str, float | None]
) -> None:
    body = canon()
    body.widgets["whitebalance"] = Widget("whitebalance", RADIO, at, MODES if kelvins else MODES[:3])
    if kelvins is not None:
        body.widgets["colortemperature"] = Widget("colortemperature", RANGE, 5200.0, kelvins)
    with running(library(body), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        ok, text = run.ask(1, do="balance", **{"kelvin": None, "mireds": 0.0, **order})
        assert ok is told[0]
        assert told[1] in text
        kelvin = body.widgets.get("colortemperature")
        assert (body.widgets["whitebalance"].value, None if kelvin is None else kelvin.value) == stands


def test_a_body_that_keeps_its_balance_to_itself_says_so(tmp_path: Path) -> None:
    with running(library(canon()), tmp_path) as run:
        run.until(lambda: run.camera["state"] == "ready")
        assert run.ask(1, do="balance", kelvin=3200.0, mireds=0.0)[0] is False
