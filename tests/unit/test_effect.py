"""What a reflector and a flag brought, on balls whose light is known."""

from __future__ import annotations

import numpy as np
import pytest
from balls import FILL, HEIGHT, KEY, THRESHOLDS, WIDTH, lit, normals, seen

from lampblack.rules.effect import effect, in_words
from lampblack.rules.layers import LayersError, gather


def means(light: np.ndarray) -> tuple[float, float]:
    """Mean light of the subject's halves."""
    subject = ~normals()[1]
    middle = np.median(np.nonzero(subject)[1])
    left = subject & (np.arange(WIDTH) < middle)[None]
    return float(light[..., 1][left].mean()), float(light[..., 1][subject & ~left].mean())


@pytest.mark.parametrize("f_number", [4.0, 8.0])
def test_a_reflector_lifts_the_shadow_side(f_number: float) -> None:
    """A weak, broad second light from the right: what it gives is reckoned from the drawn light itself."""
    before = lit(*KEY)
    after = before + 0.25 * lit(*FILL)
    found = effect(gather([("before", seen(before, 4.0))], THRESHOLDS), seen(after, f_number))
    (left0, right0), (left1, right1) = means(before), means(after)
    assert found.left == pytest.approx(np.log2(left1 / left0), abs=0.08)
    assert found.right == pytest.approx(np.log2(right1 / right0), abs=0.12)
    assert found.shadow == "right"
    assert found.ratio_after is not None
    assert found.ratio_before is not None
    assert found.ratio_after < found.ratio_before
    assert any("the shadow side" in line and "more" in line for line in in_words(found))


def test_a_flag_darkens_the_backdrop_and_nothing_else() -> None:
    subject, behind = lit(*KEY), normals()[1]
    spilled = np.where(behind[..., None], 0.03, subject)
    flagged = np.where(behind[..., None], 0.03 / 4, subject)
    found = effect(gather([("before", seen(spilled, 5.6))], THRESHOLDS), seen(flagged, 5.6))
    assert found.backdrop == pytest.approx(-2, abs=0.1)
    assert found.left == pytest.approx(0, abs=0.05)
    assert "The backdrop: 2 stops less." in in_words(found)


def test_frames_that_tell_nothing_are_refused() -> None:
    dark = seen(np.zeros((HEIGHT, WIDTH, 3)), 5.6)
    with pytest.raises(LayersError, match="too dark"):
        effect(gather([("before", dark)], THRESHOLDS), dark)
