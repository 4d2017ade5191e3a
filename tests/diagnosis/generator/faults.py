"""Faults with sizes and time scales of the trade (common practice, no source), and from when on each one shows.

A fault shows from the scan on at which its true effect is over two standard deviations of one patch on one scan:
0.0335 D on a solid (instrument 0.0075 and sheet 0.015 together), 3 points on a mid tint, 4 points of trap, 2.5 points
of hue error or greyness, 0.015 D (instrument alone) on paper. An answer that fails to come is a difference of two
scans: 0.0474 D.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from tests.diagnosis.generator import numbers as n
from tests.diagnosis.generator.press import Press, spread
from tests.diagnosis.generator.strip import Upset

ANSWER_D = 2.0 * math.sqrt(2.0 * (n.INSTRUMENT_D**2 + n.SHEET_D**2))
SOLID_D = 2.0 * math.sqrt(n.INSTRUMENT_D**2 + n.SHEET_D**2)
TONE_PTS, TRAP_PTS, HUE_PTS, PAPER_D = 3.0, 4.0, 2.5, 2.0 * n.INSTRUMENT_D


@dataclass(slots=True)
class Fault:
    """A drawn fault. ``upset`` at full size, times ``share`` of the k-th scan from its onset; ``shown`` says whether a
    share of it can be seen. ``answers``: gain of a key by unit and zone; ``key_to``: zone that a key truly feeds;
    ``lasts``: scans it lasts; ``asks``: shows by unanswered moves, in this many zones of ``units``."""

    kind: str
    units: list[int]
    zone: int = 0
    upset: Callable[[float], Upset] = lambda share: Upset()
    share: Callable[[int], float] = lambda k: 1.0
    shown: Callable[[float], bool] = lambda share: True
    dead: dict[tuple[int, int], float] = field(default_factory=dict)
    key_to: dict[tuple[int, int], int] = field(default_factory=dict)
    asks: int = 0
    lasts: int = 100
    events: list[str] = field(default_factory=list)


def _soon(rng: Random) -> Callable[[int], float]:
    lag = rng.uniform(0.1, 0.7)
    return lambda k: 1.0 - math.exp(-(k + 0.5) / lag)


def _scaled(press: Press, index: int, shape: list[float], mean_d: float) -> list[float]:
    """Ln films in a shape over the zones whose mean effect is so many D, by secant steps."""
    unit, size = press.units[index], mean_d / press.units[index].slope() / (sum(shape) / len(shape))
    for _ in range(6):
        got = sum(unit.aim * (unit.factor(size * s) - 1.0) for s in shape) / len(shape)
        size *= mean_d / got
    return [size * s for s in shape]


def _times(values: list[float], share: float) -> list[float]:
    return [share * v for v in values]


def sweep(rng: Random, press: Press) -> Fault:
    """Fountain roller speed wrong: one ink off in proportion to the elasticity of each zone."""
    u = rng.randrange(len(press.units))
    mean = rng.choice((-1, 1)) * rng.uniform(0.035, 0.12)
    mean = min(mean, 0.5 * press.units[u].aim * (press.units[u].ratio - 1.0))
    film = _scaled(press, u, [n.elasticity(a) for a in press.units[u].coverage], mean)
    return Fault("sweep", [u], upset=lambda s: Upset(film={u: _times(film, s)}), share=_soon(rng),
                 shown=lambda s: abs(mean) * s > SOLID_D)  # fmt: skip


def water(rng: Random, press: Press) -> Fault:
    """Water too high: one unit low, most where coverage is light; usually tone values, always trap a little down."""
    u = rng.randrange(len(press.units))
    mean, tone = -rng.uniform(0.03, 0.10), -rng.uniform(1.0, 4.0) if rng.random() < 0.85 else 0.0
    trap = -rng.uniform(2.0, 8.0)
    film = _scaled(press, u, [rng.uniform(1.2, 1.5) - n.elasticity(a) for a in press.units[u].coverage], mean)
    return Fault("water", [u], upset=lambda s: Upset(film={u: _times(film, s)}, tone={u: s * tone}, trap={u: s * trap}),
                 share=_soon(rng), shown=lambda s: abs(mean) * s > SOLID_D)  # fmt: skip


def toning(rng: Random, press: Press) -> Fault:
    """Water too low: ink on bare paper, a little more tone in the shadows."""
    u = rng.randrange(len(press.units))
    unit, size, tone = press.units[u], rng.uniform(0.02, 0.07), rng.uniform(0.0, 2.0)
    veil = [size * v / unit.aim for v in unit.optics]
    return Fault("toning", [u], upset=lambda s: Upset(paper=_times(veil, s), tone={u: s * tone}),
                 share=_soon(rng), shown=lambda s: size * s > PAPER_D)  # fmt: skip


def emulsified(rng: Random, press: Press) -> Fault:
    """Emulsified ink: a unit goes down, its keys are opened again and again and little comes of it."""
    u = rng.randrange(len(press.units))
    unit, start, more = press.units[u], rng.uniform(0.06, 0.10), rng.uniform(0.0, 0.008)
    gain = rng.uniform(0.0, 0.15)
    flat = [1.0] * press.zones
    for z in range(press.zones):
        unit.pending[z] = unit.owed[z] = 0.0
    return Fault("emulsified", [u], upset=lambda s: Upset(film={u: _scaled(press, u, flat, -(start + more * s))}),
                 share=lambda k: float(k), dead={(u, z): gain for z in range(press.zones)},
                 asks=max(4, press.zones // 4))  # fmt: skip


def dry_back(rng: Random, press: Press) -> Fault:
    """An old sheet among wet ones: every ink lost density, black most."""
    black = rng.uniform(0.05, 0.15)
    losses = {i: black * (1.0 if i == 0 else rng.uniform(0.4, 0.85)) for i in range(len(press.units))}
    age, mean = rng.uniform(3600.0, 80000.0), sum(losses.values()) / len(losses)
    return Fault("dry_back", [], upset=lambda s: Upset(loss_d=losses, age_s=age), lasts=rng.choice((1, 2, 3)),
                 shown=lambda s: mean > SOLID_D)  # fmt: skip


def low_spot(rng: Random, press: Press) -> Fault:
    """Low spot of one blanket: solid and tints of one ink weak at one place."""
    return _spot("low_spot", rng, press, [rng.randrange(len(press.units))], (0.06, 0.20), (8.0, 20.0))


def impression(rng: Random, press: Press) -> Fault:
    """Backing or impression: several inks weak at one place."""
    count = len(press.units)
    some = rng.sample(range(count), rng.randint(2, count))
    return _spot("impression", rng, press, some, (0.05, 0.15), (6.0, 15.0))


def _spot(kind: str, rng: Random, press: Press, units: list[int], loss: tuple[float, float],
          tone: tuple[float, float]) -> Fault:  # fmt: skip
    z = rng.choice(press.tint_zones)
    film, tones = {}, {}
    for u in units:
        row = [0.0] * press.zones
        row[z] = -rng.uniform(*loss) / press.units[u].slope()
        film[u], tones[u, z] = row, -rng.uniform(*tone)
    return Fault(kind, units, z, upset=lambda s: Upset(film=film, tone_at=tones))


def tone_up(rng: Random, press: Press) -> Fault:
    """Slur, doubling or pressure: tints of one ink fuller, solids right."""
    return _tone("tone_up", rng, press, rng.uniform(3.5, 12.0))


def tone_down(rng: Random, press: Press) -> Fault:
    """Plate wear or low pressure: tints of one ink sharper, solids right."""
    return _tone("tone_down", rng, press, -rng.uniform(3.5, 12.0))


def _tone(kind: str, rng: Random, press: Press, size: float) -> Fault:
    u = rng.randrange(len(press.units))
    return Fault(kind, [u], upset=lambda s: Upset(tone={u: s * size}), share=_soon(rng),
                 shown=lambda s: abs(size) * s > TONE_PTS)  # fmt: skip


def trap_down(rng: Random, press: Press) -> Fault:
    """Tack, sequence: an ink lies worse on those before it, solids right."""
    u, size = rng.choice((2, 3)), -rng.uniform(6.0, 20.0)
    return Fault("trap_down", [u], upset=lambda s: Upset(trap={u: s * size}), share=_soon(rng),
                 shown=lambda s: abs(size) * s > TRAP_PTS)  # fmt: skip


def grey_off(rng: Random, press: Press) -> Fault:
    """Grey patches off though solids and tone values are right: paper or sequence."""
    lean = [rng.gauss(0.0, 1.0) for _ in range(3)]
    size = rng.uniform(0.04, 0.15) / (max(lean) - min(lean))
    grey = [size * (v - sum(lean) / 3.0) for v in lean] + [0.0]
    spread = max(grey[:3]) - min(grey[:3])
    return Fault("grey_off", [], upset=lambda s: Upset(grey=_times(grey, s)), share=_soon(rng),
                 shown=lambda s: spread * s > SOLID_D)  # fmt: skip


def hue(rng: Random, press: Press) -> Fault:
    """Wrong or contaminated ink: another ink's colour in it at the same density of its own."""
    u = rng.randrange(1, len(press.units))
    unit, part = press.units[u], rng.uniform(0.03, 0.16)
    other = press.units[
        rng.choice([i for i in range(len(press.units)) if press.units[i].channel != unit.channel])
    ]
    main = n.FILTERS.index(unit.channel)
    side = [
        1.0 if i == main else 1.0 + part * o / v
        for i, (v, o) in enumerate(zip(unit.optics, other.optics, strict=True))
    ]
    before, after = unit.optics, [v * s for v, s in zip(unit.optics, side, strict=True)]
    change = max(abs(a - b) for a, b in zip(_purity(after), _purity(before), strict=True))
    return Fault("hue", [u], upset=lambda s: Upset(side={u: side}), shown=lambda s: change > HUE_PTS)


