"""
Has the camera, the focus or the subject moved since the setup's first frame? Has anything come into the picture?

The first frame gives a few dozen small tiles at full resolution, where there is structure to hold on to. In later
frames each is looked for again (normalised cross-correlation: blind to exposure), and most of them must agree: a tripod
moves all of them alike, a shadow or a lamp only some. How sharp the same tiles are tells of focus and shake.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.distribution import percentile
from lampblack.rules.figures import percent
from lampblack.rules.frame import Picture, Plane, Sensor
from lampblack.rules.optics import AIRY, airy_um
from lampblack.rules.thresholds import Steadiness as Limits
from lampblack.rules.tone import LIGHT_OF_CODE

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_TILE = 64  # samples along a tile
_NEAR, _FAR = 6, 80  # samples that a tile is looked for around its place: first, and if that finds nothing
_COARSE = 4  # far off it is looked for in so many times fewer samples first
_CALM = 1.5  # samples of blur under which tiles are held against each other: a softer frame is still the same picture
_ACROSS, _DOWN = 7, 5  # one tile at most in each of so many parts of the picture
_LEAST_SPREAD = 3.0  # codes of standard deviation: less is nothing to hold on to
_LEAST_ALIKE = 0.75  # correlation from which a tile counts as found
_LEAST_TILES = 5
_MOST_CLIPPED = 0.02  # of a tile's samples: what is burnt out has lost its edges, or found others
_CLIPPED_CODE = 249
_AGREE = 0.75  # samples within which tiles agree
_LAGS = 2, 7  # samples: a contrast that blur of a pixel or two takes, and one that it leaves alone
_CALMER = 0.8  # samples of blur under which sharpness is measured: an eighth of the noise is left


@dataclass(frozen=True, eq=False)
class Tiles:
    """
    Pieces of one frame at full resolution.

    corners: (n, 2) x, y of each in samples. patches: (n, 64, 64) uint8 codes of green. pitch: pixels of the frame from
    one sample to the next. size: (width, height) of the frame in pixels. raw: of sensor samples. airy: the diameter
    of the Airy disc in pixels, 0 if not known. fine: the fine contrast of each (see `_fine`).
    """

    corners: NDArray[np.int64]
    patches: NDArray[np.uint8]
    pitch: int
    size: tuple[int, int]
    raw: bool
    airy: float
    fine: tuple[float | None, ...]


@dataclass(frozen=True)
class Smear:
    """
    Softness that lies one way, as shake leaves it.

    way: degrees from the picture's width, counter-clockwise as seen, 0 to 180; right to some 15. stops: of contrast
    lost along it beyond what is lost across.
    """

    way: float
    stops: float


@dataclass(frozen=True)
class Moved:
    """
    A frame against the setup's first.

    shift: (dx, dy) of the picture's content in pixels, at its middle, right and down; None where tiles don't agree.
    rotation: degrees, clockwise. subject: whether part of the picture moved and the rest did not. sharpness: how much
    fine contrast there is against the first frame's (1: as much). blur: standard deviation, in pixels, by which it is
    softer than the first frame, beyond what its aperture explains; negative where it is sharper. smear: how it is
    softer one way than the other; None where it is so evenly. elsewhere: some parts are softer than in the first frame,
    and others sharper.
    """

    shift: tuple[float, float] | None
    rotation: float = 0.0
    subject: bool = False
    sharpness: float | None = None
    blur: float = 0.0
    smear: Smear | None = None
    elsewhere: bool = False


def tiles_of(picture: Picture | Sensor, bright: NDArray[np.float32]) -> Tiles | None:
    """
    Return a frame's tiles, where it has most structure; None where it has none.

    bright: (rows, columns) the light of its cells.
    """
    codes, pitch = _codes(picture)
    spots = _corners_of(bright)
    rows, columns = codes.shape
    corners = []
    for y, x in spots:
        left = round(x * columns - _TILE / 2)
        top = round(y * rows - _TILE / 2)
        if _FAR <= left < columns - _TILE - _FAR and _FAR <= top < rows - _TILE - _FAR:
            corners.append((left, top))
    patches = [_code(picture, codes[y : y + _TILE, x : x + _TILE]) for x, y in corners]
    kept = [i for i, patch in enumerate(patches) if float(patch.std()) >= _LEAST_SPREAD]
    if len(kept) < _LEAST_TILES:
        return None
    return Tiles(
        np.array([corners[i] for i in kept]),
        np.stack([patches[i] for i in kept]),
        pitch,
        (picture.width, picture.height),
        isinstance(picture, Sensor),
        _airy_pixels(picture),
        tuple(_fine(patches[i]) for i in kept),
    )


def moved(first: Tiles, picture: Picture | Sensor) -> Moved | None:
    """Return how a frame lies against the tiles of the first; None where they can't be compared."""
    codes, pitch = _codes(picture)
    if first.size != (picture.width, picture.height) or first.raw != isinstance(picture, Sensor):
        return None
    pose = None
    reach, soften, sure = _NEAR, 0.0, np.zeros(len(first.corners), bool)
    for _ in range(3):
        found, alike = _search(first, picture, codes, reach, soften)
        sure = alike >= _LEAST_ALIKE
        pose = _pose(first, found, sure)
        if pose is not None and np.count_nonzero(pose.agreed) >= max(_LEAST_TILES, 0.5 * np.count_nonzero(sure)):
            break
        pose = None
        # Softer or sharper tiles are found a little off, each its own way: made alike first, they are not.
        softer = 0.0
        if reach == _NEAR and not soften:
            softer = _sharpness(_pairs(first, picture, codes, found, sure), first, picture)[1]
        reach, soften = (_NEAR, softer / first.pitch) if abs(softer) > _SOFTER else (_FAR, 0.0)
    if pose is None:
        return Moved(None) if np.count_nonzero(sure) >= _LEAST_TILES else None
    others = np.count_nonzero(sure & ~pose.agreed & (np.hypot(*(found - pose.at(first.corners)).T) > 2 * _AGREE))
    pairs = _pairs(first, picture, codes, found, pose.agreed)
    sharpness, blur = _sharpness(pairs, first, picture)
    dx, dy = pose.middle * pitch
    apart = bool(others >= max(3, 0.25 * np.count_nonzero(sure)))
    smear = _smear(pairs) if blur > _TELLING_SMEAR else None
    return Moved((float(dx), float(dy)), pose.degrees, apart, sharpness, blur, smear, _is_elsewhere(pairs))


