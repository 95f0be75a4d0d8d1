"""The thresholds as a typed value; the figures and their reasons are in thresholds.toml."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any


@dataclass(frozen=True)
class Highlights:
    """See thresholds.toml."""

    jpeg_white_code: int
    broad_limit: float
    glint_share: float
    glint_contrast_stops: float
    halving_stops: float
    halving_least: float
    halving_most: float


@dataclass(frozen=True)
class Shadows:
    """See thresholds.toml."""

    blocked_code: int
    held_share: float


@dataclass(frozen=True)
class Black:
    """See thresholds.toml."""

    clean_p99_code: float
    patch_code: int
    patch_share: float


@dataclass(frozen=True)
class White:
    """See thresholds.toml."""

    clean_code: int
    clean_share: float


@dataclass(frozen=True)
class Grey:
    """See thresholds.toml."""

    even_stops: float


@dataclass(frozen=True)
class BackdropSearch:
    """See thresholds.toml."""

    least_share: float
    least_rim: float
    strip_share: float
    slow_cells: int
    weak_edge_codes: float
    strong_edge_codes: float
    edge_over_noise: float
    sharp_times: float
    shadow_tint: float
    most_noise_codes: float
    straight_share: float
    horizon_share: float
    gap_share: float
    other_side_stops: float
    fall_stops: float
    tint_stops: float
    black_code: float
    meeting_share: float
    open_share: float
    leak_stops: float
    set_off_stops: float
    glow_stops: float
    crease_stops: float
    hole_code: float
    hole_stops: float
    hole_same_stops: float
    hole_open_share: float
    near_share: float
    telling_code: float
    telling_code_raw: float
    shadow_stops: float
    shadow_tint_stops: float
    shadow_step_codes: float
    shadow_open_share: float
    black_under_stops: float
    black_under_top_stops: float
    white_under_stops: float
    white_under_top_stops: float
    patch_under_stops: float
    patch_least_thing: float
    side_stops: float


@dataclass(frozen=True)
class Steps:
    """See thresholds.toml."""

    third: float
    keep_within_stops: float
    same_light_stops: float
    same_light_share: float
    same_backdrop_share: float
    switched_stops: float
    switched_share: float
    switched_s: float
    curve_share: float


@dataclass(frozen=True)
class Neutral:
    """See thresholds.toml."""

    neutral_ab: float
    cast_ab: float
    least_code: float
    over_floor: float
    most_clipped: float
    least_share: float
    least_side: float
    texture_stops: float
    uneven_stops: float
    uneven_ab: float
    drift_mired: float
    two_colours_mired: float
    plain_share: float
    metered_stops: float


@dataclass(frozen=True)
class Steadiness:
    """See thresholds.toml."""

    shift_share: float
    shift_pixels: float
    blur_pixels: float
    fine_share: float
    smear_stops: float
    reach_stops: float
    reach_least: float
    reach_most: float
    reach_depth: float


@dataclass(frozen=True)
class Flicker:
    """See thresholds.toml."""

    mains_hz: float
    least_bands: float
    least_bands_alone: float
    most_bands: float
    band_share: float
    level_stops: float


@dataclass(frozen=True)
class Runs:
    """See thresholds.toml."""

    cover_gap_stops: float
    most_frames: int


@dataclass(frozen=True)
class Intake:
    """See thresholds.toml."""

    most_megapixels: float
    most_expansion: float


@dataclass(frozen=True)
class Thresholds:
    """All of them, by section of thresholds.toml."""

    highlights: Highlights
    shadows: Shadows
    black: Black
    white: White
    grey: Grey
    backdrop: BackdropSearch
    steps: Steps
    neutral: Neutral
    steadiness: Steadiness
    flicker: Flicker
    runs: Runs
    intake: Intake

    @classmethod
    def of(cls, *layers: Mapping[str, Any]) -> Thresholds:
        """
        Build from parsed TOML, later layers over earlier ones.

        Raises:
            ValueError: one line with every unknown name, missing figure or value that is no number.
        """
        wrong: list[str] = []
        known = {section: {f.name for f in fields(kind)} for section, kind in _KINDS.items()}
        merged: dict[str, dict[str, Any]] = {section: {} for section in _KINDS}
        for layer in layers:
            for section, name, value in _entries(layer):
                if name not in known.get(section, ()):
                    wrong.append(f"{section}.{name} is not a threshold")
                elif isinstance(value, bool) or not isinstance(value, int | float):
                    wrong.append(f"{section}.{name} must be a number")
                else:
                    merged[section][name] = value
        for section, names in known.items():
            wrong += [f"{section}.{name} is missing" for name in sorted(names - merged[section].keys())]
        if wrong:
            raise ValueError("; ".join(wrong))
        return cls(**{section: kind(**merged[section]) for section, kind in _KINDS.items()})


_KINDS: dict[str, Any] = {
    "highlights": Highlights,
    "shadows": Shadows,
    "black": Black,
    "white": White,
    "grey": Grey,
    "backdrop": BackdropSearch,
    "steps": Steps,
    "neutral": Neutral,
    "steadiness": Steadiness,
    "flicker": Flicker,
    "runs": Runs,
    "intake": Intake,
}


def _entries(layer: Mapping[str, Any]) -> Iterator[tuple[str, str, Any]]:
    for section, values in layer.items():
        if isinstance(values, Mapping):
            yield from ((section, name, value) for name, value in values.items())
        else:
            yield "", section, values
