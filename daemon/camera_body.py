"""libgphoto2's camera with its traps covered; used by the camera's own process alone (`camera_child.py`)."""

from __future__ import annotations

import contextlib
import ctypes
import os
import platform
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lampblack.daemon import dials
from lampblack.daemon.clean import clean
from lampblack.daemon.landing import CardFile

SLICE_MS = 100  # over USB the generic driver waits twice what it is asked; an order waits that long, too
SILENCE_S = 2.0  # a read that took longer was not answered: the library gives up after 2.5 s, over USB after 20 s
NO_VIEW = "The camera shows no picture without a shot."
DEEPEST, MOST_FILES = 8, 100_000
DIALS = (*dials.APERTURE_WIDGETS, *dials.SHUTTER_WIDGETS, *dials.ISO_WIDGETS, *dials.BATTERY_WIDGETS)
TARGET = "capturetarget"
VIEW = ("viewfinder", "5021")
"""What ends the picture without a shot: makers' switch, or PTP 1.1's Enabled Streams."""
ABOUT = ("manufacturer", "cameramodel", "serialnumber", "eosserialnumber")
LEAST_VERSION = (2, 5, 34)  # mends memory errors that a hostile device could use, CVE-2026-40333 to 40341

# libgphoto2's result codes (gphoto2-result.h, gphoto2-port-result.h); kept as numbers so that this file can be
# imported without the library.
TIMEOUT, NOT_SUPPORTED, BAD_PARAMETERS, CANNOT = -10, -6, -2, -1
CLAIMED, BUSY, NO_SPACE = -53, -110, -115
FILE_GONE = frozenset([-107, -108])
ABSENT = frozenset([-105, -52, -7, -10, -1, -5, -31])
MEANINGS = {
    -1: "something went wrong in the camera",
    -2: "it does not know that request",
    -6: "it does not offer that",
    -7: "the connection failed",
    -10: "it did not answer in time",
    -34: "the connection failed",
    -35: "the connection failed",
    -52: "it is not on the USB any more",
    -53: "another program holds it",
    -105: "no driver knows it",
    -108: "the file is not on the card",
    -110: "it is busy",
    -113: "the camera reports an error",
    -115: "its card is full",
}


_PARSES = {
    dials.APERTURE_WIDGETS: dials.f_number,
    dials.SHUTTER_WIDGETS: dials.marked_s,
    dials.BALANCE_WIDGETS: dials.balance_k,
    dials.KELVIN_WIDGETS: dials.kelvin,
}


@dataclass
class Dial:
    """A setting as the camera shows it just now."""

    widget: str
    text: str | None
    """Its value; None if the camera stands at something not on its own list."""
    readonly: bool
    choices: tuple[dials.Choice, ...] = ()
    """What is on offer, of apertures, times and balances; empty for other dials."""
    number: float | None = None
    """For dials that are a bare number range."""