def _green(sensor: Sensor) -> Plane:
    """Return the green plane, or the only one of a sensor without colour."""
    return next((plane for plane in sensor.planes if plane.channel == 1), sensor.planes[0])


def _codes(picture: Picture | Sensor) -> tuple[Any, int]:
    """Return the green samples, not yet coded, and how many pixels lie from one to the next."""
    if isinstance(picture, Sensor):
        return _green(picture).samples, picture.period[0]
    return picture.codes[..., 1], 1


def _code(picture: Picture | Sensor, samples: Any) -> NDArray[np.uint8]:
    """Return samples as bytes that are even to the eye, so that noise is about the same from dark to bright."""
    if isinstance(picture, Sensor):
        plane = _green(picture)
        share = np.clip((samples.astype(np.float32) - plane.black) / (plane.white - plane.black), 0, 1)
        return np.asarray(np.sqrt(share) * 255, np.uint8)
    if samples.dtype == np.uint16:
        return np.asarray(samples >> 8, np.uint8)
    return np.ascontiguousarray(samples, np.uint8)


def _corners_of(bright: NDArray[np.float32]) -> list[tuple[float, float]]:
    """Return the places with most structure both ways, one in each part of the picture, in shares down and across."""
    log = np.log2(np.maximum(bright, 1e-4)).astype(np.float32)
    strength = cv2.cornerMinEigenVal(cv2.GaussianBlur(log, (0, 0), 1.5), 7, ksize=3)
    rows, columns = strength.shape
    found = []
    for band in np.array_split(np.arange(rows), _DOWN):
        for part in np.array_split(np.arange(columns), _ACROSS):
            block = strength[band[0] : band[-1] + 1, part[0] : part[-1] + 1]
            if not block.size:
                continue
            _, most, _, (x, y) = cv2.minMaxLoc(block)
            if most > 1e-4:
                found.append(((band[0] + y + 0.5) / rows, (part[0] + x + 0.5) / columns))
    return found


