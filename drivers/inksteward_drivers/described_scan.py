"""Frames of a described protocol become scans: every one whole, or refused with its reason. Pure."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from inksteward_drivers.described_form import DescriptionForm
from inksteward_drivers.described_frames import BadCheck, Body, Found
from inksteward_drivers.described_pattern import HEAD_FIELDS, PATCH_FIELDS, Reader, Unread, message_reader
from inksteward_drivers.described_values import Values, whole_number
from inksteward_drivers.line_messages import MAX_PATCHES
from inksteward_drivers.settings import SettingError


@dataclass(frozen=True, slots=True)
class Whole:
    """A complete scan: run, sheet and side as the device gave them, and patches in the contract's form."""

    run_id: str
    sheet: int
    side: str
    patches: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class Spoiled:
    """A scan that is refused, with the reason in words."""

    text: str


@dataclass(frozen=True, slots=True)
class Unusable:
    """A frame outside every scan that says nothing."""

    text: str


Outcome = Whole | Spoiled | Unusable


@dataclass(slots=True)
class _Open:
    """A scan that was begun. ``bad``: how many frames of it were of no use; ``why``: the first reason."""

    head: dict[str, str] = field(default_factory=dict)
    patches: list[dict[str, Any]] = field(default_factory=list)
    places: set[tuple[float, str, tuple[str, ...]]] = field(default_factory=set)
    bad: int = 0
    why: str = ""

    def spoil(self, why: str) -> None:
        self.bad += 1
        self.why = self.why or why

    @property
    def name(self) -> str:
        return f"scan of sheet {self.head['sheet'][:20]}" if self.head.get("sheet") else "scan"


class Scans:
    """Takes frames and faults in order. ``begun`` says whether a scan is under way."""

    def __init__(self, form: DescriptionForm, readers: dict[str, Reader], values: Values) -> None:
        self._form, self._readers, self._values = form, readers, values
        self._ignore = tuple(text.encode(form.encoding) for text in form.ignore)
        self._open: _Open | None = None

    @property
    def begun(self) -> bool:
        """Whether patches or an end are still expected."""
        return self._open is not None

    def take(self, found: Found) -> list[Outcome]:
        """What this frame, or what was discarded, brought to an end."""
        if not isinstance(found, Body):
            if self._open is None and "begin" in self._readers:
                return []  # no scan is spoiled by it, and who read the frames has counted it
            if isinstance(found, BadCheck):
                return self._unread(found.text)
            return self._unread(f"{found.size} bytes discarded: {found.why}")
        if self._ignore and found.data.startswith(self._ignore):
            return []
        try:
            kind, fields = self._message(found.data)
            return self._took(kind, fields)
        except Unread as error:
            shown = found.data[:40].decode("ascii", "backslashreplace")
            return self._unread(f"{shown!r}: {error}")

    def quiet(self) -> list[Outcome]:
        """The line has been quiet for ``scan.quiet_s``: the scan is complete, or will never be."""
        if self._open is None:
            return []
        if self._form.scan.ends_by != "quiet":
            self._open.spoil(f"the line was quiet for {self._form.scan.quiet_s:g} s before its end")
        return self._finished()

    def lost(self) -> list[Outcome]:
        """The line went away: what was begun will not be complete."""
        if self._open is None:
            return []
        self._open.spoil("the line was lost before its end")
        return self._finished()

    def _message(self, data: bytes) -> tuple[str, dict[str, str]]:
        for kind, reader in self._readers.items():
            fields = reader(data)
            if fields is not None:
                return kind, fields
        raise Unread("no message that is described looks like this")

    def _took(self, kind: str, fields: dict[str, str]) -> list[Outcome]:
        if kind == "begin":
            before = self._cut_short()
            self._open = _Open()
            self._note(self._open, fields)
            return before
        if kind == "patch":
            scan = self._open or self._unannounced()
            self._note(scan, fields)
            self._add(scan, fields)
            return self._finished() if self._full(scan) else []
        if self._open is None:
            return [Unusable("an end without a scan")]
        try:
            self._note(self._open, fields)
        except Unread as error:
            self._open.spoil(str(error))
        return self._finished()

    def _unread(self, why: str) -> list[Outcome]:
        if self._open is None and "begin" in self._readers:
            return [Unusable(why)]
        scan = self._open or self._unannounced()
        scan.spoil(why)
        return self._finished() if self._full(scan) else []

    def _unannounced(self) -> _Open:
        """A scan without a beginning: as described, or because that one was not read."""
        self._open = _Open()
        if "begin" in self._readers:
            self._open.spoil("its beginning was not read")
        return self._open

    def _cut_short(self) -> list[Outcome]:
        if self._open is None:
            return []
        if self._form.scan.ends_by != "quiet":
            self._open.spoil("the next scan began before its end")
        return self._finished()

    def _note(self, scan: _Open, fields: dict[str, str]) -> None:
        for name in (*HEAD_FIELDS, "count"):
            value = fields.get(name)
            if value is not None and scan.head.setdefault(name, value) != value:
                raise Unread(f"{name} {value[:20]} after {scan.head[name][:20]}")

    def _add(self, scan: _Open, fields: dict[str, str]) -> None:
        patch = self._values.patch(fields)
        place = (patch["x_mm"], patch["kind"], tuple(patch["inks"]))
        if place in scan.places:
            raise Unread(f"a second {patch['kind']} patch at {patch['x_mm']:g} mm")
        if len(scan.patches) == MAX_PATCHES:
            raise Unread(f"more than {MAX_PATCHES} patches")
        scan.places.add(place)
        scan.patches.append(patch)

    def _full(self, scan: _Open) -> bool:
        if self._form.scan.ends_by != "count" or "count" not in scan.head:
            return False
        try:
            return len(scan.patches) + scan.bad >= whole_number("count", scan.head["count"])
        except Unread:
            return True

    def _finished(self) -> list[Outcome]:
        scan, self._open = self._open, None
        if scan is None:
            return []
        if scan.bad:
            others = f"; {scan.bad - 1} more" if scan.bad > 1 else ""
            return [Spoiled(f"{scan.name}: {scan.why}{others}")]
        try:
            return [self._whole(scan)]
        except Unread as error:
            return [Spoiled(f"{scan.name}: {error}")]

    def _whole(self, scan: _Open) -> Whole:
        head = scan.head
        for name in ("sheet", "run_id"):
            if not head.get(name):
                raise Unread(f"no {name} was given: a scan counts for one sheet of one run")
        if not scan.patches:
            raise Unread("no patch came")
        if "count" in head and whole_number("count", head["count"]) != len(scan.patches):
            raise Unread(f"{len(scan.patches)} patches came, {head['count'][:20]} were announced")
        run_id = self._form.scan.run_id_prefix + head["run_id"]
        sheet = whole_number("sheet", head["sheet"])
        return Whole(run_id, sheet, self._values.side(head.get("side")), tuple(scan.patches))