class Body:
    """libgphoto2's camera, with its traps covered. Every method may raise GPhoto2Error."""

    def __init__(self, gp: Any, address: str) -> None:
        """Connect; "auto" is the first camera on the USB."""
        self._gp = gp
        self._value_of = _safe_reader(gp)
        self._camera = gp.Camera()
        self.address = self._find(address)
        self._camera.init()
        self._widgets: set[str] = set()
        self._shows = bool(self._camera.get_abilities().operations & gp.GP_OPERATION_CAPTURE_PREVIEW)

    def _find(self, address: str) -> str:
        gp = self._gp
        if address == "auto":
            found = [(model, port) for model, port in gp.Camera.autodetect().items() if port.startswith("usb:")]
            if not found:
                raise gp.GPhoto2Error(-105)
            model, address = found[0]
            self._use_model(model)
        elif address.startswith("ptpip:"):
            self._use_model("PTP/IP Camera")
        ports = gp.PortInfoList()
        ports.load()
        self._camera.set_port_info(ports[ports.lookup_path(address)])
        return address

    def _use_model(self, model: str) -> None:
        known = self._gp.CameraAbilitiesList()
        known.load()
        self._camera.set_abilities(known[known.lookup_model(model)])

    def close(self) -> None:
        """Say goodbye, so that the body takes its next caller."""
        self._camera.exit()

    def event(self) -> tuple[int, Any]:
        """Wait at most one slice and return (kind, data)."""
        kind, data = self._camera.wait_for_event(SLICE_MS)
        return kind, data

    def trigger(self) -> None:
        """Fire without waiting for the files."""
        self._camera.trigger_capture()

    def view(self) -> bytes | None:
        """Return what the lens sees now, a small JPEG, without a shot; None where this body doesn't show it."""
        if not self._shows:
            return None
        try:
            file = self._camera.capture_preview()
        except self._gp.GPhoto2Error as error:
            if error.code not in (NOT_SUPPORTED, CANNOT, BAD_PARAMETERS):
                raise
            self.probe()  # fails if it is the connection
            self._shows = False
            return None
        return bytes(file.get_data_and_size())

    def end_view(self) -> None:
        """Have the body stop showing: it drains the battery and warms the sensor, and some can't fire meanwhile."""
        for name in VIEW:
            if name in self._widgets:
                widget = self._camera.get_single_config(name)
                toggle = widget.get_type() == self._gp.GP_WIDGET_TOGGLE
                widget.set_value(0 if toggle else "0")
                self._camera.set_single_config(name, widget)
                return

    def learn(self) -> dict[str, str]:
        """
        Read the whole tree, once: find which names this maker uses for its dials.

        Returns:
            the plain texts of the settings that tell who this is.
        """
        about: dict[str, str] = {}
        for widget in self._all_widgets():
            name = widget.get_name()
            self._widgets.add(name)
            if name in ABOUT:
                about[name] = clean(self._text(widget) or "", 60)
        return about

    def _all_widgets(self) -> list[Any]:
        try:
            return list(_leaves(self._gp, self._camera.get_config()))
        except self._gp.GPhoto2Error as error:
            if error.code == BUSY:
                raise
            self.probe()
        found = []
        for name in (*DIALS, TARGET, *ABOUT):  # one setting that cannot be read must not hide the others
            with contextlib.suppress(self._gp.GPhoto2Error):
                found.append(self._camera.get_single_config(name))
        self.probe()
        return found

    def dial(self, names: tuple[str, ...]) -> Dial | None:
        """Return the first of these settings that the body has, or None. The one that can be set comes first."""
        found: Dial | None = None
        for name in names:
            if name not in self._widgets:
                continue
            started_s = time.monotonic()
            try:
                dial = self._dial(name)
            except self._gp.GPhoto2Error as error:
                if error.code not in (BAD_PARAMETERS, NOT_SUPPORTED):
                    raise
                # "Bad parameters" is also what a read gives that the camera was too busy, or too far away, for.
                if time.monotonic() - started_s > SILENCE_S:
                    raise self._gp.GPhoto2Error(TIMEOUT) from error
                self.probe()
                continue
            if not dial.readonly:
                return dial
            found = found or dial
        return found

    def _dial(self, name: str) -> Dial:
        gp = self._gp
        widget = self._camera.get_single_config(name)
        kind, readonly = widget.get_type(), bool(widget.get_readonly())
        if kind == gp.GP_WIDGET_RANGE:
            value = float(widget.get_value())
            spread = dials.kelvin_choices if name in dials.KELVIN_WIDGETS else dials.range_choices
            return Dial(name, f"{value:g}", readonly, spread(*widget.get_range()), value)
        parse = next((parse for names, parse in _PARSES.items() if name in names), None)
        listed = parse is not None and kind in (gp.GP_WIDGET_RADIO, gp.GP_WIDGET_MENU)
        offered = dials.choices(widget.get_choices(), parse) if listed and parse is not None else ()
        return Dial(name, self._text(widget), readonly, offered)

    def _text(self, widget: Any) -> str | None:
        """Return a text widget's value; None where plain `get_value` would crash on an unlisted one."""
        gp = self._gp
        if widget.get_type() not in (gp.GP_WIDGET_RADIO, gp.GP_WIDGET_MENU, gp.GP_WIDGET_TEXT):
            return None
        value: str | None = self._value_of(widget)
        return value

    def turn(self, dial: Dial, choice: dials.Choice) -> None:
        """Set a dial to one of its own choices."""
        widget = self._camera.get_single_config(dial.widget)
        if widget.get_type() == self._gp.GP_WIDGET_RANGE:
            widget.set_value(choice.number)
        elif choice.text in list(widget.get_choices()):
            widget.set_value(choice.text)
        else:  # the list changed under us, with the lens
            raise self._gp.GPhoto2Error(BAD_PARAMETERS)
        self._camera.set_single_config(dial.widget, widget)

    def keep_on_card(self) -> str | None:
        """
        Have frames kept on the card, not only handed over from memory; return what the body made of it.

        Returns:
            None if it has no such setting or stands right, else the text it stands at.
        """
        if TARGET not in self._widgets:
            return None
        widget = self._camera.get_single_config(TARGET)
        wanted = _card_choice(list(widget.get_choices()))
        if wanted is None or self._value_of(widget) == wanted:
            return None
        widget.set_value(wanted)
        self._camera.set_single_config(TARGET, widget)
        stands = self._value_of(self._camera.get_single_config(TARGET))
        return None if stands == wanted else stands or "something unknown"

    def probe(self) -> None:
        """
        Ask the camera for something cheap; raises if it does not answer.

        Of all cheap requests storage information alone always goes over the line and comes back with the true error.
        """
        try:
            self._camera.get_storageinfo()
        except self._gp.GPhoto2Error as error:
            if error.code != NOT_SUPPORTED:
                raise

    def has_card(self) -> bool:
        """Return whether there is a card, as far as the body tells."""
        try:
            stores = self._camera.get_storageinfo()
        except self._gp.GPhoto2Error as error:
            if error.code not in (NOT_SUPPORTED, CANNOT):
                raise
            return True
        told = self._gp.GP_STORAGEINFO_MAXCAPACITY
        return any(not store.fields & told or store.capacitykbytes > 0 for store in stores)

    def free_bytes(self) -> int | None:
        """Return the room on the emptiest card, or None if the body does not say."""
        gp = self._gp
        room = [
            0 if store.fields & gp.GP_STORAGEINFO_FREESPACEIMAGES and store.freeimages == 0 else store.freekbytes * 1024
            for store in self._camera.get_storageinfo()
            if store.fields & gp.GP_STORAGEINFO_FREESPACEKBYTES and store.capacitykbytes > 0
        ]
        return max(room) if room else None

    def card(self, each_folder: Callable[[], None]) -> list[CardFile]:
        """Return every file on the card; `each_folder()` is called as the walk goes on."""
        files: list[CardFile] = []
        waiting = [("/", 0)]
        while waiting and len(files) < MOST_FILES:
            folder, depth = waiting.pop()
            each_folder()
            for name in self._camera.folder_list_files(folder).keys():  # noqa: SIM118  no mapping
                with self._unless_gone():
                    files.append(self.file(folder, name))
            if depth < DEEPEST:
                for name in self._camera.folder_list_folders(folder).keys():  # noqa: SIM118
                    waiting.append((f"{folder.rstrip('/')}/{name}", depth + 1))
        return files

    @contextlib.contextmanager
    def _unless_gone(self) -> Iterator[None]:
        try:
            yield
        except self._gp.GPhoto2Error as error:
            if error.code not in FILE_GONE:
                raise

    def file(self, folder: str, name: str) -> CardFile:
        """Return what the camera says of a file."""
        gp = self._gp
        info = self._camera.file_get_info(folder, name).file
        size = int(info.size) if info.fields & gp.GP_FILE_INFO_SIZE else -1
        mtime = int(info.mtime) if info.fields & gp.GP_FILE_INFO_MTIME else 0
        mime = str(info.type) if info.fields & gp.GP_FILE_INFO_TYPE else ""
        return CardFile(folder, name, size, mtime, mime)

    def read(self, file: CardFile, beat: Callable[[], None]) -> Any:
        """Return the library's file; its bytes live only as long as it. `beat()` is called as they arrive."""
        gp = self._gp
        context = gp.Context()
        progress = gp.gp_context_set_progress_funcs(context, lambda *_: 0, lambda *_: beat(), lambda *_: None, None)
        try:
            return self._camera.file_get(file.folder, file.name, gp.GP_FILE_TYPE_NORMAL, None, context)
        finally:
            del progress


