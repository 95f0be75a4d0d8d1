"""What to mind where a word of ours could hurt somebody. Each ends alike: others decide."""

from __future__ import annotations

DECIDES = "Local codes and a licensed electrician decide."

LAMPS = (
    "Hot lamps burn, and draw current for hours: keep card and fabric clear, let lamps cool before you move them,"
    f" and stay within what the circuit may carry. {DECIDES}"
)
"""Where a plan raises power, or moves a hot lamp."""

MOVING = (
    "Hot lamps burn: keep card and fabric clear of the lamp's head by the distance its maker marks on it, and let it"
    f" cool before you move it. {DECIDES}"
)
"""Where a lamp is to be turned or carried."""

STUDIO = (
    "Hot lamps burn: keep card, paper, fabric and umbrellas clear of the lamp head by the distance its maker marks on"
    " it, let lamps cool before you touch or pack them, weight the stands, tape down the cables, uncoil cable drums,"
    f" and stay within what the circuit may carry for hours. {DECIDES}"
)
"""All of it, for a page that is handed over."""
