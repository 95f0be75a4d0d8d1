"""DNG files written tag by tag (TIFF 6.0; DNG 1.4 for the tags from 50706 on); shares no code with what reads them."""

from __future__ import annotations

import struct
from typing import Any

import imagecodecs
import numpy as np

BLACK, FULL = 512, 15_000
BALANCE = (0.5, 1.0, 0.6)  # what grey gives in red, green, blue

Tags = dict[int, tuple[int, Any]]
"""Type and value by tag."""

_SIZES = {1: "B", 2: "s", 3: "H", 4: "L", 5: "LL", 10: "ll", 11: "f"}


def _packed(kind: int, value: Any) -> tuple[int, bytes]:
    if kind == 2:
        return len(value) + 1, value.encode() + b"\0"
    values = list(value) if isinstance(value, list | tuple) else [value]
    if kind in (5, 10):
        whole = [part for v in values for part in (round(v * 10_000), 10_000)]
        return len(values), struct.pack(f"<{len(whole)}{_SIZES[kind][0]}", *whole)
    return len(values), struct.pack(f"<{len(values)}{_SIZES[kind]}", *values)


def tiff(tags: Tags, body: bytes) -> bytes:
    """Return a file of one directory and one strip."""
    start = 8 + 2 + 12 * (len(tags) + 1) + 4
    later, entries = b"", []
    packed = {tag: (kind, *_packed(kind, value)) for tag, (kind, value) in tags.items()}
    place = start + sum(len(data) + len(data) % 2 for _, _, data in packed.values() if len(data) > 4)
    packed[273] = (4, 1, struct.pack("<L", place))
    for tag, (kind, count, data) in sorted(packed.items()):
        if len(data) > 4:
            where = struct.pack("<L", start + len(later))
            later += data + b"\0" * (len(data) % 2)
        else:
            where = data.ljust(4, b"\0")
        entries.append(struct.pack("<HHL", tag, kind, count) + where)
    head = b"II*\0" + struct.pack("<L", 8) + struct.pack("<H", len(entries))
    return head + b"".join(entries) + struct.pack("<L", 0) + later + body


def dng(samples: np.ndarray, photometric: int, *, tags: Tags | None = None, packed: bool = False) -> bytes:
    """
    Return a DNG.

    Args:
        samples: (rows, columns) or (rows, columns, 3), uint16 or float32.
        photometric: 32803 for a colour pattern, 34892 for linear samples.
        tags: more of them, or others.
        packed: compressed without loss, as most cameras do (lossless JPEG, ITU-T T.81 Annex H).
    """
    body = imagecodecs.ljpeg_encode(samples, bitspersample=16) if packed else samples.tobytes()
    depth = 1 if samples.ndim == 2 else samples.shape[2]
    own: Tags = {
        254: (4, 0), 256: (4, samples.shape[1]), 257: (4, samples.shape[0]),
        258: (3, [samples.dtype.itemsize * 8] * depth), 259: (3, 7 if packed else 1), 262: (3, photometric),
        271: (2, "Ochre"), 272: (2, "Ochre Kinds"), 274: (3, 1), 277: (3, depth), 278: (4, samples.shape[0]),
        279: (4, len(body)), 284: (3, 1), 50706: (1, (1, 4, 0, 0)), 50707: (1, (1, 1, 0, 0)),
        50708: (2, "Ochre Kinds"), 50714: (4, [BLACK] * depth), 50717: (4, [FULL] * depth),
        33434: (5, 1 / 60), 33437: (5, 8.0), 34855: (3, 200),
    }  # fmt: skip
    if depth == 3 or photometric == 32803:
        own |= {50721: (10, [1.0, 0, 0, 0, 1.0, 0, 0, 0, 1.0]), 50728: (5, list(BALANCE)), 50778: (3, 21)}
    return tiff(own | (tags or {}), body)


def cfa(pattern: tuple[int, ...], across: int, colours: tuple[int, ...] = (0, 1, 2)) -> Tags:
    """Return the tags of a colour pattern: 0 red, 1 green, 2 blue, place by place."""
    return {
        33421: (3, (len(pattern) // across, across)),
        33422: (1, pattern),
        50710: (1, colours),
        50711: (3, 1),
    }
