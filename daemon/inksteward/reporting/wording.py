"""Times, inks, codes and numbers in the words of a report."""

from __future__ import annotations

from inksteward.reporting.context import when

INKS = {"C": "Cyan", "M": "Magenta", "Y": "Yellow", "K": "Black"}
VIA = {"mqtt": "over the broker", "page": "at the page", "command_line": "at the command line"}


def ink_name(ink: str) -> str:
    """An ink in words; a spot ink by its id."""
    return INKS.get(ink, ink)


def moment(wall_ms: int | None) -> str:
    """A time to the second, UTC."""
    return "not known" if wall_ms is None else f"{clock(wall_ms)} UTC"


def clock(wall_ms: int) -> str:
    """A time in a table whose caption says UTC."""
    try:
        return f"{when(wall_ms):%Y-%m-%d %H:%M:%S}"
    except OverflowError:
        return f"{wall_ms} ms"


def count(number: int | None, one: str, many: str | None = None) -> str:
    """A number with its noun."""
    if number is None:
        return f"{many or one + 's'} not known"
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def percent(value: float | None) -> str:
    """A share; a dash where nothing was read. Never rounded up to 100 or down to 0."""
    if value is None:
        return "–"
    if 99.5 < value < 100.0:
        return "99 %"
    if 0.0 < value < 0.5:
        return "1 %"
    return f"{value:.0f} %"


def plain(code: str | None) -> str:
    """A code as words."""
    return (code or "").replace("_", " ")


def signed(value: float) -> str:
    """Density with its sign."""
    return f"{value:+.3f}".replace("-", "−")


def signed_two(value: float) -> str:
    """A tolerance with its sign."""
    return f"{value:+.2f}".replace("-", "−")


def list_of(names: list[str]) -> str:
    """Names with commas and an 'and'."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else "none"
