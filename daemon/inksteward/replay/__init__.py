"""Journal -> the same core again: what was decided is decided once more and compared byte by byte."""

from inksteward.replay.same import Difference, ReplayReport, first_difference, replay

__all__ = ["Difference", "ReplayReport", "first_difference", "replay"]
