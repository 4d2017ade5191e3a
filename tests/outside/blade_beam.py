"""A spring blade as a beam, solved in closed form: how the commands of its keys raise every place of its tip line.

The blade is a strip clamped along its back edge, free length l, thickness t, E' = E / (1 - nu^2). Its tip line
is a beam on an elastic foundation (Hetenyi, Beams on Elastic Foundation, 1946, from memory): foundation modulus
k = E' t^3 / (4 l^3), the tip stiffness of a cantilever of unit width; bending stiffness EI = (E' t^3 / 12)
(33/140) l, the strip's own weighted with the square of the cantilever's deflection. Each key is a spring of
stiffness K between its command and the tip line; both ends are free. All of it goes with t^3, so only K / t^3 counts.

Between two keys EI w'''' + k w = 0 is solved exactly by exp(+-r x), r = (1 + i) / a, a = (4 EI / k)^(1/4): no
mesh, no shape functions but these. Dimensions and stiffness are common practice without a source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FREE_LENGTH_M = 0.060
E_STRAIN_PA = 205e9 / (1 - 0.3**2)
FOUNDATION = E_STRAIN_PA / (4 * FREE_LENGTH_M**3)
BENDING = E_STRAIN_PA / 12 * (33 / 140) * FREE_LENGTH_M
DECAY_M = (4 * BENDING / FOUNDATION) ** 0.25
RATE = (1 + 1j) / DECAY_M

SOFTEST, STIFFEST = 3e5 / 0.001**3, 1e9 / 0.0006**3
"""Key stiffness over thickness^3, N/m^4: 0.3 MN/m on 1.0 mm to rigid on 0.6 mm."""
UNEQUAL = 1.5
"""How many times as stiff as one another the keys of one blade may be."""
LEAST_PITCH_M, MOST_PITCH_M = 0.030, 0.035
SOFT = (SOFTEST, 4.2e14, 5.6e14)
STIFF = (5.6e14, 1e15, 3e15, 1e16, 1e17, STIFFEST / UNEQUAL)
"""The softer keys of blades over the whole range, parted where the service parts it: soft to 8.4e14 (1.5 times
5.6e14, for the stiffer keys of such a blade), stiff from 5.6e14 N/m^4."""


def _solutions(x_m: Array | float, order: int) -> Array:
    """The derivative of this order of the four solutions of the beam equation at x: [..., 4]."""
    up, down = (rate**order * np.exp(rate * np.asarray(x_m)) for rate in (RATE, -RATE))
    return np.stack([up.real, up.imag, down.real, down.imag], axis=-1)


def _ends(length_m: float) -> Array:
    """Rise and slope at both ends of a span for each of the four solutions: [4, 4]."""
    return np.stack([_solutions(x, order) for x in (0.0, length_m) for order in (0, 1)])


def _span(length_m: float) -> Array:
    """Forces and moments at the ends of a span for unit rises and slopes of its ends, thickness 1 m: [4, 4]."""
    forces = [
        sign * BENDING * _solutions(x, order)
        for x, order, sign in ((0.0, 3, 1), (0.0, 2, -1), (length_m, 3, -1), (length_m, 2, 1))
    ]
    return np.stack(forces) @ np.linalg.inv(_ends(length_m))


def influence(pitch_m: float, stiffness: Array, points: int) -> Array:
    """Rise of the tip line for a unit command of each key.

    stiffness: [blades, keys], K / t^3 of each key; points: places a zone, even. Returns [blades, places, keys]
    with keys * points + 1 places from end to end; key j stands at place points * j + points / 2.
    """
    blades, keys = stiffness.shape
    spans = [pitch_m / 2, *[pitch_m] * (keys - 1), pitch_m / 2]
    whole = np.zeros((blades, 2 * keys + 4, 2 * keys + 4))
    for node, length in enumerate(spans):
        whole[:, 2 * node : 2 * node + 4, 2 * node : 2 * node + 4] += _span(length)
    tips = 2 * np.arange(1, keys + 1)
    whole[:, tips, tips] += stiffness
    loads = np.zeros((blades, 2 * keys + 4, keys))
    loads[:, tips, np.arange(keys)] = stiffness
    nodes = np.linalg.solve(whole, loads)
    lines = []
    for node, length in enumerate(spans):
        steps = round(points * length / pitch_m)
        at = np.arange(steps + (node == keys)) * (pitch_m / points)
        shapes = _solutions(at, 0) @ np.linalg.inv(_ends(length))
        lines.append(shapes @ nodes[:, 2 * node : 2 * node + 4])
    return np.concatenate(lines, axis=1)


@dataclass(frozen=True)
class Blades:
    """Influence [blades, places, keys], and which of the blades have soft keys, which stiff ones (some have both)."""

    influence: Array
    sorts: tuple[slice, ...] = (slice(None),)


def spring_blades(
    keys: int, points: int, soft: Sequence[float] = SOFT, stiff: Sequence[float] = STIFF
) -> Blades:
    """Blades at the least and the greatest pitch with every pattern of equal keys and keys 1.5 times as stiff.

    soft, stiff: K / t^3 of the softer keys; the last of soft is the first of stiff.
    """
    patterns = UNEQUAL ** np.array(list(product((0, 1), repeat=keys)), dtype=float)
    pitches = (LEAST_PITCH_M, MOST_PITCH_M)
    strips = [influence(pitch, k * patterns, points) for k in (*soft, *stiff[1:]) for pitch in pitches]
    each = 2 * len(patterns)
    sorts = slice(0, each * len(soft)), slice(each * (len(soft) - 1), None)
    return Blades(np.concatenate(strips), sorts)


def segments(keys: int) -> Blades:
    """The segmented blade: each key moves its own place alone."""
    return Blades(np.eye(keys)[None])
