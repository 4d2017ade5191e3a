"""How the image lies beside the strip: turned clockwise first, then mirrored left to right."""

from __future__ import annotations

from dataclasses import dataclass

from inksteward.coverage.errors import CoverageError

TURNS_DEG = (0, 90, 180, 270)


@dataclass(frozen=True, slots=True)
class Orientation:
    """What brings the stored image to how the sheet lies under the strip reader, x growing to the right.

    ``turn_deg``: clockwise, one of TURNS_DEG, else CoverageError. ``mirror``: afterwards left and right change places,
    as for a plate seen from its back.
    """

    turn_deg: int = 0
    mirror: bool = False

    def __post_init__(self) -> None:
        if self.turn_deg not in TURNS_DEG:
            raise CoverageError("--turn", self.turn_deg, f"one of {', '.join(map(str, TURNS_DEG))}")

    @property
    def sideways(self) -> bool:
        """Whether the stored rows become columns."""
        return self.turn_deg in (90, 270)

    @property
    def backwards(self) -> bool:
        """Whether the stored columns (sideways: the stored rows) run from right to left.

        A quarter turn clockwise brings the last row to the left; half a turn brings the last column there.
        """
        return (self.turn_deg in (90, 180)) != self.mirror

    def words(self) -> str:
        """In words, for table and picture."""
        turned = f"turned {self.turn_deg} degrees clockwise" if self.turn_deg else "not turned"
        return f"{turned}, {'mirrored' if self.mirror else 'not mirrored'}"
