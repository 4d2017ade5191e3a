"""What paper takes off the blanket.

Walker and Fetsko, "A concept of ink transfer in printing", TAGA 1955 (from memory): with x the film offered (um, equal
to g/m2 at a density of 1),

    y = A [b B + f (x - b B)]    A = 1 - exp(-k x)    B = 1 - exp(-x / b)

A is the share of the paper that the ink touches, b what the paper holds fast, f how the rest splits. Parameters are
invented within the ranges that are usual for each kind (k 0.3 to 3, b 0.3 to 3, f 0.2 to 0.5; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from inksteward_simulators.press.arrays import Array


@dataclass(frozen=True, slots=True)
class Paper:
    """``smooth`` k (1/um), ``held_um`` b, ``split`` f."""

    smooth: float
    held_um: float
    split: float

    def taken_um(self, offered_um: Array) -> Array:
        """Film on the paper (um) for films offered (um), any shape."""
        touched = 1.0 - np.exp(-self.smooth * offered_um)
        held_um = self.held_um * (1.0 - np.exp(-offered_um / self.held_um))
        taken: Array = touched * (held_um + self.split * (offered_um - held_um))
        return taken


PaperKind = Literal["coated", "uncoated", "newsprint"]
PAPERS: dict[PaperKind, Paper] = {
    "coated": Paper(1.5, 0.8, 0.40),
    "uncoated": Paper(0.7, 1.8, 0.35),
    "newsprint": Paper(0.4, 2.5, 0.30),
}
