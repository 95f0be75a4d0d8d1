"""
What was learned of cameras' tone curves, kept for next time.

One JSON file for all shoots. Nothing in it is trusted: a curve that no camera could have is not used.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from lampblack.daemon.clean import clean
from lampblack.daemon.kept import KeptError as ResponsesError
from lampblack.daemon.kept import alone, damaged, entries_of, place_of, read, write
from lampblack.rules.response import Response, Source

NAME = "responses.json"
FORMAT = 1
_MOST_KEPT = 1000  # curves, about 5 kB each; the ones longest unchanged go first
_LOWEST_WHITE = 239  # no tone curve ends at a code below
_LEAST_SURE = 10.0  # stops: beyond it, nothing was learned


class Key(NamedTuple):
    """What a tone curve belongs to; the texts are clean."""

    camera: str
    style: str
    iso: str

    @classmethod
    def of(cls, camera: str, style: str = "", iso: float | None = None) -> Key:
        """
        Build from what a file says of its camera, picture style and ISO speed.

        Cameras may change their curve where they stretch or halve the gain, so each stop of ISO has its own.

        >>> Key.of("Lens & Light  One", "Neutral", 160)
        Key(camera='Lens & Light One', style='Neutral', iso='200')
        """
        known = iso is not None and math.isfinite(iso) and iso > 0
        nearest = f"{100 * 2.0 ** round(math.log2(iso / 100)):g}" if known and iso is not None else ""
        return cls(clean(camera, 100), clean(style, 100), nearest)


def place() -> Path:
    """Return where the file lies on this machine."""
    return place_of(NAME)


def load(key: Key, path: Path | None = None) -> Response | None:
    """
    Return the curve kept for a key, or None.

    Raises:
        ResponsesError: the file, or this curve in it, is damaged or cannot be read. Go on without.
    """
    path = path or place()
    entry = _read(path).get(key)
    if entry is None:
        return None
    response = _response(entry)
    if response is None:
        raise ResponsesError(f"{path}: the tone curve kept for {_named(key)} is damaged and not used")
    return response


def keep(key: Key, response: Response, path: Path | None = None) -> str | None:
    """
    Keep a curve for next time, if it is surer than the one kept before, or contradicts it.

    A camera set to another style without a word in its files has another curve: where both can't be right, the
    newer is. A damaged file is moved aside, never removed.

    Returns:
        one line for a person if something was moved aside or dropped, else None.

    Raises:
        ResponsesError: it can't be written. Nothing that was kept before is lost.
        ValueError: the curve is the prior, or none a camera could have.
    """
    if _response(_entry(response)) is None:
        raise ValueError("only a sound learned response can be kept")
    path = path or place()
    with alone(path):
        return _keep(key, response, path)


def _keep(key: Key, response: Response, path: Path) -> str | None:
    entries, said = entries_of(path, _read)
    old = _response(entries[key]) if key in entries else None
    if old is not None and old.sure_stops <= response.sure_stops and not response.contradicts(old):
        return said
    sound = {k: entry for k, entry in entries.items() if _response(entry) is not None}
    if len(sound) < len(entries):
        said = said or f"{path}: {len(entries) - len(sound)} damaged tone curves dropped"
    sound.pop(key, None)
    sound[key] = _entry(response)
    _write(path, dict(list(sound.items())[-_MOST_KEPT:]))
    return said


# --- the file --------------------------------------------------------------------------------------------------------


def _read(path: Path) -> dict[Key, Any]:
    whole = read(path, FORMAT, "tone curves")
    if whole is None:
        return {}
    try:
        return {Key(*map(str, (one["camera"], one["style"], one["iso"]))): one for one in whole["curves"]}
    except (ValueError, KeyError, TypeError):
        raise damaged(path) from None


def _entry(response: Response) -> dict[str, Any]:
    said: dict[str, Any] = {
        "source": response.source,
        "sure_stops": round(response.sure_stops, 5),
        "light": [float(f"{value:.12g}") for value in response.light],
    }
    if response.channels is not None:
        said["channels"] = [[float(f"{value:.12g}") for value in light] for light in response.channels]
    return said


def _response(entry: Any) -> Response | None:
    """Return what an entry says, or None where it is no tone curve."""
    try:
        light = np.array(entry["light"], dtype=np.float64)
        sure, source = float(entry["sure_stops"]), entry["source"]
        own = entry.get("channels")
        channels = None if own is None else np.array(own, dtype=np.float64)
    except (AttributeError, KeyError, TypeError, ValueError, OverflowError):
        return None
    sources: tuple[Source, ...] = ("bracket", "raw pair")
    if source not in sources or not 0 < sure <= _LEAST_SURE or not _is_curve(light):
        return None
    if channels is not None and (len(channels) != 3 or not all(_is_curve(each) for each in channels)):
        return None
    for learned in (light, channels):
        if learned is not None:
            learned.flags.writeable = False
    return Response(light, source, sure, channels)


def _is_curve(light: Any) -> bool:
    if light.shape != (256,) or not np.isfinite(light).all() or light[0] < 0 or light[1] <= light[0]:
        return False
    return bool((np.diff(light[1:]) > 0).all() and light[_LOWEST_WHITE] <= 1 <= light[255] * (1 + 1e-9))


def _write(path: Path, entries: dict[Key, Any]) -> None:
    curves = [{**entry, **key._asdict()} for key, entry in entries.items()]
    write(path, {"format": FORMAT, "curves": curves})


def _named(key: Key) -> str:
    return " ".join(part for part in (key.camera, key.style, f"ISO {key.iso}" if key.iso else "") if part)