def _purity(filters: list[float]) -> tuple[float, float]:
    low, middle, high = sorted(filters[:3])
    return 100.0 * (middle - low) / (high - low), 100.0 * low / high


def dead_key(rng: Random, press: Press) -> Fault:
    """A key that turns without effect, in a zone that gives reason to turn it."""
    u, z = rng.randrange(len(press.units)), rng.randrange(press.zones)
    step = [0.0] * press.zones
    step[z] = rng.choice((-1, 1)) * rng.uniform(0.10, 0.20) / press.units[u].slope()
    press.units[u].film = [value + s for value, s in zip(press.units[u].film, spread(step), strict=True)]
    return Fault("dead_key", [u], z, dead={(u, z): 0.0}, asks=1)


def aside(rng: Random, press: Press) -> Fault:
    """Keys numbered one zone aside or from the other end; a new plate gives reason to move many of them."""
    u, last = rng.randrange(len(press.units)), press.zones - 1
    how = rng.choice((-1, 1, 0))
    unit = press.units[u]
    unit.film = [value + rng.gauss(0.0, 0.22) for value in unit.film]
    key_to = {(u, z): min(last, max(0, z + how)) if how else last - z for z in range(press.zones)}
    return Fault("aside", [u], key_to=key_to, asks=3, events=["plate"])


