"""What the trade talks of, as frozen dataclasses: standard library only, units in the names."""

from inksteward.model.calibration import BladeCoupling, Calibration, KeyCalibration
from inksteward.model.condition import Condition, ConditionInk, DensityBasis
from inksteward.model.ink import Ink
from inksteward.model.limits import Limits
from inksteward.model.moves import KeyMove, Moves, ReadBack, UnresolvedCommand
from inksteward.model.press import BladeKind, Press, RollerTrain, Side, SweepRange, Unit

__all__ = [
    "BladeCoupling",
    "BladeKind",
    "Calibration",
    "Condition",
    "ConditionInk",
    "DensityBasis",
    "Ink",
    "KeyCalibration",
    "KeyMove",
    "Limits",
    "Moves",
    "Press",
    "ReadBack",
    "RollerTrain",
    "Side",
    "SweepRange",
    "Unit",
    "UnresolvedCommand",
]
