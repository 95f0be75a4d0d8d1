"""A small TIFF writer: enough for Exif and for a DNG. Little-endian, one chain of directories, uncompressed strips."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from fractions import Fraction


class Kind(IntEnum):
    """Field types of TIFF 6.0, section 2."""

    BYTE = 1
    ASCII = 2
    SHORT = 3
    LONG = 4
    RATIONAL = 5
    UNDEFINED = 7
    SRATIONAL = 10


Number = int | float | Fraction
Value = bytes | str | Number | Sequence[Number]

_FORMATS = {Kind.BYTE: "B", Kind.SHORT: "H", Kind.LONG: "I", Kind.RATIONAL: "II", Kind.SRATIONAL: "ii"}


@dataclass(frozen=True)
class Directory:
    """One image file directory: fields by tag, and directories that a field points to (Exif, interoperability)."""

    fields: Mapping[int, tuple[Kind, Value]]
    below: Mapping[int, Directory] = field(default_factory=dict)


def ratio(value: Number, denominator: int = 1 << 16) -> tuple[int, int]:
    """
    Return a value as two whole numbers, exactly if it is a `Fraction` or whole.

    >>> ratio(Fraction(1, 60)), ratio(8), ratio(2.5)
    ((1, 60), (8, 1), (5, 2))
    """
    part = Fraction(value).limit_denominator(denominator)
    return part.numerator, part.denominator


def _content(kind: Kind, value: Value) -> tuple[int, bytes]:
    """Return a field's count and bytes."""
    if kind is Kind.ASCII:
        text = value.encode("ascii") if isinstance(value, str) else b""
        return len(text) + 1, text + b"\0"
    if isinstance(value, bytes):
        return len(value), value
    if isinstance(value, str):
        raise TypeError(f"text in a field of kind {kind.name}")
    numbers = [value] if isinstance(value, int | float | Fraction) else list(value)
    if kind in (Kind.RATIONAL, Kind.SRATIONAL):
        return len(numbers), b"".join(struct.pack(f"<{_FORMATS[kind]}", *ratio(n)) for n in numbers)
    return len(numbers), struct.pack(f"<{len(numbers)}{_FORMATS[kind]}", *(int(n) for n in numbers))


def _directory(directory: Directory, at: int) -> bytes:
    """Return a directory's bytes as they stand at offset `at`, its values and lower directories behind it."""
    fields = dict(directory.fields)
    for tag in directory.below:
        fields[tag] = (Kind.LONG, 0)
    behind = at + 2 + 12 * len(fields) + 4
    entries, values = b"", b""
    for tag, (kind, value) in sorted(fields.items()):
        if tag in directory.below:
            count, content = 1, struct.pack("<I", behind + len(values))
            values += _directory(directory.below[tag], behind + len(values))
        else:
            count, content = _content(kind, value)
        if len(content) > 4:
            where = struct.pack("<I", behind + len(values))
            values += content + b"\0" * (len(content) % 2)
            content = where
        entries += struct.pack("<HHI", tag, kind, count) + content.ljust(4, b"\0")
    return struct.pack("<H", len(fields)) + entries + struct.pack("<I", 0) + values


def pack(directory: Directory) -> bytes:
    """Return a whole TIFF: header, the directory and what hangs on it."""
    return b"II*\0" + struct.pack("<I", 8) + _directory(directory, 8)


STRIP_OFFSETS, ROWS_PER_STRIP, STRIP_BYTE_COUNTS = 273, 278, 279


def pack_image(directory: Directory, strips: Sequence[bytes]) -> bytes:
    """Return a TIFF that ends in its image's strips; fills in their offsets and lengths."""

    def placed(first: int) -> bytes:
        offsets = [first]
        for strip in strips[:-1]:
            offsets.append(offsets[-1] + len(strip))
        fields = {
            **directory.fields,
            STRIP_OFFSETS: (Kind.LONG, offsets),
            STRIP_BYTE_COUNTS: (Kind.LONG, [len(strip) for strip in strips]),
        }
        return pack(Directory(fields, directory.below))

    first = -(-len(placed(0)) // 16) * 16
    return b"".join([placed(first).ljust(first, b"\0"), *strips])
