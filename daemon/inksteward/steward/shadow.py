"""Film by openings and sweep alone: what it should have done, whatever was read, so that faults do not hide in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from inksteward.control.estimator import Estimate, Segment, followed, frozen
from inksteward.control.film import density, film
from inksteward.control.numerics import Array, exp
from inksteward.model import Ink
from inksteward.steward.state import Shadow, UnitState

FILLED = 0.015
"""Share of the film still missing since the rollers were empty from which a zone counts as filled: lags are known to
half and double, and what is then still to come must not look like a fault."""


def begun(unit_film: Array, filled: float) -> Shadow:
    """The shadow of a run that starts with the share ``filled`` of the settled film on the rollers."""
    return Shadow(frozen(filled * unit_film), frozen(np.full(unit_film.shape[0], 1.0 - filled)))


def advanced(
    shadow: Shadow, estimate: Estimate, tau: Array, history: tuple[Segment, ...], sheet: float
) -> Shadow:
    """The shadow at a later sheet. Only the scale of the lags is the estimate's; the gain is 1."""
    between, scale = (estimate.sheet, sheet), float(exp(estimate.ln_lag))
    film_um = followed(shadow.film_um, 1.0, scale, tau, history, between)
    unfilled = followed(shadow.unfilled, 0.0, scale, tau, history, between)
    return replace(shadow, film_um=frozen(film_um), unfilled=frozen(unfilled))


def seen(shadow: Shadow) -> Shadow:
    """The shadow, remembered as it is at a scan."""
    return replace(shadow, seen_um=shadow.film_um)


def filled(shadow: Shadow) -> tuple[bool, ...]:
    """Zones that no longer fill."""
    return tuple(float(share) <= FILLED for share in shadow.unfilled)


def expected_change(shadow: Shadow, last: tuple[float, ...], ink: Ink) -> tuple[float, ...]:
    """What movements of keys and sweep should have changed each zone's density by since the scan before, D.

    ``last``: density per zone at that scan, D.
    """
    if shadow.seen_um is None:
        return (0.0,) * len(last)
    ratio = shadow.film_um / np.maximum(shadow.seen_um, 1e-9)
    films = np.array([film(value, ink)[0] for value in last])
    return tuple((density(films * ratio, ink) - density(films, ink)).tolist())


def known(state: UnitState) -> Shadow | None:
    """The unit's shadow, where it prints with an aim."""
    return state.shadow if state.ink is not None and state.aim is not None else None