def _leaves(gp: Any, widget: Any) -> Iterator[Any]:
    if widget.get_type() not in (gp.GP_WIDGET_WINDOW, gp.GP_WIDGET_SECTION):
        yield widget
        return
    for index in range(widget.count_children()):
        yield from _leaves(gp, widget.get_child(index))


def _card_choice(texts: list[str]) -> str | None:
    """
    Return which of a capture target's choices keeps the frame on the card.

    >>> _card_choice(["Internal RAM", "Memory card"]), _card_choice(["sdram", "card", "card+sdram"])
    ('Memory card', 'card+sdram')
    """
    cards = [text for text in texts if "card" in text.lower()]
    both = [text for text in cards if "+" in text]  # the body then also announces the frame to us
    return (both or cards or [None])[0]  # type: ignore[list-item]


def _safe_reader(gp: Any) -> Any:
    """
    Return a function widget -> text or None.

    The wheel's own `get_value` crashes the process where the library has no value (a choice list that lacks what
    the body stands at). The library itself says so in a null pointer, so it is asked directly where it is found.
    """
    library = _library()
    if library is None:
        return lambda widget: widget.get_value()
    ask = library.gp_widget_get_value
    ask.argtypes, ask.restype = (ctypes.c_void_p, ctypes.POINTER(ctypes.c_char_p)), ctypes.c_int

    def read(widget: Any) -> str | None:
        value = ctypes.c_char_p()
        code = ask(int(widget.this), ctypes.byref(value))
        if code < 0:
            raise gp.GPhoto2Error(code)
        return None if value.value is None else value.value.decode("utf-8", "replace")

    return read


