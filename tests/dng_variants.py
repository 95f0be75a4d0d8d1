"""
DNG files as other writers make them: tiled, packed in every way, floats, tables, borders. `dngs.py` writes plain ones.

Tags after the DNG specification 1.6 and TIFF/EP. Written with tifffile, so that nothing of ours makes what ours reads.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator, Sequence
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

RGGB = ((0, 1), (1, 2))
SIX_BY_SIX = (
    (1, 2, 1, 1, 0, 1),
    (0, 1, 0, 2, 1, 2),
    (1, 2, 1, 1, 0, 1),
    (1, 0, 1, 1, 2, 1),
    (2, 1, 2, 0, 1, 0),
    (1, 0, 1, 1, 2, 1),
)
TILE = 256
_CFA, _LINEAR = 32803, 34892
_FROM_XYZ = ((0.8, -0.2, -0.1), (-0.3, 1.2, 0.1), (-0.05, 0.2, 0.6), (0.3, 0.4, 0.3))
_NEUTRAL = (0.5, 1.0, 0.6, 0.8)

Tag = tuple[int, int, int, Any, bool]


def rationals(values: Any) -> tuple[int, ...]:
    return tuple(part for value in np.ravel(values) for part in (round(float(value) * 10_000), 10_000))


def dng(
    samples: NDArray[Any],
    pattern: Sequence[Sequence[int]] | None = RGGB,
    *,
    black: Any = 0,
    white: int = 16383,
    colours: Sequence[int] = (0, 1, 2),
    matrix: bool = True,
    tags: Sequence[Tag] = (),
    compression: int | None = None,
    predictor: int | None = None,
) -> bytes:
    """
    Return a DNG's bytes.

    Args:
        samples: (rows, columns), or (rows, columns, 3) for whole colours.
        pattern: which colour each place has; None: no pattern (a sensor without colours, or whole colours).
        black: one level, or one for each place of a repeat pattern.
        white: what WhiteLevel says.
        colours: CFAPlaneColor: 0 red, 1 green, 2 blue, 3 cyan, 4 magenta, 5 yellow, 6 white.
        matrix: whether there is a ColorMatrix1, as any camera that the writer knew has.
        tags: more of them.
        compression: TIFF's number; 7 is lossless JPEG; in tiles.
        predictor: TIFF's number.
    """
    several = samples.shape[2] if samples.ndim == 3 else 1
    levels = np.atleast_2d(black)
    extra: list[Tag] = [
        (271, 2, 0, "Kiln", True),
        (272, 2, 0, "Kiln One", True),
        (274, 3, 1, 1, True),
        (50706, 1, 4, (1, 6, 0, 0), True),
        (50707, 1, 4, (1, 4, 0, 0), True),
        (50708, 2, 0, "Kiln One", True),
        (50713, 3, 2, levels.shape, True),
        (50714, 5, levels.size * several, rationals(np.repeat(levels, several)), True),
        (50717, 4, several, (white,) * several if several > 1 else white, True),
    ]
    if pattern is not None:
        places = np.asarray(pattern)
        extra += [
            (33421, 3, 2, places.shape, True),
            (33422, 1, places.size, tuple(places.ravel().tolist()), True),
            (50710, 1, len(colours), tuple(colours), True),
            (50711, 3, 1, 1, True),
        ]
    if matrix and (pattern is not None or several == 3):
        count = len(colours)
        extra += [
            (50721, 10, 3 * count, rationals(_FROM_XYZ[:count]), True),
            (50778, 3, 1, 21, True),
            (50728, 5, count, rationals(_NEUTRAL[:count]), True),
        ]
    lossless = compression == 7 and several == 1  # whole colours: the writer's own, which is lossy
    plain = several == 1  # the writer refuses one sample of LinearRaw: its tag is set afterwards
    shape: dict[str, Any] = {} if compression is None else {"tile": (TILE, TILE)}
    if several > 1:
        shape["planarconfig"] = 1
    if lossless:
        shape |= {"shape": samples.shape, "dtype": samples.dtype}
    file = io.BytesIO()
    tifffile.imwrite(
        file,
        _lossless_tiles(samples) if lossless else samples,
        photometric=_CFA if plain else _LINEAR,
        compression=compression,
        predictor=predictor,
        extratags=[*extra, *tags],
        metadata=None,
        software=False,
        **shape,
    )
    data = file.getvalue()
    if plain and pattern is None:
        data = data.replace(struct.pack("<HHII", 262, 3, 1, _CFA), struct.pack("<HHII", 262, 3, 1, _LINEAR))
    return data


def _lossless_tiles(samples: NDArray[Any]) -> Iterator[bytes]:
    for y in range(0, samples.shape[0], TILE):
        for x in range(0, samples.shape[1], TILE):
            tile = np.zeros((TILE, TILE), samples.dtype)
            part = samples[y : y + TILE, x : x + TILE]
            tile[: part.shape[0], : part.shape[1]] = part
            yield imagecodecs.ljpeg_encode(tile, bitspersample=16)


def light_of_codes(rows: int, columns: int, power: int) -> Tag:
    """Return OpcodeList2 that raises codes to a power (MapPolynomial, one for each colour): how lossy DNG does it."""
    opcodes = struct.pack(">I", 3)
    for plane in range(3):
        body = struct.pack(">8I", 0, 0, rows, columns, plane, 1, 1, 1)
        body += struct.pack(f">I{power + 1}d", power, *([0.0] * power), 1.0)
        opcodes += struct.pack(">4I", 8, 0x01030000, 0, len(body)) + body
    return 51009, 7, len(opcodes), opcodes, True
