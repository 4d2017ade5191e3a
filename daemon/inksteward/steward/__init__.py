"""The functional core: ``step(state, stamp, event) -> (state, effects)``.

No clock, no input or output, no randomness: the same events always give the same states and the same bytes.
"""

from inksteward.steward.state import State
from inksteward.steward.step import initial, step

__all__ = ["State", "initial", "step"]