def _library() -> ctypes.CDLL | None:
    """Return the libgphoto2 that the wheel has loaded into this process."""
    with contextlib.suppress(OSError, IndexError):
        if sys.platform == "linux":
            maps = Path("/proc/self/maps").read_text(encoding="utf-8", errors="replace").splitlines()
            paths = [line.split(maxsplit=5)[-1] for line in maps if "/libgphoto2-" in line or "/libgphoto2.so" in line]
            return ctypes.CDLL(paths[0])
        module = Path(sys.modules["gphoto2"].__file__ or "")
        return ctypes.CDLL(str(sorted(module.parent.glob("**/libgphoto2.*dylib"))[0]))
    return None


def holder_of(port: str, proc: Path = Path("/proc"), system: str = platform.system()) -> str:
    """Say in one line who probably holds a USB camera, and what to do about it. Nobody is disturbed."""
    if system == "Darwin":
        return "macOS itself (ptpcamerad) probably holds it: quit other programs that show pictures, then replug it."
    name = _open_by(port, proc)
    if name is None:
        return "Close other programs that show the camera (on a GNOME desktop: gio mount -s gphoto2), then replug it."
    if name.startswith("gvfs"):
        return "The desktop's file manager (gvfs) holds it: run gio mount -s gphoto2, or eject it there."
    return f"The program {name} holds it: close that."


def _open_by(port: str, proc: Path) -> str | None:
    """Return the name of a process that has the USB device open, as far as we may look."""
    bus, _, device = port.removeprefix("usb:").partition(",")
    wanted = f"/dev/bus/usb/{bus}/{device}"
    for process in sorted(proc.glob("[0-9]*")):
        with contextlib.suppress(OSError):
            if int(process.name) != os.getpid() and any(os.readlink(fd) == wanted for fd in (process / "fd").iterdir()):
                return clean((process / "comm").read_bytes(), 40)
    return None


def meaning(code: int) -> str:
    """Return a library's result code in words."""
    return MEANINGS.get(code, f"error {code}")


def too_old(gp: Any) -> str | None:
    """Return what to do about a libgphoto2 that is too old, or None."""
    version = gp.gp_library_version(gp.GP_VERSION_SHORT)[0]
    numbers = tuple(int(part) for part in version.split(".")[:3] if part.isdecimal())
    if numbers >= LEAST_VERSION:
        return None
    return f"libgphoto2 {clean(version, 20)} has known holes: install the newest gphoto2 package."


def first_port(gp: Any) -> str:
    """Return where the first USB camera is, or nothing."""
    ports = [port for _, port in gp.Camera.autodetect().items() if port.startswith("usb:")]
    return ports[0] if ports else ""


def settle_library() -> None:
    """
    Write the library's own settings file, in the private home that the parent gave us.

    Property reads come from a cache of two seconds unless this says otherwise; a dial read back must be the camera's.
    """
    path = Path.home() / ".gphoto" / "settings"
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    lines = path.read_text(encoding="utf-8", errors="replace").splitlines() if path.exists() else []
    kept = [line for line in lines if line and not line.startswith("ptp2=cachetime=")]
    path.write_text("\n".join([*kept, "ptp2=cachetime=0", ""]), encoding="utf-8")  # the rest is the pairing
