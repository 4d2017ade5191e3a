"""The people of a scenario (``[operator]``): how long decisions take, what becomes of proposals, hands at keys."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated, Self

from pydantic import Field, model_validator

from inksteward_simulators.link_messages import Message

if TYPE_CHECKING:
    from inksteward_simulators.scenario_forms import Unit

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Sheet = Annotated[int, Field(ge=0, le=10_000_000)]
TOGETHER = 1.0 + 1e-9
"""Three shares of a third each come to a little more than 1."""


class HandMove(Message):
    """Somebody turns a key at the press and tells nobody: the service sees it by read-back only.

    The key goes by ``by_pct`` points of travel from where it reads, once at ``at_sheet``, or again every so many
    sheets, before ``until_sheet`` if that is said.
    """

    unit: str
    zone: Annotated[int, Field(ge=1)]
    by_pct: Annotated[float, Field(ge=-100.0, le=100.0)]
    at_sheet: Sheet
    every_sheets: Annotated[int, Field(ge=10, le=1_000_000)] | None = None
    until_sheet: Sheet | None = None

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.by_pct == 0.0:
            raise ValueError("by_pct = 0.0: expected points of travel other than 0")
        if self.until_sheet is not None and self.every_sheets is None:
            raise ValueError(f"until_sheet = {self.until_sheet}: expected every_sheets with it")
        if self.until_sheet is not None and self.until_sheet <= self.at_sheet:
            raise ValueError(
                f"until_sheet = {self.until_sheet}: expected more than at_sheet = {self.at_sheet}"
            )
        return self

    def times(self, after: int, sheet: int) -> int:
        """How often it is made after the sheet ``after``, up to and with ``sheet``."""
        return self._made(sheet) - self._made(after)

    def _made(self, sheet: int) -> int:
        last = sheet if self.until_sheet is None else min(sheet, self.until_sheet - 1)
        if last < self.at_sheet:
            return 0
        return 1 if self.every_sheets is None else 1 + (last - self.at_sheet) // self.every_sheets


class Operator(Message):
    """Who decides, and how. Every share is a chance for each proposal; sizes are the scenario's, there is no source.

    ``reject_share`` is rejected; ``part_share`` approved with single moves left out, each with the chance
    ``leave_share``; ``late_share`` approved so many sheets after it came, evenly between the two ``late_sheets``: by
    then the next scan was pulled or has replaced it, or it lapsed. All others are approved as they stand.
    """

    decision_s: Annotated[float, Field(gt=0.0, le=3600.0)] | None = None
    """Median seconds of press time from proposal to decision; None, and no ``decision_sheets``: the bench's pace."""
    decision_sheets: Annotated[float, Field(gt=0.0, le=100_000.0)] | None = None
    decision_spread: Annotated[float, Field(ge=0.0, le=2.0)] = 0.4
    """Standard deviation of the time's logarithm."""
    reject_share: Share = 0.0
    part_share: Share = 0.0
    leave_share: Annotated[float, Field(gt=0.0, lt=1.0)] = 0.5
    late_share: Share = 0.0
    late_sheets: tuple[Sheet, Sheet] = (36, 150)
    hand: tuple[HandMove, ...] = ()

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.decision_s is not None and self.decision_sheets is not None:
            raise ValueError(
                f"decision_sheets = {self.decision_sheets:g}: expected none beside decision_s = {self.decision_s:g}"
            )
        together = self.reject_share + self.part_share + self.late_share
        if together > TOGETHER:
            raise ValueError(
                f"reject_share + part_share + late_share = {together:g}: expected at most 1, they exclude each other"
            )
        if not 0 < self.late_sheets[0] <= self.late_sheets[1]:
            raise ValueError(
                f"late_sheets = {list(self.late_sheets)}: expected two numbers above 0, the lower one first"
            )
        return self

    def median_sheets(self, speed_sph: float) -> float | None:
        """Median time of a decision in sheets at this speed; None: not said."""
        if self.decision_s is not None:
            return self.decision_s * speed_sph / 3600.0
        return self.decision_sheets


def check_hands(operator: Operator, units: Iterable[Unit]) -> None:
    """Raise ValueError ("field = value: expected ...") for a hand move at a key that this press does not have."""
    zones = {unit.unit: unit.zones for unit in units}
    for number, move in enumerate(operator.hand):
        if move.unit not in zones:
            raise ValueError(
                f"operator.hand.{number}.unit = {move.unit!r}: expected one of {', '.join(zones)}"
            )
        if move.zone > zones[move.unit]:
            raise ValueError(f"operator.hand.{number}.zone = {move.zone}: expected 1 to {zones[move.unit]}")
