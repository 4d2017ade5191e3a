"""Makes the scenario's planned faults when their sheets are reached, each once a run."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from inksteward_simulators.fault_plan import PlannedFault

NEVER = 2**63
"""No run has so many sheets."""

Ending = Callable[[], None]


class FaultTimer:
    """``next_sheet`` is the first sheet of the run before which something is still to be done."""

    def __init__(self, plan: Sequence[PlannedFault]) -> None:
        self._plan = sorted(plan, key=lambda fault: fault.at_sheet)
        self._made = 0
        self._endings: list[tuple[int, Ending]] = []
        self.next_sheet = NEVER

    def begin(self, make: Callable[[PlannedFault], Ending]) -> None:
        """A run begins: what was to end in the last one ends now, and every fault is ahead again."""
        for _, end in self._endings:
            end()
        self._endings, self._made = [], 0
        self.reach(0, make)

    def reach(self, sheet: int, make: Callable[[PlannedFault], Ending]) -> None:
        """`sheet` is the next to be printed: end and make what is due."""
        for _, end in [ending for ending in self._endings if ending[0] <= sheet]:
            end()
        self._endings = [ending for ending in self._endings if ending[0] > sheet]
        while self._made < len(self._plan) and self._plan[self._made].at_sheet <= sheet:
            fault = self._plan[self._made]
            self._made += 1
            end = make(fault)
            if fault.until_sheet is not None:
                self._endings.append((fault.until_sheet, end))
        ahead = [fault.at_sheet for fault in self._plan[self._made : self._made + 1]]
        self.next_sheet = min([*ahead, *(due for due, _ in self._endings), NEVER])