def scans_of(driver: str, form: DescriptionForm) -> Callable[[], Scans]:
    """Makes what puts scans together. Raises SettingError where the settings do not go together."""
    allowed = {"begin": (*HEAD_FIELDS, "count"), "end": (*HEAD_FIELDS, "count"), "patch": PATCH_FIELDS}
    readers = {
        place: message_reader(f"{driver}: {place}", message, allowed[place], form.encoding)
        for place in ("begin", "end", "patch")
        if (message := getattr(form, place)) is not None
    }
    fields = {place: _fields(getattr(form, place)) for place in readers}
    every = frozenset().union(*fields.values())
    for name in ("sheet", "run_id"):
        if name not in every:
            raise SettingError(f"{driver}: {name} = missing: expected as a field of begin, patch or end")
    if "side" not in every and form.scan.side is None:
        raise SettingError(f"{driver}: scan.side = missing: expected front or back, or a field side")
    if form.scan.ends_by == "end" and form.end is None:
        raise SettingError(f"{driver}: end = missing: expected with scan.ends_by end")
    if form.scan.ends_by == "count" and "count" not in fields.get("begin", ()):
        raise SettingError(f"{driver}: begin = no field count: expected one with scan.ends_by count")
    for text in form.ignore:
        if not text.isascii():
            raise SettingError(f"{driver}: ignore = {text!r}: expected ASCII")
    values = Values(driver, form, fields["patch"])
    return lambda: Scans(form, readers, values)


def _fields(message: Any) -> frozenset[str]:
    if message.pattern is None:
        return frozenset(message.columns or ())
    return frozenset(re.compile(message.pattern.encode()).groupindex)