_SOFTER = 0.8  # pixels


def _search(first: Tiles, picture: Picture | Sensor, codes: Any, reach: int, soften: float) -> tuple[Floats, Floats]:
    """
    Return each tile's shift in samples, to a fraction, and how much it is alike there.

    soften: samples of blur by which the first frame's tiles are softened, or if negative this one's.
    """
    shifts, alike = np.zeros((len(first.corners), 2)), np.zeros(len(first.corners))
    for i, ((x, y), patch) in enumerate(zip(first.corners, first.patches, strict=True)):
        about = _code(picture, codes[y - reach : y + _TILE + reach, x - reach : x + _TILE + reach])
        if float(about.std()) < _LEAST_SPREAD / 2 or _is_burnt(about) or _is_burnt(patch):
            continue
        at = (reach, reach) if reach == _NEAR else _roughly(about, patch)
        left, top = (min(max(where - _NEAR, 0), 2 * (reach - _NEAR)) for where in at)
        window = about[top : top + _TILE + 2 * _NEAR, left : left + _TILE + 2 * _NEAR]
        score, (across, down), best = _alike(_edges(window, -soften), _edges(patch, soften))
        if not (0 < across < score.shape[1] - 1 and 0 < down < score.shape[0] - 1):
            continue  # at the end of its reach: who knows where it is
        alike[i] = best
        shifts[i] = (
            left + across - reach + _peak(score[down, across - 1 : across + 2]),
            top + down - reach + _peak(score[down - 1 : down + 2, across]),
        )
    return shifts, alike


def _is_burnt(patch: Any) -> bool:
    return bool(np.mean(patch >= _CLIPPED_CODE) > _MOST_CLIPPED)


def _edges(patch: Any, soften: float) -> tuple[Any, Any]:
    """
    Return the slopes of a patch's light, across and down.

    Of light, not of codes: a lens mixes light, and in codes an edge that it softens wanders to the darker side.
    """
    calm = cv2.GaussianBlur(cv2.LUT(patch, _LIGHT), (0, 0), math.hypot(_CALM, max(soften, 0.0)))
    return cv2.Sobel(calm, cv2.CV_32F, 1, 0), cv2.Sobel(calm, cv2.CV_32F, 0, 1)


def _alike(window: tuple[Any, Any], patch: tuple[Any, Any]) -> tuple[Any, tuple[int, int], float]:
    """
    Return how alike a patch's edges are at each place of a window, the best place (x, y), and the correlation there.

    Edges, and not light: a blurred corner has its edges about where they were, but would be found farther in.
    """
    score: Any = sum(
        cv2.matchTemplate(one, other * _FRAME, cv2.TM_CCORR) for one, other in zip(window, patch, strict=True)
    )
    theirs = cv2.matchTemplate(sum(edge * edge for edge in window), _FRAME, cv2.TM_CCORR)
    own = sum(float((edge * edge * _FRAME).sum()) for edge in patch)
    score = score / np.sqrt(np.maximum(theirs * own, 1e-6))
    _, most, _, (x, y) = cv2.minMaxLoc(score)
    return score, (int(x), int(y)), most


_LIGHT = LIGHT_OF_CODE.astype(np.float32)  # near enough for raw too, whose codes are square roots
_FRAME = np.outer(np.hanning(_TILE), np.hanning(_TILE)).astype(np.float32)
"""Fades a patch out toward its rim, where an edge may come in."""


