"""The operations of the bench link on a press: what `link.py` serves. Holds no clock of its own."""

import asyncio
from collections.abc import Callable
from typing import Any, TypeVar

from inksteward_simulators import link_messages as msg
from inksteward_simulators.link import Handler, LinkError, parse
from inksteward_simulators.press import faults, reveal
from inksteward_simulators.press.press import Press
from inksteward_simulators.press.sheet import Sheet

Result = TypeVar("Result")


class PressDesk:
    """Handlers by operation (`handlers`), the press, and what a loop around it has to know."""

    def __init__(self, press: Press, time_factor: float) -> None:
        self.press = press
        self.time_factor = time_factor
        self.good: bool | None = None
        self.ended = asyncio.Event()
        self.changed = asyncio.Event()
        """Set when something happened that the counter must tell at once."""
        self._printed = asyncio.Event()
        self.handlers: dict[str, Handler] = {
            "state": self._state,
            "pull": self._pull,
            "drive": self._drive,
            "positions": self._positions,
            "stop_motors": self._stop_motors,
            "run": self._run,
            "good": self._good,
            "hand_move": self._hand_move,
            "fault": self._fault,
            "advance": self._advance,
            "truth": self._truth,
            "shutdown": self._shutdown,
        }

    def printed(self) -> None:
        """At least one more sheet was printed: whoever waits to pull one gets it."""
        self._printed.set()
        self._printed = asyncio.Event()

    def _now(self) -> msg.State:
        return reveal.state(self.press, self.time_factor, self.good)

    async def _state(self, body: dict[str, Any]) -> msg.State:
        parse(msg.Nothing, body)
        return self._now()

    async def _pull(self, body: dict[str, Any]) -> msg.PullReply:
        asked = parse(msg.PullRequest, body)
        if asked.sheet is None and self.press.printing and self.time_factor > 0.0:
            await self._printed.wait()
        number = asked.sheet
        sheet = _refusing(lambda: self.press.pull() if number is None else self.press.pulled(number))
        patches = tuple(_read(sheet, patch, asked.side) for patch in asked.patches)
        instrument = self.press.instrument.seen(self.press.units.values(), asked.patches, asked.side)
        return msg.PullReply(
            run_id=sheet.run_id, sheet=sheet.number, side=asked.side, patches=patches, instrument=instrument
        )

    async def _drive(self, body: dict[str, Any]) -> msg.DriveReply:
        asked = parse(msg.DriveRequest, body)
        targets = {target.zone: target.to_pct for target in asked.targets}
        if len(targets) != len(asked.targets):
            raise LinkError("targets", [target.zone for target in asked.targets], "each zone once")
        return self._started(asked.unit, targets, asked.sweep_pct, asked.take_up_pct)

    async def _hand_move(self, body: dict[str, Any]) -> msg.DriveReply:
        asked = parse(msg.HandMoveRequest, body)
        if (asked.zone is None) != (asked.to_pct is None) or (asked.zone is None and asked.sweep_pct is None):
            raise LinkError("zone", asked.zone, "zone and to_pct together, or sweep_pct")
        targets = {asked.zone: asked.to_pct} if asked.zone is not None and asked.to_pct is not None else {}
        return self._started(asked.unit, targets, asked.sweep_pct, 0.0)

    def _started(
        self, unit: str, targets: dict[int, float], sweep_pct: float | None, take_up_pct: float
    ) -> msg.DriveReply:
        eta_s = _refusing(lambda: self.press.drive(unit, targets, sweep_pct, take_up_pct))
        return msg.DriveReply(unit=unit, moving=self.press.unit(unit).moving, eta_s=eta_s)

    async def _positions(self, body: dict[str, Any]) -> msg.Positions:
        asked = parse(msg.PositionsRequest, body)
        return _refusing(lambda: reveal.positions(self.press, asked.unit))

    async def _stop_motors(self, body: dict[str, Any]) -> msg.Nothing:
        asked = parse(msg.StopMotorsRequest, body)
        _refusing(lambda: self.press.stop_motors(asked.unit))
        return msg.Nothing()

    async def _run(self, body: dict[str, Any]) -> msg.State:
        asked = parse(msg.RunRequest, body)
        if asked.run_id is not None and asked.run_id != self.press.run_id:
            self.press.new_run(asked.run_id, washed=asked.washed is not False)
        elif asked.washed:
            raise LinkError("washed", True, "a new run_id with it")
        if asked.speed_sph is not None:
            self.press.set_speed(asked.speed_sph)
        if asked.printing is not None:
            (self.press.start if asked.printing else self.press.stop)()
            self.printed()  # a pull that waits on a press that was stopped gets the last sheet
        self.changed.set()
        return self._now()

    async def _good(self, body: dict[str, Any]) -> msg.Nothing:
        self.good = parse(msg.GoodRequest, body).value
        self.changed.set()
        return msg.Nothing()

    async def _fault(self, body: dict[str, Any]) -> msg.Nothing:
        self.fault(parse(msg.FaultRequest, body))
        return msg.Nothing()

    def fault(self, asked: msg.FaultRequest) -> None:
        """Make something go wrong; raises LinkError when this press cannot have it."""
        _refusing(lambda: faults.inject(self.press, asked))
        self.changed.set()

    async def _advance(self, body: dict[str, Any]) -> msg.State:
        asked = parse(msg.AdvanceRequest, body)
        if self.time_factor > 0.0:
            raise LinkError(
                "op", "advance", f"time factor 0; this press runs by itself at {self.time_factor:g}"
            )
        if (asked.sheets is None) == (asked.seconds is None):
            raise LinkError("sheets", asked.sheets, "either sheets or seconds")
        if asked.sheets is not None:
            sheets = asked.sheets
            _refusing(lambda: self.press.step(sheets))
        else:
            self.press.advance(asked.seconds or 0.0)
        self.printed()
        self.changed.set()
        return self._now()

    async def _truth(self, body: dict[str, Any]) -> msg.TruthReply:
        parse(msg.Nothing, body)
        return reveal.truth(self.press)

    async def _shutdown(self, body: dict[str, Any]) -> msg.Nothing:
        parse(msg.Nothing, body)
        self.ended.set()
        return msg.Nothing()


def _read(sheet: Sheet, patch: msg.Patch, side: msg.Side) -> msg.PatchDensity:
    density = _refusing(lambda: sheet.patch(patch.inks, patch.tone_pct, patch.x_mm, patch.width_mm, side))
    return msg.PatchDensity(**patch.model_dump(), density=density)


def _refusing(act: Callable[[], Result]) -> Result:
    """Turn the press's ValueError ("field = value: expected ...") into a refusal on the link."""
    try:
        return act()
    except ValueError as error:
        words = str(error)
        field, _, rest = words.partition(" = ")
        value, _, expected = rest.partition(": expected ")
        raise LinkError(field, value, expected or words) from error
