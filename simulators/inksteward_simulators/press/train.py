"""The roller train of one unit: ink stored per zone, fed by the ductor, spent on paper, spread by the oscillators.

One capacitance per zone. With y the film printed (um), a the coverage, L the printed length (m),
``beta = beta_ref sweep / sweep_ref`` and h the metered film offered to the ductor (um):

    (s0 + s1 a) dy/dn = beta h - [beta (c0 + c1 a) + a L] y + kappa Lap((s0 + s1 a) y)

n counts sheets, Lap is the second difference over zones with mirrored ends. Derived from equal film
splitting, see e.g. Mill 1961 and MacPhee, Fundamentals of Lithographic Printing, 1998 (from memory).
Linear in the stored volume v = (s0 + s1 a) y, so the exponential of its matrix gives the exact step
over a sheet for any feed held during it.
"""

import numpy as np

from inksteward_simulators.press.arrays import Array
from inksteward_simulators.scenario_forms import Train

FASTEST_PER_SHEET = 4.0
"""Faster trains would need another way to the exponential; real ones are a hundred times slower."""


def second_difference(zones: int) -> Array:
    """The (zones, zones) matrix of the second difference with mirrored ends; its columns sum to 0."""
    lap = np.eye(zones, k=1) + np.eye(zones, k=-1)
    return lap - np.diag(lap.sum(axis=1))


class RollerTrain:
    """Ink in one unit's rollers. `lag` multiplies the storage of each zone, so it slows without changing the gain."""

    def __init__(self, coverage: Array, lag: Array, kappa: float, train: Train) -> None:
        self._train = train
        self._image_m = coverage * train.image_m
        self._return = train.c0 + train.c1 * coverage
        self.storage_m: Array = lag * (train.s0_m + train.s1_m * coverage)
        self._spread = kappa * second_difference(len(coverage))
        self.volume: Array = np.zeros(len(coverage))
        self._sweep_pct = -1.0
        self._keep: Array = np.zeros((len(coverage), len(coverage)))
        self._take: Array = self._keep

    @property
    def film_um(self) -> Array:
        """Film that the train would print now, by zone."""
        return self.volume / self.storage_m

    def wash(self) -> None:
        """Empty the rollers."""
        self.volume = np.zeros_like(self.volume)

    def beta_m(self, sweep_pct: float) -> float:
        """Ductor feed per sheet at this sweep."""
        return self._train.beta_ref_m * sweep_pct / self._train.sweep_ref_pct

    def sheets(self, metered_um: Array, factor: Array, sweep_pct: float) -> Array:
        """Print one sheet for each ``factor`` on the metered film, the sweep held; films of shape (sheets, zones)."""
        if sweep_pct != self._sweep_pct:
            self._factor(sweep_pct)
        films = np.empty((len(factor), len(metered_um)))
        for sheet, times in enumerate(factor):
            self.volume = self._keep @ self.volume + self._take @ (metered_um * times)
            films[sheet] = self.film_um
        return films

    def wash_blanket(self) -> None:
        """Rollers, plate and blanket are one here: nothing that a blanket wash takes away is told apart."""

    def level(self, turns: int) -> None:
        """Ink is even in a zone already."""

    def settled_film_um(self, metered_um: Array, sweep_pct: float) -> Array:
        """Film after infinitely many sheets under these settings."""
        fed = self.beta_m(sweep_pct) * metered_um
        volume: Array = np.linalg.solve(-self._rates(sweep_pct), fed)
        return volume / self.storage_m

    def film_step(self, sweep_pct: float) -> Array:
        """K of ``y(s + 1) = K y(s) + (I - K) v`` with y the film printed and v the settled film, (zones, zones)."""
        if sweep_pct != self._sweep_pct:
            self._factor(sweep_pct)
        kept: Array = self._keep * self.storage_m[None, :] / self.storage_m[:, None]
        return kept

    def film_map(self, sweep_pct: float) -> Array:
        """Settled film (um) of each zone per um of film metered in each, (zones, zones)."""
        map_um: Array = np.linalg.inv(-self._rates(sweep_pct)) * (
            self.beta_m(sweep_pct) / self.storage_m[:, None]
        )
        return map_um

    def tau_sheets(self, sweep_pct: float) -> Array:
        """Lag of each zone by itself, in sheets."""
        return self.storage_m / (self._image_m + self.beta_m(sweep_pct) * self._return)

    def _rates(self, sweep_pct: float) -> Array:
        return self._spread - np.diag(1.0 / self.tau_sheets(sweep_pct))

    def _factor(self, sweep_pct: float) -> None:
        rates = self._rates(sweep_pct)
        gathered = _mean_of_exponential(rates)
        self._keep = np.eye(len(rates)) + rates @ gathered
        self._take = self.beta_m(sweep_pct) * gathered
        self._sweep_pct = sweep_pct


def _mean_of_exponential(rates: Array) -> Array:
    """Integral of exp(rates s) over s from 0 to 1, by its series I + R/2 (I + R/3 (I + ...)).

    Rates are a small part of 1 per sheet, so some ten terms give full precision; there are as many as the norm needs.
    """
    norm, terms, rest = float(np.abs(rates).sum(axis=1).max()), 1, 1.0
    if not norm <= FASTEST_PER_SHEET:
        raise ValueError(
            f"rates = {norm:.3g} per sheet: expected constants that give at most {FASTEST_PER_SHEET:g}"
        )
    while rest > 1e-18:
        terms += 1
        rest *= norm / terms
    unit: Array = np.eye(len(rates))
    series: Array = unit
    for term in range(terms, 1, -1):
        series = unit + rates @ series / term
    return series
