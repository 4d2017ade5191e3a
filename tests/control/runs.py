"""Estimates of a unit's films and gains, and readings of them."""

import numpy as np

from inksteward.config import Identification
from inksteward.control.estimator import Estimate, Segment, advance, start
from inksteward.control.film import density
from inksteward.control.learning import Measured
from tests.control.situations import CYAN

PRIORS = Identification()
STILL = Identification(gain_walk_common=0.0, gain_walk_zone=0.0, film_noise=0.0)
FED = np.array([0.8, 1.0, 1.2, 0.9])
TAU = np.array([40.0, 60.0, 90.0, 150.0])


def begun(filled: float = 0.2, priors: Identification = PRIORS) -> Estimate:
    """An estimate at sheet 0."""
    return start(FED, 0.0, filled, priors)


def at_zone(zone: int, density_d: float, sigma: float = 0.017, index: int = 0) -> Measured:
    """A patch that lies wholly in one zone (from 0)."""
    return Measured(index, ((zone, 1.0),), density_d, sigma)


def seen(estimate: Estimate, zone: int) -> float:
    """Density that the estimate expects in a zone."""
    return density(float(estimate.film_um[zone]), CYAN)


def settled_run(zones: int = 8) -> Estimate:
    """A run of equal zones that printed long enough for film and gain to be one."""
    fed = np.full(zones, 1.0)
    return advance(start(fed, 0.0, 0.2, PRIORS), np.full(zones, 50.0), (Segment(0.0, fed),), 600.0, PRIORS)
