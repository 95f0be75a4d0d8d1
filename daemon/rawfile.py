"""Raw files through LibRaw: bytes in, sensor samples with their levels out, or one line that says why not."""

from __future__ import annotations

import io
from functools import partial
from typing import Any

import numpy as np
import rawpy
from numpy.typing import NDArray

from lampblack.daemon.clean import clean
from lampblack.daemon.dng import read_dng
from lampblack.daemon.exif import read_shot
from lampblack.daemon.refusal import FrameRefusedError, refuse_bomb
from lampblack.rules.beside import Beside, each, when_asked
from lampblack.rules.cells import split
from lampblack.rules.colour import SRGB_TO_XYZ, Profile
from lampblack.rules.exposure import Exposure
from lampblack.rules.frame import Plane, Sensor, Shot
from lampblack.rules.thresholds import Thresholds

_QUARTER_TURNS = {0: 0, 3: 2, 5: 1, 6: 3}
"""LibRaw's flip to quarter turns against the clock."""

_D65_KELVIN = 6504.0
_MASKED_ENOUGH = 16  # pixels of masked border from which its level can be trusted


def read_sensor(data: bytes, thresholds: Thresholds, beside: Beside = when_asked) -> Sensor:
    """
    Return the sensor samples of a raw file of any kind that LibRaw reads, upright.

    Raises:
        FrameRefusedError: unknown, unfinished or damaged.
    """
    dng = read_dng(data)
    if dng is not None and dng.misread is not None:
        raise FrameRefusedError(dng.misread)
    unread = None if dng is None else dng.unread
    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            refuse_bomb(raw.sizes.raw_width, raw.sizes.raw_height, 2, len(data), thresholds)
            # Read while LibRaw unpacks, which lets others run.
            told = beside(partial(read_shot, data))
            image = raw.raw_image_visible if raw.raw_type == rawpy.RawType.Flat else raw.raw_image
            profiles = dng.profiles if dng is not None and dng.profiles else _profiles(raw)
            return _sensor(raw, image, _shot(raw, told()[0]), profiles, beside)
    except FrameRefusedError:
        raise
    except rawpy.LibRawFileUnsupportedError:
        text = unread or "no raw file that LibRaw knows, or its header is damaged: copy it again, or export it as DNG"
        raise FrameRefusedError(text, final=False) from None
    except MemoryError:
        raise FrameRefusedError(
            "the raw file's samples do not fit into the memory allowed: export it smaller"
        ) from None
    except Exception as wrong:  # a parser of untrusted bytes may raise anything
        said = wrong.args[0] if wrong.args else wrong
        said = clean(said if isinstance(said, bytes) else str(said), 100)
        text = unread or f"damaged or unfinished raw file ({type(wrong).__name__}: {said}): copy it again"
        raise FrameRefusedError(text, final=False) from None


_BURNT_OUT = 0.9
"""Of white. A decoder that has run out of data leaves nothing, or half: wells that are full at so little, as those of
extended low speeds, can't be told from that where not one sample differs."""


def _holds_nothing(image: NDArray[np.uint16], whites: NDArray[Any]) -> bool:
    """Say whether samples are all alike, and not for being burnt out all over."""
    some = image[::16, ::16]
    alike = some.min() == some.max() and image.min() == image.max()
    return bool(alike and some[0, 0] < _BURNT_OUT * whites.min())


