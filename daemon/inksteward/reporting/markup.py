"""Pieces of HTML and SVG as text: every word that goes in is escaped here, and nowhere else."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence

Cell = str | int | float | None


class Markup(str):
    """Text that is markup already."""

    __slots__ = ()


def escaped(text: object) -> Markup:
    """Words as markup; what is markup stays as it is."""
    return text if isinstance(text, Markup) else Markup(html.escape(str(text)))


def joined(parts: Iterable[object]) -> Markup:
    """Pieces one after the other."""
    return Markup("".join(escaped(part) for part in parts))


def tag(name: str, /, *inside: object, **attributes: object) -> Markup:
    """One element. An attribute's trailing underscore is dropped, other underscores are hyphens; None leaves it out."""
    told = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{html.escape(_number(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    if not inside and name in ("rect", "circle", "line", "path", "col", "meta"):
        return Markup(f"<{name}{told}/>")
    return Markup(f"<{name}{told}>{joined(inside)}</{name}>")


def _number(value: object) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[object]], kind: str = "") -> Markup:
    """A table with a caption and column headers; the first cell of a row heads the row. Empty rows give a sentence."""
    if not rows:
        return tag("p", tag("b", caption), ": none.", class_="none")
    top = tag("tr", *(tag("th", head, scope="col") for head in heads))
    body = [
        tag(
            "tr",
            tag("th", row[0], scope="row"),
            *(tag("td", "" if cell is None else cell) for cell in row[1:]),
        )
        for row in rows
    ]
    made = tag("table", tag("caption", caption), tag("thead", top), tag("tbody", *body), class_=kind or None)
    return tag("div", made, class_="wide", tabindex="0", role="region", aria_label=caption)


def facts(rows: Iterable[tuple[str, object]]) -> Markup:
    """Names and values, for what is told once."""
    pairs = (tag("div", tag("dt", name), tag("dd", value)) for name, value in rows if value is not None)
    return tag("dl", *pairs, class_="facts")


def picture(number: str, title: str, told: str, size: tuple[float, float], *inside: object) -> Markup:
    """An SVG of so many units with its title and, for those who cannot see it, what it shows."""
    names = f"{number}-title {number}-told"
    return tag(
        "svg",
        tag("title", title, id=f"{number}-title"),
        tag("desc", told, id=f"{number}-told"),
        *inside,
        viewBox=f"0 0 {size[0]:g} {size[1]:g}",
        role="img",
        aria_labelledby=names,
        class_="picture",
    )


def words(x: float, y: float, text: object, anchor: str = "start", **attributes: object) -> Markup:
    """A line of text in a picture."""
    return tag("text", text, x=x, y=y, text_anchor=None if anchor == "start" else anchor, **attributes)
