"""One unit's registers: read as a position, and written as a command."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

from inksteward.model import Unit
from inksteward.ports import DriverError, NotSent, Released
from inksteward_drivers.modbus_form import (
    LIMITS,
    WORDS,
    BitsForm,
    CountForm,
    ScaledForm,
    UnitForm,
    bit_registers,
)
from inksteward_drivers.modbus_values import (
    OutOfRange,
    bit_words,
    bits_of,
    count_of,
    percent_of,
    target_count,
    words_of,
)
from inksteward_drivers.modbus_wire import Wire, WireLost

REACH_PCT = 1e-6


@dataclass(frozen=True, slots=True)
class Seen:
    """What the registers say; ``ended`` and ``refusal`` are the cabinet's own numbers."""

    opening_pct: tuple[float | None, ...]
    referenced: tuple[bool, ...]
    sweep_pct: float | None
    moving: bool
    ended: int
    refusal: int
    sheet: int


class UnitRegisters:
    """Registers of one unit behind a wire."""

    def __init__(self, unit: Unit, form: UnitForm) -> None:
        self.unit, self.form = unit, form

    async def seen(self, wire: Wire) -> Seen:
        """Read all of it. What moves is asked for before and after the openings: they may have gone on meanwhile."""
        form, zones = self.form, self.unit.zones
        moving = await _bits(wire, form.moving, 1)
        ended = await _count(wire, form.ended)
        opening = await self._percents(wire, form.position, zones)
        sweep = await self._percents(wire, form.sweep, 1)
        referenced = await _bits(wire, form.referenced, zones)
        refusal = 0 if form.refusal is None else await _count(wire, form.refusal)
        sheet = 0 if form.sheet is None else await _count(wire, form.sheet)
        still = await _bits(wire, form.moving, 1)
        return Seen(opening, referenced, sweep[0], moving[0] or still[0], ended, refusal, sheet)

    async def _percents(self, wire: Wire, scale: ScaledForm, count: int) -> tuple[float | None, ...]:
        size = WORDS[scale.coded]
        step = scale.step or size
        words = await wire.read(scale.table, scale.address, (count - 1) * step + size)
        return tuple(percent_of(words[step * n : step * n + size], scale) for n in range(count))

    def off_start(self, released: Released, seen: Seen) -> str | None:
        """Why a command does not start from where the keys stand, None where it does."""
        for target in released.targets:
            stands = seen.opening_pct[target.zone - 1] if 1 <= target.zone <= self.unit.zones else None
            if stands is None or not seen.referenced[target.zone - 1]:
                return f"zone {target.zone} does not know where it is"
            if abs(stands - target.from_pct) > released.from_tol_pct + REACH_PCT:
                return (
                    f"zone {target.zone} stands at {stands:g} %, expected {target.from_pct:g} % "
                    f"within {released.from_tol_pct:g} %"
                )
        return "keys are moving" if seen.moving else None

    def number_after(self, seen: Seen, started: int) -> int:
        """The number of the next command: the one after the last that ended, never 0, and never that of one that was
        ``started`` and has not ended (-1: none)."""
        top = LIMITS[self.form.start.coded][1]
        following = seen.ended % top + 1
        return following % top + 1 if following == started else following

    async def order(self, wire: Wire, released: Released, seen: Seen, number: int, until_s: float) -> None:
        """Write the targets, read them back, then write the number that starts them.

        Raises NotSent while nothing can have started, DriverError once it may have.
        """
        try:
            writes = self._writes(released, seen)
        except OutOfRange as error:
            raise NotSent(f"{released.unit}: {error}") from error
        try:
            for address, words in writes:
                await wire.write(address, words)
            for address, words in writes:
                stands = await wire.read("holding", address, len(words))
                if stands != words:
                    raise NotSent(
                        f"{released.unit}: registers from {address} on hold {stands}, written were {words}"
                    )
        except NotSent:
            raise
        except DriverError as error:
            raise NotSent(f"{released.unit}: nothing was started: {error}") from error
        if time.monotonic() > until_s:
            raise NotSent(f"{released.unit}: the command was no longer valid when its targets stood")
        try:
            await wire.write(
                self.form.start.address,
                words_of(number, self.form.start.coded, self.form.start.high_word_first),
            )
        except WireLost as error:
            raise DriverError(
                f"{released.unit}: nobody knows whether the cabinet started it: {error}"
            ) from error

    def _writes(self, released: Released, seen: Seen) -> list[tuple[int, list[int]]]:
        """Every register that a command needs, in the order of writing. Raises OutOfRange and NotSent."""
        form, zones = self.form, self.unit.zones
        goals = {target.zone: target.to_pct for target in released.targets}
        percents = [goals.get(zone, seen.opening_pct[zone - 1]) for zone in range(1, zones + 1)]
        counts = [self._count(zone, value, zone in goals) for zone, value in enumerate(percents, 1)]
        writes = [(form.target.address, self._words(form.target, counts))]
        writes.append(
            (form.sweep_target.address, self._words(form.sweep_target, [self._sweep(released, seen)]))
        )
        if form.selected is not None:
            chosen = [zone in goals for zone in range(1, zones + 1)]
            registers = bit_registers(zones, form.selected.bit)
            writes.append((form.selected.address, bit_words(chosen, form.selected.bit, registers)))
        return writes

    def _sweep(self, released: Released, seen: Seen) -> int:
        if released.sweep_pct is not None:
            return target_count(released.sweep_pct, self.form.sweep_target)
        if seen.sweep_pct is None:
            raise NotSent(f"{released.unit}: the sweep is not known, so it cannot be told to stay")
        return _nearest(seen.sweep_pct, self.form.sweep_target)

    def _count(self, zone: int, percent: float | None, moves: bool) -> int:
        """A key's target; one that stays is told the very place where it stands."""
        scale = self.form.target
        if percent is None:
            if self.form.selected is None:
                raise NotSent(f"{self.unit.unit}: zone {zone} is not known, so it cannot be told to stay")
            return 0
        if moves:
            return target_count(percent, scale)
        return _nearest(percent, scale)

    def _words(self, scale: ScaledForm, counts: Sequence[int]) -> list[int]:
        return [word for count in counts for word in words_of(count, scale.coded, scale.high_word_first)]


def _nearest(percent: float, scale: ScaledForm) -> int:
    """The count of where something stands."""
    return round((percent - scale.zero_pct) / scale.percent_per_count)


async def _bits(wire: Wire, form: BitsForm, count: int) -> tuple[bool, ...]:
    words = await wire.read(form.table, form.address, bit_registers(count, form.bit))
    return bits_of(words, form.bit, count)


async def _count(wire: Wire, form: CountForm) -> int:
    words = await wire.read(form.table, form.address, WORDS[form.coded])
    return count_of(words, form.coded, form.high_word_first)