def _sensor(raw: Any, image: NDArray[np.uint16], shot: Shot, profiles: tuple[Profile, ...], beside: Beside) -> Sensor:
    pattern = _pattern(raw, image)
    blacks, whites = _blacks(raw, pattern), _whites(raw, pattern)
    if _holds_nothing(image, whites):
        raise FrameRefusedError(
            "the raw file holds one value throughout, its copy was cut short: copy it again", final=False
        )
    if (whites - blacks).min() < 64:
        raise FrameRefusedError("the raw file's black and white levels make no sense: export it as DNG or TIFF")
    shift = max(0, int(np.log2(65535 / whites.max())))  # means are rounded to whole samples: leave them room
    turns = _QUARTER_TURNS.get(int(raw.sizes.flip), 0)
    down, across = pattern.shape

    def of_colour(c: int) -> list[Plane]:
        samples = np.ascontiguousarray(image[..., c])
        return [_plane(samples, c, float(blacks[0, 0]), float(whites[0, 0]), shift, turns)]

    def of_line(y: int) -> list[Plane]:
        levels = zip(pattern[y].tolist(), blacks[y].tolist(), whites[y].tolist(), strict=True)
        places = zip(_places_of(image, y, pattern.shape), levels, strict=True)
        return [_plane(samples, *of_place, shift, turns) for samples, of_place in places]

    found = each(of_colour, range(3), beside) if image.ndim == 3 else each(of_line, range(down), beside)
    height, width = image.shape[:2]
    return Sensor(
        planes=tuple(plane for planes in found for plane in planes),
        width=height if turns % 2 else width,
        height=width if turns % 2 else height,
        period=(down, across),
        balance=_balance(raw),
        to_srgb=_matrix(raw),
        shot=shot,
        profiles=() if pattern.size == 1 and image.ndim == 2 else profiles,
        turned=turns % 2 == 1,
    )


def _places_of(image: NDArray[np.uint16], y: int, period: tuple[int, ...]) -> Any:
    """Return copies of the samples of each place in one line of the pattern."""
    down, across = period
    rows, columns = image.shape[0] // down, image.shape[1] // across
    line = image[y : rows * down : down, : columns * across]
    if across == 2:  # taken apart as if they were two colours: three times as fast as by every second one
        return split(line.reshape(rows, columns, 2))
    return [line[:, x::across].copy() for x in range(across)]


def _plane(samples: Any, channel: int, black: float, white: float, shift: int, turns: int) -> Plane:
    """Make a plane of samples that nobody else holds."""
    if shift:
        np.left_shift(samples, shift, out=samples)
    upright = np.ascontiguousarray(np.rot90(samples, turns))
    return Plane(upright, channel, float(black) * 2**shift, float(white) * 2**shift)


def _pattern(raw: Any, image: Any) -> NDArray[np.int64]:
    """Return the channel (0 red, 1 green, 2 blue) of each place of the colour pattern; one green place if none."""
    if image.ndim == 3 or raw.raw_pattern is None or raw.num_colors == 1:
        return np.ones((1, 1), np.int64)
    colours = np.asarray(raw.raw_pattern)
    names = raw.color_desc.decode("ascii", "replace")
    channels = {"R": 0, "G": 1, "B": 2}
    if any(names[c] not in channels for c in np.unique(colours)):
        raise FrameRefusedError(
            f"a sensor with colours {names!r}: only red, green and blue are measured; export it as TIFF"
        )
    return np.vectorize(lambda c: channels[names[c]])(colours)  # type: ignore[no-any-return]