def _roughly(about: Any, patch: Any) -> tuple[int, int]:
    """Return where a patch lies in a larger one, x and y, to a few samples."""
    small = [
        cv2.resize(each, (each.shape[1] // _COARSE, each.shape[0] // _COARSE), interpolation=cv2.INTER_AREA)
        for each in (about, patch)
    ]
    _, _, _, (x, y) = cv2.minMaxLoc(cv2.matchTemplate(small[0], small[1], cv2.TM_CCOEFF_NORMED))
    return x * _COARSE, y * _COARSE


def _peak(three: Any) -> float:
    """Return where a parabola through three values has its top, from the middle one."""
    before, here, after = (float(value) for value in three)
    bend = before - 2 * here + after
    return 0.0 if bend >= 0 else (before - after) / (2 * bend)


@dataclass(frozen=True, eq=False)
class _Pose:
    """A turn and a shift of the whole picture. middle: (2,) shift in samples at its middle. turn: radians."""

    middle: Floats
    turn: float
    centre: Floats
    agreed: Mask

    @property
    def degrees(self) -> float:
        return math.degrees(self.turn)

    def at(self, corners: Any) -> Floats:
        """Return the shift of tiles at these corners."""
        away = np.asarray(corners, float) + _TILE / 2 - self.centre
        shift: Floats = self.middle + self.turn * np.stack([-away[:, 1], away[:, 0]], axis=1)
        return shift


def _pose(first: Tiles, found: Floats, sure: Mask) -> _Pose | None:
    """Return the shift and turn on which most tiles agree; small turns only, as a nudge makes."""
    if np.count_nonzero(sure) < _LEAST_TILES:
        return None
    centre = np.array(first.size) / (2 * first.pitch)
    away = first.corners + _TILE / 2 - centre
    middle, turn = _from_each_two(away, found, np.flatnonzero(sure))
    if not len(turn):
        return None
    shift = middle[:, None] + turn[:, None, None] * np.stack([-away[:, 1], away[:, 0]], axis=1)
    agreed = sure & (np.hypot(*np.moveaxis(found - shift, 2, 0)) < _AGREE)
    best = int(np.argmax(np.count_nonzero(agreed, axis=1)))
    return _refined(first, found, _Pose(middle[best], float(turn[best]), centre, agreed[best]))


_MOST_TURN = 0.02  # radians: more is another picture


def _from_each_two(away: Floats, found: Floats, places: Any) -> tuple[Floats, Floats]:
    """
    Return the shift at the picture's middle and the turn that each two tiles tell, if they lie apart and it is small.

    Args:
        away: (n, 2) where tiles lie, from the middle.
        found: (n, 2) their shifts.
        places: which of them to ask.
    """
    one, other = (places[index] for index in np.triu_indices(len(places), 1))
    apart, change = away[other] - away[one], found[other] - found[one]
    length = np.square(apart).sum(axis=1)
    turn = (apart[:, 0] * change[:, 1] - apart[:, 1] * change[:, 0]) / np.maximum(length, 1)
    telling = (length >= (2 * _TILE) ** 2) & (np.abs(turn) <= _MOST_TURN)
    one, turn = one[telling], turn[telling]
    middle = found[one] - turn[:, None] * np.stack([-away[one, 1], away[one, 0]], axis=1)
    return middle, turn


def _refined(first: Tiles, found: Floats, pose: _Pose) -> _Pose:
    """Return the pose by least squares over all the tiles that agree."""
    away = first.corners[pose.agreed] + _TILE / 2 - pose.centre
    n = len(away)
    if n < 2:
        return pose
    terms = np.zeros((2 * n, 3))
    terms[:n, 0] = terms[n:, 1] = 1
    terms[:n, 2], terms[n:, 2] = -away[:, 1], away[:, 0]
    wanted = np.concatenate(found[pose.agreed].T)
    dx, dy, turn = np.linalg.lstsq(terms, wanted, rcond=None)[0]
    return _Pose(np.array([dx, dy]), float(turn), pose.centre, pose.agreed)


# ---------------------------------------------------------------- sharpness


@dataclass(frozen=True, eq=False)
class _Pair:
    """A tile in the first frame and in this one: codes, and the fine contrast of each."""

    before: Any
    now: Any
    was: float
    fine: float


def _pairs(first: Tiles, picture: Picture | Sensor, codes: Any, found: Floats, agreed: Mask) -> list[_Pair]:
    pairs = []
    for i in np.flatnonzero(agreed):
        x, y = (first.corners[i] + np.rint(found[i]).astype(int)).tolist()
        now = _code(picture, codes[max(y, 0) : y + _TILE, max(x, 0) : x + _TILE])
        before, was = first.patches[i], first.fine[i]
        if now.shape == before.shape and was is not None:
            fine = _fine(now)
            if fine is not None:
                pairs.append(_Pair(before, now, was, fine))
    return pairs


def _sharpness(pairs: list[_Pair], first: Tiles, picture: Picture | Sensor) -> tuple[float | None, float]:
    """
    Return the fine contrast of the tiles against the first frame's, and the blur in pixels that explains it.

    Asked of the tiles that are sharpest in one of the two frames: an opened aperture may soften what lies behind.
    """
    if len(pairs) < _LEAST_TILES:
        return None, 0.0
    told = [(max(p.fine, p.was), math.sqrt(p.fine / p.was), _blur_between(p)) for p in pairs]
    sharpest = sorted(told, reverse=True)[: max(3, len(told) // 2)]
    _, ratio, blur = np.median(sharpest, axis=0).tolist()
    blur *= first.pitch
    meant = _airy_sigma(_airy_pixels(picture)) ** 2 - _airy_sigma(first.airy) ** 2
    beyond = math.copysign(blur**2, blur) - meant
    return ratio, math.copysign(math.sqrt(abs(beyond)), beyond)


_TELLING_SMEAR = 0.5  # pixels: less tells nothing of how it came about
_WAYS = ((0.0, (0, 2)), (45.0, (-1, 1)), (90.0, (2, 0)), (135.0, (1, 1)))
"""Degrees from the width, counter-clockwise as seen, and the steps down and across that go that way."""
_SMEARED, _SMEARED_ALIKE = 0.06, 0.85
"""Stops lost along beyond those across, and the share of tiles that say so: of an even blur about half do."""


def _smear(pairs: list[_Pair]) -> Smear | None:
    """Return how this frame has lost more contrast one way than the other; None where it has lost it evenly."""
    lost = np.array([row for pair in pairs if (row := _lost_by_way(pair)) is not None])
    if len(lost) < _LEAST_TILES:
        return None
    # As a wave over the doubled angle, which tells ways between the four too.
    angles = np.radians([way for way, _ in _WAYS])
    along = float(np.angle((np.median(lost, axis=0) * np.exp(2j * angles)).sum()) / 2)
    more = lost @ np.cos(2 * (angles - along))
    if float(np.median(more)) < _SMEARED or float(np.mean(more > 0)) < _SMEARED_ALIKE:
        return None
    return Smear(math.degrees(along) % 180, float(np.median(more)))


def _lost_by_way(pair: _Pair) -> Any | None:
    """Return log2 of the contrast that a tile has lost each way, their mean taken off; None where one has none."""
    rows = []
    for patch in (pair.before, pair.now):
        calm = _calmed(patch)
        noise = _noise_of(calm)
        ways = [max(_squared(calm, down, across) - noise, 0.0) for _, (down, across) in _WAYS]
        if min(ways) < (3 * noise if patch is pair.before else 0.3 * noise):
            return None
        rows.append(np.log2(ways))
    lost = rows[0] - rows[1]
    return lost - lost.mean()


def _squared(grid: Any, down: int, across: int) -> float:
    """Return the mean squared difference between places so many steps apart, for steps of two samples' length."""
    moved = np.roll(grid, (-down, -across), axis=(0, 1))
    inner = (slice(2, -2), slice(2, -2))
    return float(np.square(moved[inner] - grid[inner]).mean()) * (4 / (down * down + across * across))


def _is_elsewhere(pairs: list[_Pair]) -> bool:
    """
    Say whether the focus lies at another depth: part of the picture is softer, part sharper.

    By fine contrast alone: where there are few tiles, and dark ones, a blur is guessed to a pixel or two.
    """
    change = np.array([math.sqrt(pair.fine / pair.was) for pair in pairs])
    parts = [int(np.count_nonzero(each)) for each in (change < _SOFTER_FINE, change > 1 / _SOFTER_FINE)]
    return min(parts) >= max(_LEAST_PART, _ELSEWHERE * len(pairs))


_SOFTER_FINE, _ELSEWHERE, _LEAST_PART = 0.9, 0.2, 3  # of fine contrast; of the tiles, each way; tiles


def _fine(patch: Any) -> float | None:
    """Return the share of a patch's contrast that is between near neighbours, noise taken off; None for too little."""
    calm = _calmed(patch)
    near, far = (_differences(calm, lag) for lag in _LAGS)
    noise = _noise_of(calm)
    if far - noise < max(_LEAST_SPREAD**2, 4 * noise) or near < 2 * noise:
        return None
    return (near - noise) / (far - noise)


def _calmed(patch: Any, sigma: float = _CALMER) -> Any:
    return cv2.GaussianBlur(patch.astype(np.float32), (0, 0), sigma)


def _differences(grid: Any, lag: int) -> float:
    across, down = grid[:, lag:] - grid[:, :-lag], grid[lag:] - grid[:-lag]
    return float((np.square(across).mean() + np.square(down).mean()) / 2)


def _noise_of(calm: Any) -> float:
    """Return what noise alone makes of the difference of neighbours, squared: that of the patch's plainest parts."""
    square = np.square(calm[:, _LAGS[0] :] - calm[:, : -_LAGS[0]])[:, : (_TILE - _LAGS[0]) // 8 * 8]
    blocks = square[: _TILE // 8 * 8].reshape(_TILE // 8, 8, -1, 8).mean(axis=(1, 3))
    return percentile(blocks.ravel(), 10) * _PLAINEST


_PLAINEST = 1.55
"""The lowest tenth of means of 64 squared differences of calmed noise lies a third under their mean (simulated)."""

_SIGMAS = (0.5, 0.75, 1.0, 1.3, 1.7, 2.2, 3.0, 4.0)


def _blur_between(pair: _Pair) -> float:
    """Return by how many samples (standard deviation) this frame is softer than the first; negative: sharper."""
    if pair.fine <= pair.was:
        return _needed(pair.before, pair.fine, pair.was)
    return -_needed(pair.now, pair.was, pair.fine)


def _needed(sharp: Any, wanted: float, own: float) -> float:
    """Return the blur that brings a patch's fine contrast down to what is wanted."""
    noise = _noise_of(_calmed(sharp))
    before_sigma, before = 0.0, own
    for sigma in _SIGMAS:
        whole = math.hypot(sigma, _CALMER)
        soft = _calmed(sharp, whole)
        left = noise * (_CALMER / whole) ** 4  # of noise that is blurred, in differences of near neighbours
        near, far = (_differences(soft, lag) for lag in _LAGS)
        after = max(near - left, 0.0) / max(far - left, 1e-6)
        if after <= wanted:
            part = (before - wanted) / max(before - after, 1e-9)
            return before_sigma + part * (sigma - before_sigma)
        before_sigma, before = sigma, after
    return _SIGMAS[-1]


def _airy_pixels(picture: Picture | Sensor) -> float:
    """Return the diameter of the Airy disc in pixels; of a sensor as wide as film where it isn't told."""
    f_number = picture.shot.exposure.f_number
    if f_number is None:
        return 0.0
    pitch = picture.shot.optics.pitch_um or 36_000 / max(picture.width, picture.height)
    return airy_um(f_number) / pitch


def _airy_sigma(diameter: float) -> float:
    """Return the standard deviation of the normal curve that an Airy disc is nearest to: 0.42 lambda N (textbook)."""
    return diameter * 0.42 / AIRY


# ---------------------------------------------------------------- what has come in


@dataclass(frozen=True)
class Reached:
    """Something new at the picture's edge. side: which. share: of the frame. depth: into it, share of its extent."""

    side: str
    share: float
    depth: float


def reaching_in(known: NDArray[np.float32], now: NDArray[np.float32], telling: Mask, limits: Limits) -> Reached | None:
    """
    Return what has come into the picture from its edge since the frames before, or None.

    Args:
        known: (rows, columns) the light of the frames before, at this frame's exposure.
        now: (rows, columns) this frame's.
        telling: (rows, columns) where both can tell.
        limits: the thresholds.
    """
    ratio = np.log2(np.maximum(now, 1e-4) / np.maximum(known, 1e-4)).astype(np.float32)
    if not telling.any():
        return None
    calm: Any = cv2.medianBlur(ratio - np.float32(np.median(ratio[telling])), 3)
    changed = telling & (np.abs(calm) > limits.reach_stops)
    if changed.mean() > limits.reach_most:
        return None  # that is the light
    image = cv2.morphologyEx(changed.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(image, connectivity=8)
    best: Reached | None = None
    rows, columns = changed.shape
    for label in range(1, len(stats)):
        share = stats[label, cv2.CC_STAT_AREA] / changed.size
        if share < limits.reach_least or (best is not None and share < best.share):
            continue
        piece = labels == label
        edges = {
            "left": piece[:, :2].any(axis=1).sum() / rows,
            "right": piece[:, -2:].any(axis=1).sum() / rows,
            "top": piece[:2].any(axis=0).sum() / columns,
            "bottom": piece[-2:].any(axis=0).sum() / columns,
        }
        side = max(edges, key=lambda name: edges[name])
        if edges[side] > 0:
            wide, high = stats[label, cv2.CC_STAT_WIDTH] / columns, stats[label, cv2.CC_STAT_HEIGHT] / rows
            best = Reached(side, float(share), float(wide if side in ("left", "right") else high))
    return best


# ---------------------------------------------------------------- in words


def shift_text(moved: Moved, long_side: int, limits: Limits) -> str | None:
    """Return a line on a picture that has shifted or turned since the setup's first frame."""
    if moved.shift is None:
        return None
    dx, dy = moved.shift
    least = max(limits.shift_share * long_side, limits.shift_pixels)
    at_rim = math.radians(abs(moved.rotation)) * long_side / 2
    if math.hypot(dx, dy) <= least and at_rim <= least:
        return None
    ways = [
        f"{abs(by):.1f} {way}" for by, way in ((dx, "right" if dx > 0 else "left"), (dy, "down" if dy > 0 else "up"))
    ]
    turned = f", turned by {abs(moved.rotation):.2f} degrees" if at_rim > least else ""
    return f"The picture lies {' and '.join(ways)} of the first frame's, in pixels{turned}: was the tripod nudged?"


def is_softer(blur: float, fine: float, moved: Moved, limits: Limits) -> bool:
    """Say whether a frame is softer than it should be, by its blur and fine contrast against the sharpest frame's."""
    smeared = moved.smear is not None and moved.smear.stops > limits.smear_stops
    return fine < limits.fine_share and (blur > limits.blur_pixels or smeared)


def softer_text(blur: float, moved: Moved) -> str:
    """Return a line on a frame that is softer than it was, and by what it may be."""
    said = f"Softer than the sharpest frame by a blur of {blur:.1f} pixels, beyond what the aperture explains"
    if moved.smear is not None:
        return f"{said}, {_way_text(moved.smear.way)}: shake. Weight the tripod, use a release or a shorter time."
    if moved.subject:
        return f"{said}: did the subject move?"
    return f"{said}, and evenly so: see to the focus."


def elsewhere_text() -> str:
    """Return a line on a frame whose focus lies at another depth."""
    return "Part of the picture is softer than in the first frame, part sharper: the focus lies elsewhere."


def _way_text(way: float) -> str:
    names = ("from side to side", "slanting up to the right", "up and down", "slanting down to the right")
    return names[round(way / 45) % 4]


def reached_text(reached: Reached) -> str:
    """Return a line on what has come in."""
    return f"Something new reaches in from the {reached.side}, {percent(reached.depth)} into the picture."
