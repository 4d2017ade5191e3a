"""Pictures of the sheet from above: zones as columns, one lane for each ink. Shapes and hatching, no colour."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from inksteward.reporting.figures import Share
from inksteward.reporting.markup import Markup, joined, picture, tag, words
from inksteward.reporting.story import Ink, Sheet
from inksteward.reporting.wording import count, ink_name, percent

WIDTH, LEFT, RIGHT = 720.0, 104.0, 96.0
TOP, LANE, GAP = 34.0, 30.0, 5.0
FAR = 2.0
"""So many times the tolerance away from the aim is far out."""
STATES = {
    "right": "in tolerance",
    "above": "too dark",
    "below": "too light",
    "far_above": "too dark by more than twice the tolerance",
    "far_below": "too light by more than twice the tolerance",
    "unread": "not read",
}
CLASSES = (
    (95.0, "none", "95 % and more"),
    (80.0, "url(#dots)", "80 to 95 %"),
    (50.0, "url(#lines)", "50 to 80 %"),
)
LOWEST = ("url(#cross)", "below 50 %")


def patterns() -> Markup:
    """The hatching that all pictures of a page use; once a page."""
    grid = {"width": 6, "height": 6, "patternUnits": "userSpaceOnUse"}
    dots = tag("circle", cx=3, cy=3, r=0.9)
    line = tag("path", d="M-1 7L7 -1", class_="hatch")
    cross = joined((line, tag("path", d="M-1 -1L7 7", class_="hatch")))
    made = [
        tag("pattern", mark, id=name, **grid)
        for name, mark in (("dots", dots), ("lines", line), ("cross", cross))
    ]
    return tag("svg", tag("defs", *made), width=0, height=0, aria_hidden="true", class_="defs")


def state_of(sheet: Sheet, zone: int) -> str:
    """How a zone (from 0) read, as one of STATES."""
    density, aim = sheet.density_d[zone], sheet.aim_d[zone]
    if density is None or aim is None or sheet.in_tolerance[zone] is None:
        return "unread"
    if sheet.in_tolerance[zone]:
        return "right"
    side, end = ("above", sheet.high_d[zone]) if density > aim else ("below", sheet.low_d[zone])
    far = end is not None and abs(density - aim) > FAR * abs(end - aim)
    return f"far_{side}" if far else side


def mark(state: str, x: float, y: float) -> Markup:
    """The shape of a state: a dot; triangles that point the way, hollow below; a bar where it is far; a cross."""
    if state == "right":
        return tag("circle", cx=x, cy=y, r=2.0)
    if state == "unread":
        return tag("path", d=f"M{x - 3:g} {y - 3:g}l6 6m0 -6l-6 6", class_="thin")
    up = state.endswith("above")
    tip, base = (y - 5.0, y + 4.0) if up else (y + 5.0, y - 4.0)
    kind = "full" if up else "hollow"
    shape = tag("path", d=f"M{x:g} {tip:g}L{x + 5:g} {base:g}L{x - 5:g} {base:g}Z", class_=kind)
    if not state.startswith("far"):
        return shape
    bar = y - 8.0 if up else y + 8.0
    return joined((shape, tag("path", d=f"M{x - 5:g} {bar:g}h10", class_="bar")))


def sheet_plan(number: str, title: str, rows: Sequence[tuple[Ink, Sheet]]) -> Markup:
    """One sheet as it read, with what the shapes mean below it."""
    told = []
    for ink, sheet in rows:
        states = [state_of(sheet, zone) for zone in range(len(sheet.density_d))]
        read = [state for state in states if state != "unread"]
        told.append(
            f"{ink_name(ink.ink)}: {states.count('right')} of {count(len(read), 'zone')} in tolerance"
        )

    def lane(index: int, x: float, y: float, wide: float) -> Markup:
        _, sheet = rows[index]
        middle, across = y + LANE / 2.0, len(sheet.density_d)
        return joined(mark(state_of(sheet, zone), x + (zone + 0.5) * wide, middle) for zone in range(across))

    ends = [line.partition(": ")[2].replace(" zones", "").replace(" zone", "") for line in told]
    ends = [line.replace(" in tolerance", " right") for line in ends]
    drawn = _lanes([ink for ink, _ in rows], ends, lane)
    return joined((picture(number, title, "; ".join(told), drawn[1], drawn[0]), _legend_of_states()))


def conformance(number: str, title: str, rows: Sequence[tuple[Ink, Sequence[Share], Share]]) -> Markup:
    """Share of readings in tolerance of every zone: the denser the hatching, the less."""

    def lane(index: int, x: float, y: float, wide: float) -> Markup:
        cells = []
        for zone, share in enumerate(rows[index][1]):
            at = x + zone * wide
            half = LANE / 2.0
            cells.append(tag("rect", x=at, y=y, width=wide, height=LANE, fill="none", class_="cell"))
            cells.append(
                tag("rect", x=at, y=y + half, width=wide, height=half, fill=hatch(share.pct), class_="cell")
            )
            told = "–" if share.pct is None else percent(share.pct).removesuffix(" %")
            size = min(9.0, wide * 0.52)
            cells.append(words(at + wide / 2, y + half - 4, told, "middle", font_size=size))
        return joined(cells)

    told = "; ".join(
        f"{ink_name(ink.ink)}: {percent(whole.pct)} of readings in tolerance" for ink, _, whole in rows
    )
    drawn = _lanes([ink for ink, _, _ in rows], [f"{percent(whole.pct)} right" for _, _, whole in rows], lane)
    return joined((picture(number, title, told, drawn[1], drawn[0]), _legend_of_shares()))


def hatch(pct: float | None) -> str:
    """Fill of a share in percent."""
    if pct is None:
        return "none"
    return next((fill for least, fill, _ in CLASSES if pct >= least), LOWEST[0])


def _lanes(
    inks: Sequence[Ink], ends: Sequence[str], lane: Callable[[int, float, float, float], Markup]
) -> tuple[Markup, tuple[float, float]]:
    """The sheet, its zones numbered, and a lane for each ink: drawn, and how large it is."""
    zones = max(ink.zones for ink in inks)
    wide = (WIDTH - LEFT - RIGHT) / zones
    bottom = TOP + len(inks) * (LANE + GAP) + GAP
    parts = [
        tag("rect", x=LEFT, y=TOP - 2, width=WIDTH - LEFT - RIGHT, height=bottom - TOP + 2, class_="sheet")
    ]
    every = 1 if zones <= 36 else 2 if zones <= 64 else 4
    for zone in range(0, zones, every):
        middle = LEFT + (zone + 0.5) * wide
        parts.append(words(middle, TOP - 8, zone + 1, "middle", font_size=min(9.0, 0.55 * every * wide)))
    for zone in range(1, zones):
        at = LEFT + zone * wide
        parts.append(tag("path", d=f"M{at:.2f} {TOP - 2:g}V{bottom:g}", class_="grid"))
    parts.append(words(LEFT - 10, TOP - 8, "zone", "end", font_size=9))
    for index, ink in enumerate(inks):
        y = TOP + GAP + index * (LANE + GAP)
        parts.append(words(LEFT - 10, y + LANE / 2, ink_name(ink.ink), "end", font_size=12, class_="strong"))
        parts.append(words(LEFT - 10, y + LANE / 2 + 11, f"unit {ink.unit}", "end", font_size=8.5))
        parts.append(lane(index, LEFT, y, wide))
        parts.append(words(WIDTH - RIGHT + 10, y + LANE / 2 + 4, ends[index], font_size=11))
    return joined(parts), (WIDTH, bottom + 6)


def _legend(rows: Sequence[tuple[Markup, str]]) -> Markup:
    """Shapes and what they mean."""
    items = (
        tag("li", tag("svg", shape, viewBox="-9 -11 18 22", aria_hidden="true", class_="key"), " ", told)
        for shape, told in rows
    )
    return tag("ul", *items, class_="legend")


def _legend_of_states() -> Markup:
    return _legend([(mark(state, 0.0, 0.0), told) for state, told in STATES.items()])


def _legend_of_shares() -> Markup:
    rows = [(fill, told) for _, fill, told in CLASSES] + [LOWEST]
    boxes = [tag("rect", x=-8, y=-8, width=16, height=16, fill=fill, class_="cell") for fill, _ in rows]
    return _legend([(box, told) for box, (_, told) in zip(boxes, rows, strict=True)])
