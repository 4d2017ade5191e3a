"""The gap of a key over its opening, from feeler gauges: a straight line by least squares, with what it leaves open.

With x the gap in um that a key's present table has at the read-back opening and y the gauge that fits there,

    y = a + b x,    b = sum (x - xm)(y - ym) / sum (x - xm)^2,    a = ym - b xm

(ordinary least squares, e.g. Draper and Smith, Applied Regression Analysis, 1.2; from memory). For a table that is a
straight line this is a line over the percent itself; for a bent one its shape is kept. The line at x weighs the
readings with w_k = 1/n + (x - xm)(x_k - xm) / sum (x - xm)^2.

Every reading has half-widths that nothing here can lessen (GUM, JCGM 100:2008, 4.3.7, type B, rectangular: standard
uncertainty half-width / sqrt 3): the gauge's tolerance, what the drag felt by the fingers leaves open, half a step of
the read-back. The scatter of all keys' readings about their lines, pooled, is type A (4.2). What is written must hold
for the interlock, so it is not the combination in quadrature alone but the largest of

- twice the combined standard uncertainty (5.1.2, 6.2 with k = 2),
- all half-widths with the same ill sign, sum |w_k| h_k,
- Student's t of the pooled scatter with the half-widths that scatter does not show on top.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import sqrt

T_95 = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228)
"""Student's t, two-sided 95 %, for 1 to 10 degrees of freedom (tables of the distribution); beyond, that of 10."""
LEAST_SPAN_UM = 20.0
"""Readings nearer together than this say nothing of a slope (common practice, no source)."""
COVERAGE = 2.0
SCALE = (0.7, 1.4)
"""How far a true table may be from the one that was believed, as a factor; beyond it something is wrong (ours)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One gauge at one key: opening as read back, percent, gap of the present table there and slope, gauge, um."""

    pct: float
    table_um: float
    um_per_pct: float
    gauge_um: float


@dataclass(frozen=True, slots=True)
class Doubt:
    """Half-widths: the gauge's own tolerance, what the feel of drag leaves open, um; finest read-back, percent."""

    gauge_um: float
    feel_um: float
    resolution_pct: float

    def half_um(self, reading: Reading) -> float:
        """All half-widths of one reading together, um."""
        return self.gauge_um + self.feel_um + self.read_back_um(reading)

    def read_back_um(self, reading: Reading) -> float:
        """Half a step of the read-back, um."""
        return self.resolution_pct / 2.0 * reading.um_per_pct


@dataclass(frozen=True, slots=True)
class Line:
    """gap = a_um + b * (gap of the present table), and the readings it rests on."""

    a_um: float
    b: float
    readings: tuple[Reading, ...]

    def at(self, table_um: float) -> float:
        """The gap, um."""
        return self.a_um + self.b * table_um

    def weights(self, table_um: float) -> tuple[float, ...]:
        """How each reading counts in the gap there."""
        n, mean = len(self.readings), _mean(self.readings, lambda row: row.table_um)
        spread = sum((row.table_um - mean) ** 2 for row in self.readings)
        return tuple(1.0 / n + (table_um - mean) * (row.table_um - mean) / spread for row in self.readings)

    def residuals(self) -> tuple[float, ...]:
        """Gauge less line, um."""
        return tuple(row.gauge_um - self.at(row.table_um) for row in self.readings)


@dataclass(frozen=True, slots=True)
class Misfit:
    """Readings that cannot all be right, and at which opening (percent) the worst was taken."""

    text: str
    pct: float | None = None


def _mean(readings: Sequence[Reading], of: Callable[[Reading], float]) -> float:
    return sum(of(row) for row in readings) / len(readings)


def fit(readings: Sequence[Reading], doubt: Doubt) -> Line | Misfit:
    """The line of one key, or why there is none: too few openings, no likely slope, farther off than doubt allows."""
    xs = [row.table_um for row in readings]
    if len(readings) < 2 or max(xs) - min(xs) < LEAST_SPAN_UM:
        return Misfit(f"readings at two openings or more, {LEAST_SPAN_UM:g} um of gap apart, are needed")
    xm, ym = _mean(readings, lambda row: row.table_um), _mean(readings, lambda row: row.gauge_um)
    spread = sum((row.table_um - xm) ** 2 for row in readings)
    b = sum((row.table_um - xm) * (row.gauge_um - ym) for row in readings) / spread
    line = Line(ym - b * xm, b, tuple(readings))
    if not SCALE[0] <= b <= SCALE[1]:
        return Misfit(
            f"the gap grows {b:.2f} times as fast as the present table says, expected are {SCALE[0]:g} to "
            f"{SCALE[1]:g}: the wrong key was gauged, or travel_um is wrong"
        )
    return _off_the_line(line, doubt) or line


def _off_the_line(line: Line, doubt: Doubt) -> Misfit | None:
    """The reading farthest beyond what all half-widths together can explain, None if there is none."""
    halves = [doubt.half_um(row) for row in line.readings]
    worst, found = 1e-9, None
    for number, (row, residual) in enumerate(zip(line.readings, line.residuals(), strict=True)):
        weights = line.weights(row.table_um)
        own = sum(
            abs((k == number) - w) * half for k, (w, half) in enumerate(zip(weights, halves, strict=True))
        )
        if abs(residual) - own > worst:
            worst = abs(residual) - own
            text = f"{row.gauge_um:g} um at {row.pct:g} % lies {abs(residual):.1f} um off the line of its key"
            found = Misfit(f"{text}, {own:.1f} um can be explained", row.pct)
    return found


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviation of readings about their lines, um, pooled over keys, and its degrees of freedom."""

    sigma_um: float
    freedom: int

    @property
    def t(self) -> float:
        """Student's t, two-sided 95 %; 0 where there is nothing to judge by."""
        return T_95[min(self.freedom, len(T_95)) - 1] if self.freedom else 0.0


def pooled(lines: Sequence[Line]) -> Scatter:
    """The scatter of all keys together: one person, one set of gauges (pooled estimate, GUM 4.2.4)."""
    squares = sum(residual**2 for line in lines for residual in line.residuals())
    freedom = sum(len(line.readings) - 2 for line in lines)
    return Scatter(sqrt(squares / freedom) if freedom else 0.0, freedom)


def standard_um(line: Line, table_um: float, doubt: Doubt, scatter: Scatter) -> float:
    """Combined standard uncertainty of the gap there, um (GUM 5.1.2)."""
    total = 0.0
    for row, weight in zip(line.readings, line.weights(table_um), strict=True):
        felt = max(doubt.feel_um**2 / 3.0, scatter.sigma_um**2)
        total += weight**2 * ((doubt.gauge_um**2 + doubt.read_back_um(row) ** 2) / 3.0 + felt)
    return sqrt(total)


def bound_um(line: Line, table_um: float, doubt: Doubt, scatter: Scatter) -> float:
    """How far the true gap may lie from the line there, um: the largest of the three ways at the head of this file."""
    pairs = list(zip(line.readings, line.weights(table_um), strict=True))
    worst = sum(abs(weight) * doubt.half_um(row) for row, weight in pairs)
    unseen = sum(abs(weight) * (doubt.half_um(row) - doubt.feel_um) for row, weight in pairs)
    felt = scatter.t * scatter.sigma_um * sqrt(sum(weight**2 for _, weight in pairs))
    return max(COVERAGE * standard_um(line, table_um, doubt, scatter), worst, unseen + felt)