def _places(raw: Any, pattern: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return LibRaw's own colour index of each place: what its levels are listed by."""
    if raw.raw_pattern is None or pattern.shape == (1, 1):
        return np.zeros((1, 1), np.int64)
    return np.asarray(raw.raw_pattern, np.int64)


def _blacks(raw: Any, pattern: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return each place's black: what the masked border measures, if there is one and it agrees with itself."""
    tagged = np.asarray(raw.black_level_per_channel, np.float64)[_places(raw, pattern)]
    sizes = raw.sizes
    if raw.raw_type != rawpy.RawType.Flat:
        return tagged
    whole, down, across = raw.raw_image, pattern.shape[0], pattern.shape[1]
    if sizes.left_margin >= _MASKED_ENOUGH:
        masked = whole[sizes.top_margin : sizes.top_margin + sizes.height, 4 : sizes.left_margin - 4]
        origin = sizes.top_margin, 4
    elif sizes.top_margin >= _MASKED_ENOUGH:
        masked = whole[4 : sizes.top_margin - 4, sizes.left_margin : sizes.left_margin + sizes.width]
        origin = 4, sizes.left_margin
    else:
        return tagged
    measured = tagged.copy()
    span = float(raw.white_level) - tagged.mean()
    for y, x in np.ndindex(down, across):
        # The visible picture's own corner is place (0, 0) of the pattern.
        first_y = (y + sizes.top_margin - origin[0]) % down
        first_x = (x + sizes.left_margin - origin[1]) % across
        samples = masked[first_y::down, first_x::across]
        low, level, high = np.percentile(samples, [5, 50, 95]) if samples.size > 500 else (0, tagged[y, x], span)
        if high - low < 0.02 * span and abs(level - tagged[y, x]) < 0.05 * span:
            measured[y, x] = samples[(samples >= low) & (samples <= high)].mean()
    return measured


def _whites(raw: Any, pattern: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return each place's white as tagged; `rules.raw.saturation` holds it against the data."""
    listed = raw.camera_white_level_per_channel
    common = float(raw.white_level) or 65535.0
    whites = np.full(pattern.shape, common)
    if listed is not None:
        own = np.asarray(listed, np.float64)[_places(raw, pattern)]
        whites = np.where((own > 0) & (own <= common * 1.05), own, whites)
    return whites


def _balance(raw: Any) -> NDArray[np.float64]:
    """Return the white balance as shot, else the camera's daylight, else none; least gain 1."""
    for gains in (raw.camera_whitebalance, raw.daylight_whitebalance):
        rgb = np.asarray(gains, np.float64)[:3]
        if np.isfinite(rgb).all() and (rgb > 0).all():
            return rgb / rgb.min()  # type: ignore[no-any-return]
    return np.ones(3)


def _matrix(raw: Any) -> NDArray[np.float64]:
    """Return balanced camera colours to linear sRGB, rows summing to 1 so that grey stays grey."""
    matrix = np.asarray(raw.color_matrix, np.float64)[:3, :3]
    if not matrix.any():
        from_xyz = np.asarray(raw.rgb_xyz_matrix, np.float64)[:3]
        camera = from_xyz @ SRGB_TO_XYZ
        sums = camera.sum(axis=1, keepdims=True)
        if not from_xyz.any() or (sums <= 0).any() or abs(np.linalg.det(camera / sums)) < 1e-6:
            return np.eye(3)
        matrix = np.linalg.inv(camera / sums)
    sums = matrix.sum(axis=1, keepdims=True)
    return matrix / sums if np.isfinite(matrix).all() and (np.abs(sums) > 1e-3).all() else np.eye(3)


def _profiles(raw: Any) -> tuple[Profile, ...]:
    """Return LibRaw's own table of the camera: its colours under D65."""
    from_xyz = np.asarray(raw.rgb_xyz_matrix, np.float64)[:3]
    if not np.isfinite(from_xyz).all() or abs(float(np.linalg.det(from_xyz))) < 1e-6:
        return ()
    return (Profile(_D65_KELVIN, from_xyz),)


def _shot(raw: Any, shot: Shot) -> Shot:
    """Return the file's own Exif, else that of its preview, else what LibRaw read of its maker's notes."""
    if shot.exposure.stops is None:
        shot = _preview_shot(raw) or shot
    if shot.exposure.stops is None:
        other = raw.other  # forces the samples to be unpacked, which they are about to be anyway
        exposure = Exposure.of(_positive(other.aperture), _positive(other.shutter_speed), _positive(other.iso_speed))
        shot = Shot(exposure, shot.taken_at, shot.camera, shot.lens)
    return shot


def _preview_shot(raw: Any) -> Shot | None:
    try:
        preview = raw.extract_thumb()
    except Exception:  # some have none, some a garbled one
        return None
    if preview.format != rawpy.ThumbFormat.JPEG:
        return None
    shot, _ = read_shot(preview.data)
    return shot if shot.exposure.stops is not None else None


def _positive(value: float) -> float | None:
    return float(value) if np.isfinite(value) and value > 0 else None
