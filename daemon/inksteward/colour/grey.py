"""Grey balance: how neutral a patch of cyan, magenta and yellow together is on its paper."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

from inksteward.colour.cielab import Lab
from inksteward.colour.process import DECIMALS, Undefined

PAPER_SHARE_GONE = 0.85
"""Share of the paper's tint that is gone at the darkest overprint (ISO 12647-2:2013, annex A, from memory)."""


@dataclass(frozen=True, slots=True)
class GreyBalance:
    """``filter_spread_d``: highest less lowest of three filter densities, D; ``chroma_off_aim``: C*ab from the aim."""

    filter_spread_d: float
    aim: Lab
    chroma_off_aim: float


def grey_aim(l_star: float, paper: Lab, darkest: Lab) -> Lab:
    """The grey of lightness ``l_star`` that looks neutral on ``paper``: the paper's tint, fading towards the darkest.

    a* = a*p (1 - 0.85 (L*p - L*) / (L*p - L*d)), b* alike, d the overprint of the three solids. That the aim goes by L*
    between paper and overprint: ISO 12647-2:2013, 4.2.8, as normaprint.fr/blog/iso-12647-22013-gris-neutre tells it;
    the form and the 0.85 from memory. Raises Undefined unless the overprint is darker than the paper.
    """
    if not paper.l_star > darkest.l_star:
        raise Undefined(
            f"overprint L* {darkest.l_star:.2f}, paper L* {paper.l_star:.2f}: "
            "expected an overprint darker than the paper"
        )
    left = 1.0 - PAPER_SHARE_GONE * (paper.l_star - l_star) / (paper.l_star - darkest.l_star)
    return Lab(l_star, left * paper.a_star, left * paper.b_star)


def grey_balance(filters_d: tuple[float, float, float], patch: Lab, paper: Lab, darkest: Lab) -> GreyBalance:
    """Both readings of a grey patch: red, green and blue density (D), and colour against the aim of its own lightness.

    The spread of the filter densities is common practice, no source; so is that it is best taken relative to paper.
    """
    aim = grey_aim(patch.l_star, paper, darkest)
    off = hypot(patch.a_star - aim.a_star, patch.b_star - aim.b_star)
    return GreyBalance(round(max(filters_d) - min(filters_d), DECIMALS), aim, off)