def absurd(rng: Random, press: Press) -> Fault:
    """One solid misread: dirt, register."""
    u, z = rng.randrange(len(press.units)), rng.randrange(press.zones)
    jump = rng.choice((-1, 1)) * rng.uniform(0.19, 0.6)
    return Fault("absurd", [u], z, upset=lambda s: Upset(absurd={(u, z): jump}), lasts=rng.choice((1, 2)))


def instrument(rng: Random, press: Press) -> Fault:
    """Calibration or white reference (all patches by as much) or another mode (all by a factor)."""
    sign = rng.choice((-1, 1))
    if rng.random() < 0.6:
        offset = sign * rng.uniform(0.035, 0.12)
        return Fault("instrument", [], upset=lambda s: Upset(offset=offset))
    scale = 1.0 + sign * rng.uniform(0.08, 0.18)
    return Fault("instrument", [], upset=lambda s: Upset(scale=scale))


def all_down(rng: Random, press: Press) -> Fault:
    """Every ink lower at once, each by its own amount: speed, damp paper, all dampening."""
    flat = [1.0] * press.zones
    losses = {u: rng.uniform(0.035, 0.10) for u in range(len(press.units))}
    film = {u: _scaled(press, u, flat, -loss) for u, loss in losses.items()}
    return Fault("all_down", [], upset=lambda s: Upset(film={u: _times(f, s) for u, f in film.items()}),
                 share=_soon(rng), shown=lambda s: min(losses.values()) * s > SOLID_D)  # fmt: skip


def drift(rng: Random, press: Press) -> Fault:
    """Rollers warming up: all inks slowly fuller, tone values with them."""
    sheets, flat = rng.uniform(2000.0, 6000.0), [1.0] * press.zones
    sizes = {u: rng.uniform(0.04, 0.08) for u in range(len(press.units))}
    tones = {u: 40.0 * size * rng.uniform(0.6, 1.4) for u, size in sizes.items()}
    mean = sum(sizes.values()) / len(sizes)

    def upset(share: float) -> Upset:
        film = {u: _scaled(press, u, flat, max(1e-6, share * size)) for u, size in sizes.items()}
        return Upset(film=film, tone={u: share * t for u, t in tones.items()})

    return Fault("drift", [], upset=upset, share=lambda k: min(1.0, (k + 1) * n.SHEETS_PER_SCAN / sheets),
                 shown=lambda s: mean * s > SOLID_D)  # fmt: skip


KINDS: dict[str, Callable[[Random, Press], Fault]] = {
    make.__name__: make
    for make in (sweep, water, toning, emulsified, dry_back, low_spot, impression, tone_up, tone_down, trap_down,
                 grey_off, hue, dead_key, aside, absurd, instrument, all_down, drift)
}  # fmt: skip
