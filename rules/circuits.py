"""
What a circuit carries: the load of the lamps on it against its rating, for hours, and down the cable.

Sources: power is volts times amperes; a load of three hours and more is held to 80 % of the rating in North America
(NFPA 70, 210.19 and 210.20); resistivity of copper 0.0172 ohm mm2/m at 20 degrees (textbook). Elsewhere other rules
hold. Nothing here is advice to wire anything: each line that matters ends in the caution.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from lampblack.rules.cautions import DECIDES
from lampblack.rules.figures import percent

CONTINUOUS = 0.8
"""Of the rating, for three hours and more (NFPA 70); no such rule is assumed at 200 V and over."""

_COPPER = 0.0172
_DROP = 0.05
"""Of the voltage, from which a cable is worth a word: tungsten is then 68 K warmer and a quarter stop darker."""
_WRITTEN = re.compile(
    r"(?P<volts>\d{2,3}(?:\.\d+)?)\s*V\s*,?\s*(?P<amperes>\d{1,3}(?:\.\d+)?)\s*A"
    r"(?:\s*,\s*(?P<metres>\d{1,3}(?:\.\d+)?)\s*m\s*,\s*(?P<mm2>\d{1,2}(?:\.\d+)?)\s*mm2?)?",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Circuit:
    """What a circuit is rated for, and the extension cable on it. mm2: cross-section of one conductor."""

    volts: float
    amperes: float
    metres: float | None = None
    mm2: float | None = None

    @property
    def watts(self) -> float:
        """Return what it is rated for."""
        return self.volts * self.amperes

    @property
    def lasting_watts(self) -> float:
        """Return what it carries for hours."""
        return self.watts * (CONTINUOUS if self.volts < 200 else 1.0)

    def drop(self, watts: float) -> float | None:
        """
        Return the share of the voltage that the cable takes; None without one.

        >>> round(Circuit(230, 16, 25, 1.5).drop(2000) or 0, 4)
        0.0217
        """
        if self.metres is None or self.mm2 is None:
            return None
        return 2 * self.metres * _COPPER / self.mm2 * (watts / self.volts) / self.volts

    @property
    def text(self) -> str:
        """Return it as it is written."""
        cable = "" if self.metres is None else f",{self.metres:g}m,{self.mm2:g}mm2"
        return f"{self.volts:g}V,{self.amperes:g}A{cable}"


def parse_circuit(text: str) -> Circuit:
    """
    Return a circuit as written: 230V,16A, and its cable if there is one: 230V,16A,25m,1.5mm2.

    Raises:
        ValueError: it is none; the text is one line for a person.
    """
    found = _WRITTEN.fullmatch(text.strip())
    numbers = [] if found is None else [None if v is None else float(v) for v in found.groups()]
    if not numbers or any(value is not None and value <= 0 for value in numbers):
        raise ValueError(f"{text[:40]!r}: write a circuit as 230V,16A, with its cable as 230V,16A,25m,1.5mm2")
    return Circuit(*numbers)  # type: ignore[arg-type]


def load_lines(name: str, circuit: Circuit | None, watts: Sequence[float], *, coiled: bool = True) -> list[str]:
    """
    Return what the lamps on a circuit draw of what it carries, with the caution where there is need of one.

    Args:
        name: the circuit's.
        circuit: None where its rating isn't known.
        watts: of each lamp on it.
        coiled: the cable may lie on a drum.
    """
    load = sum(watts)
    if circuit is None:
        return [f"Circuit {name}: {load:.0f} W on it; its rating is not known, see its breaker. {DECIDES}"]
    amperes = load / circuit.volts
    said = f"Circuit {name}: {load:.0f} W, {amperes:.1f} A, {percent(load / circuit.watts)} of {circuit.watts:.0f} W"
    lines = []
    if load > circuit.watts:
        lines.append(f"{said}: more than it is rated for. Put a lamp on another circuit. {DECIDES}")
    elif load > circuit.lasting_watts:
        lines.append(
            f"{said}: over the {circuit.lasting_watts:.0f} W it may carry for three hours and more. Put a lamp on"
            f" another circuit. {DECIDES}"
        )
    else:
        lines.append(f"{said}, {circuit.lasting_watts - load:.0f} W to spare for hours.")
    drop = circuit.drop(load)
    if drop is not None:
        if drop > _DROP:
            lines.append(f"Its cable takes {percent(drop)} of the voltage: lamps turn warm and dim. Use a thicker one.")
        if coiled:
            lines.append(f"Uncoil the cable, all of it: on the drum it heats itself. {DECIDES}")
    return lines
