"""Exif without trusting it: whatever is absent, absurd or damaged is None."""

from __future__ import annotations

import io
import logging
import math
from typing import Any

import exifread

from lampblack.daemon.clean import clean
from lampblack.rules.exposure import Exposure
from lampblack.rules.frame import Shot
from lampblack.rules.optics import Optics, optics_of


def read_shot(data: bytes) -> tuple[Shot, int]:
    """
    Return what the file's Exif says, and its orientation (1 where it says nothing sensible).

    Never raises: whatever is absent, absurd or damaged is None.
    """
    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    tags: dict[str, Any]
    try:
        tags = exifread.process_file(io.BytesIO(data), details=False, extract_thumbnail=False)
    except Exception:  # a parser of untrusted bytes may raise anything
        tags = {}
    exposure = Exposure.of(
        _within(_ratio(tags, "EXIF FNumber"), 0.5, 128),
        _within(_ratio(tags, "EXIF ExposureTime"), 1e-6, 86400),
        _within(_iso(tags), 1, 1e7),
        av_tag=_within(_ratio(tags, "EXIF ApertureValue"), 1e-9, 14),
        tv_tag=_within(_ratio(tags, "EXIF ShutterSpeedValue"), -17, 20),
    )
    orientation = _ratio(tags, "Image Orientation")
    lens, automatic = _text(tags, "EXIF LensModel"), _automatic(tags)
    shot = Shot(exposure, _taken_at(tags), _camera(tags), lens, _style(tags), _optics(tags), automatic)
    return shot, int(orientation) if orientation is not None and 1 <= orientation <= 8 else 1


def _automatic(tags: dict[str, Any]) -> bool | None:
    """Return whether the camera's meter chose the exposure: Exif 2.3, ExposureProgram, else ExposureMode."""
    program, mode = _ratio(tags, "EXIF ExposureProgram"), _ratio(tags, "EXIF ExposureMode")
    if program:  # 0: not defined
        return program != _MANUAL
    return None if mode is None else mode != _MANUAL


_MANUAL = 1
_UNIT_MM = {2: 25.4, 3: 10.0}  # Exif: inch, centimetre; the rest were never in the standard


def _optics(tags: dict[str, Any]) -> Optics:
    # Exif 2.3: the resolution on the sensor, per unit; a file made smaller may have kept that of the whole.
    unit = _UNIT_MM.get(int(_ratio(tags, "EXIF FocalPlaneResolutionUnit") or 2))
    dense = _within(_ratio(tags, "EXIF FocalPlaneXResolution"), 1, 1e6)
    sides = [_within(_ratio(tags, f"EXIF ExifImage{side}"), 1, 1e5) for side in ("Width", "Length")]
    return optics_of(
        _within(_ratio(tags, "EXIF FocalLength"), 1, 5000),
        _within(_ratio(tags, "EXIF FocalLengthIn35mmFilm"), 1, 10_000),
        _within(_ratio(tags, "EXIF SubjectDistance"), 0.01, 1000),
        dense / unit if dense and unit else None,
        round(max(side or 0 for side in sides)),
    )


def _ratio(tags: dict[str, Any], name: str) -> float | None:
    """Return a tag's first value as a finite float, or None: tags may hold 0/0, text, or nothing."""
    tag = tags.get(name)
    try:
        value = float(tag.values[0] if not isinstance(tag.values, str) else tag.values)  # type: ignore[union-attr]
    except (AttributeError, IndexError, KeyError, TypeError, ValueError, ArithmeticError):
        return None
    return value if math.isfinite(value) else None


def _within(value: float | None, least: float, most: float) -> float | None:
    return value if value is not None and least <= value <= most else None


def _iso(tags: dict[str, Any]) -> float | None:
    # 65535 is Exif's "more than fits here": the true figure is then in one of the newer tags.
    names = ("EXIF ISOSpeedRatings", "EXIF PhotographicSensitivity", "EXIF RecommendedExposureIndex", "EXIF ISOSpeed")
    return next((v for v in (_ratio(tags, name) for name in names) if v and v != 65535), None)


def _text(tags: dict[str, Any], name: str) -> str | None:
    tag = tags.get(name)
    if tag is None:
        return None
    value = tag.values  # bytes where they are no text by the standard
    return clean(value if isinstance(value, str | bytes) else str(value), 80).strip() or None


def _camera(tags: dict[str, Any]) -> str | None:
    make, model = _text(tags, "Image Make"), _text(tags, "Image Model")
    if model and make and not model.lower().startswith(make.lower().split()[0]):
        return f"{make} {model}"
    return model or make


def _style(tags: dict[str, Any]) -> str | None:
    """Return what Exif 2.3 (4.6.5) has of contrast, saturation and rendering; makers' own names stay unread."""
    asked = {name: _ratio(tags, f"EXIF {tag}") for tag, name in _STYLE_TAGS.items()}
    return ", ".join(f"{name} {value:.0f}" for name, value in asked.items() if value) or None


_STYLE_TAGS = {"Contrast": "contrast", "Saturation": "saturation", "CustomRendered": "rendered"}


def _taken_at(tags: dict[str, Any]) -> str | None:
    """Return the camera's own time as ISO 8601, with the fraction that the file gives."""
    text = _text(tags, "EXIF DateTimeOriginal") or _text(tags, "Image DateTime")
    digits = "".join(c for c in text or "" if c.isdigit())
    if len(digits) != 14 or digits == "0" * 14:
        return None
    whole = f"{digits[:4]}-{digits[4:6]}-{digits[6:8]}T{digits[8:10]}:{digits[10:12]}:{digits[12:]}"
    part = _text(tags, "EXIF SubSecTimeOriginal") or _text(tags, "EXIF SubSecTime") or ""
    return f"{whole}.{part}" if part.isdigit() else whole
