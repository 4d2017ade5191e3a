"""Control charts as pictures: dots and lines that tell themselves apart in black and white."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log10

from inksteward.diagnosis.spc import Chart
from inksteward.reporting.figures import Limits, Signalled, thinned
from inksteward.reporting.markup import Markup, joined, picture, tag, words
from inksteward.reporting.wording import signed

SIZE = (350.0, 168.0)
_X, _Y = (42.0, 308.0), (138.0, 22.0)
COLUMNS = 150
"""Parts of the breadth; of a longer run each keeps its least and its greatest value."""
DOTS = 60
"""More points than this are a line without dots."""
MARKS = 80


@dataclass(frozen=True, slots=True)
class Course:
    """What a chart shows: points before (of makeready) that are not judged, points judged, limits, and signals of this
    chart's rule. ``ok_sheet``: where the OK sheet lies, if the breadth reaches it."""

    before: Sequence[tuple[float, float]]
    points: Sequence[tuple[float, float]]
    limits: tuple[float, float] | None
    centre: float | None
    signals: Sequence[Signalled]
    rule: Chart
    ok_sheet: int | None = None


def control_chart(number: str, title: str, told: str, course: Course) -> Markup:
    """Deviation from the aim against sheets."""
    every = [*course.before, *course.points]
    sheets = [sheet for sheet, _ in every]
    first = min(sheets)
    ends = (first, max(*sheets, first + 1))
    values = [value for _, value in every] + list(course.limits or ()) + [0.0]
    scale = _Scale(ends, *_rounded(min(values), max(values)))
    parts = [_axes(scale), _limits(scale, course)]
    parts.append(_run(scale, course.before, "before"))
    parts.append(_run(scale, course.points, "run"))
    parts.append(_marks(scale, course))
    if course.ok_sheet is not None and ends[0] <= course.ok_sheet <= ends[1]:
        x = scale.x(course.ok_sheet)
        near = x > _X[1] - 40
        parts.append(tag("path", d=f"M{x:.1f} {_Y[1] - 6:g}V{_Y[0]:g}", class_="ok"))
        at = x - 3 if near else x + 3
        parts.append(words(at, _Y[1] - 1, "OK sheet", "end" if near else "start", font_size=8))
    return picture(number, title, told, SIZE, *parts)


@dataclass(frozen=True, slots=True)
class _Scale:
    """From sheets and densities to the picture."""

    sheets: tuple[float, float]
    values: tuple[float, float]
    step: float

    def x(self, sheet: float) -> float:
        low, high = self.sheets
        return _X[0] + 6 + (sheet - low) / (high - low) * (_X[1] - _X[0] - 12)

    def y(self, value: float) -> float:
        low, high = self.values
        return _Y[0] + (value - low) / (high - low) * (_Y[1] - _Y[0])


def step_of(reach: float, parts: int = 4) -> float:
    """A step of 1, 2 or 5 times a power of ten that divides a reach into about so many parts."""
    rough = reach / parts
    power = 10.0 ** floor(log10(rough))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= rough * (1 - 1e-9))


def _rounded(low: float, high: float) -> tuple[tuple[float, float], float]:
    """Ends that are whole steps, a little apart, and the step."""
    reach = max(high - low, 0.01)
    step = step_of(reach)
    return (floor((low - 0.04 * reach) / step) * step, ceil((high + 0.04 * reach) / step) * step), step


def _axes(scale: _Scale) -> Markup:
    (low, high), step = scale.values, scale.step
    parts: list[Markup] = []
    for index in range(round((high - low) / step) + 1):
        value = low + index * step
        y = scale.y(value)
        zero = abs(value) < step / 1e3
        parts.append(tag("path", d=f"M{_X[0]:g} {y:.1f}H{_X[1]:g}", class_="aim" if zero else "grid"))
        told = "aim" if zero else f"{value:+.{2 if step >= 0.01 else 3}f}".replace("-", "−")
        parts.append(words(_X[0] - 4, y + 3, told, "end", font_size=8))
    first, last = scale.sheets
    across = step_of(last - first) if last - first >= 4 else 1.0
    across = max(across, 1.0)
    sheet = ceil(first / across) * across
    while sheet <= last:
        x = scale.x(sheet)
        parts.append(tag("path", d=f"M{x:.1f} {_Y[0]:g}v3", class_="thin"))
        parts.append(words(x, _Y[0] + 12, f"{sheet:,.0f}", "middle", font_size=8))
        sheet += across
    parts.append(tag("path", d=f"M{_X[0]:g} {_Y[0]:g}H{_X[1]:g}", class_="thin"))
    parts.append(words(_X[1], _Y[0] + 24, "sheets", "end", font_size=8))
    parts.append(words(4, 9, "D from the aim", font_size=8))
    return joined(parts)


def _limits(scale: _Scale, course: Course) -> Markup:
    if course.limits is None or course.centre is None or not course.points:
        return Markup("")
    low, high = (scale.y(value) for value in course.limits)
    x = scale.x(course.points[0][0])
    parts = [
        tag("rect", x=x, y=high, width=_X[1] - x, height=low - high, class_="between"),
        tag("path", d=f"M{x:.1f} {low:.1f}H{_X[1]:g}M{x:.1f} {high:.1f}H{_X[1]:g}", class_="limit"),
        tag("path", d=f"M{x:.1f} {scale.y(course.centre):.1f}H{_X[1]:g}", class_="centre"),
        words(_X[1] + 4, high + (1 if low - high > 14 else -3), signed(course.limits[1]), font_size=8),
        words(_X[1] + 4, low + (5 if low - high > 14 else 9), signed(course.limits[0]), font_size=8),
    ]
    return joined(parts)


def _run(scale: _Scale, points: Sequence[tuple[float, float]], kind: str) -> Markup:
    if not points:
        return Markup("")
    kept = thinned(points, scale.sheets[0], scale.sheets[1], COLUMNS)
    places = [(scale.x(sheet), scale.y(value)) for sheet, value in kept]
    line = tag("path", d="M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in places), class_=f"line {kind}")
    if len(kept) > DOTS:
        return line
    return joined((line, *(tag("circle", cx=x, cy=y, r=1.7, class_=f"dot {kind}") for x, y in places)))


def _marks(scale: _Scale, course: Course) -> Markup:
    """Rings around the points at which this chart's rule signals; of many, one for each part of the breadth."""
    found: dict[int, Markup] = {}
    for signal in course.signals:
        if course.rule in signal.charts:
            sheet, value = course.points[signal.index]
            x, y = scale.x(sheet), scale.y(value)
            found.setdefault(
                int(x / SIZE[0] * MARKS), tag("rect", x=x - 4, y=y - 4, width=8, height=8, class_="signal")
            )
    return joined(found.values())


def limits_told(limits: Limits | None) -> str:
    """Centre and both limits of a run in words."""
    if limits is None:
        return "no limits: too few readings, or all alike"
    low, high = limits.individuals
    ewma_low, ewma_high = limits.ewma
    return (
        f"centre {signed(limits.centre)} D, standard deviation {limits.sigma:.4f} D; individuals between {signed(low)} "
        f"and {signed(high)} D, moving average between {signed(ewma_low)} and {signed(ewma_high)} D"
    )
