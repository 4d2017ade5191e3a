"""Reasons in plain words, with the numbers that a person needs to judge them."""

from __future__ import annotations

from inksteward.contract.codes import LeftCode, LimitCode, NoteCode
from inksteward.control.film import density
from inksteward.control.situation import Forecast, LeftAlone, Remark, Situation, Sweep

LIMIT_WORDS = {
    LimitCode.MIN_GAP: "the minimum gap",
    LimitCode.TRAVEL: "the end of its travel",
    LimitCode.STEP: "the largest step of one proposal",
    LimitCode.ADJACENT: "the largest difference to its neighbour",
    LimitCode.INTERACTION: "what keys may do to a neighbouring zone",
    LimitCode.TOTAL_TRAVEL: "the travel of one proposal",
    LimitCode.ACCUMULATED_KEY: "this key's travel over 1,000 sheets",
    LimitCode.ACCUMULATED_UNIT: "the unit's travel over 1,000 sheets",
    LimitCode.SWEEP_STEP: "the largest step of the sweep",
    LimitCode.SWEEP_RANGE: "the range of the sweep",
    LimitCode.RESOLUTION: "the drive's resolution",
}


def _reads(situation: Situation, zone: int) -> str:
    value = situation.measured[zone]
    return "not read itself" if value is None else f"reads {value:.2f}"


def move(
    situation: Situation,
    view: Forecast,
    zone: int,
    opens: bool,
    limited: tuple[tuple[LimitCode, float], ...],
) -> str:
    """Why this key should move."""
    error = view.settled_density[zone] - situation.aim[zone]
    settles = f"would settle at {view.settled_density[zone]:.2f}, aim {situation.aim[zone]:.2f}"
    small = abs(error) < situation.settings.dead_band * (situation.high[zone] - situation.low[zone]) / 2.0
    if small or (error > 0.0) == opens:
        what = "opens" if opens else "closes"
        text = f"{_reads(situation, zone)}, {settles}: {what} to make up for what the other moves do here"
    else:
        text = f"{_reads(situation, zone)}, {settles}: {'more' if error < 0 else 'less'} ink"
    return text + held_back_by(limited)


def held_back_by(limited: tuple[tuple[LimitCode, float], ...]) -> str:
    """The limits that held a key back and how much they withheld; nothing where none did."""
    if not limited:
        return ""
    held = ", ".join(f"{LIMIT_WORDS[code]} (withheld {amount:.1f} %)" for code, amount in limited)
    return f"; held back by {held}"


def left(situation: Situation, view: Forecast, zone: int, code: LeftCode) -> LeftAlone:
    """Why this zone is left alone."""
    settles = f"{_reads(situation, zone)}, settles at {view.settled_density[zone]:.2f}"
    text = {
        LeftCode.IN_TOLERANCE: f"{settles}, aim {situation.aim[zone]:.2f}: within the dead band",
        LeftCode.WITHIN_NOISE: (
            f"{settles}, aim {situation.aim[zone]:.2f}, but known only to +-{2 * view.sigma[zone]:.2f}: "
            "wait for the next scan"
        ),
        LeftCode.OFF_SHEET: "outside the sheet: stays where it is",
        LeftCode.UNREAD: "no patch near enough to judge it: moves only with the sweep",
        LeftCode.NOT_INKED: "not inked yet, too little to tell its film: moves only with the sweep",
        LeftCode.SATURATED: (
            f"saturated, more ink does not show any more; known only to +-{2 * view.sigma[zone]:.2f}: "
            "wait for the next scan"
        ),
        LeftCode.NOT_A_KEY_FAULT: (
            "something else than its key is suspected, see the notes"
            if situation.doubted[zone]
            else "did not answer its last moves: check key, blade and ink before moving it again"
        ),
        LeftCode.BELOW_MIN_GAP: f"{settles}, aim {situation.aim[zone]:.2f}: its key is at the minimum gap",
        LeftCode.ABOVE_TRAVEL: f"{settles}, aim {situation.aim[zone]:.2f}: its key is at the end of its travel",
        LeftCode.BELOW_RESOLUTION: (
            f"{settles}, aim {situation.aim[zone]:.2f}: its move is finer than the drive's "
            f"{situation.unit.resolution_pct:g} %"
        ),
        LeftCode.HELD_BACK: f"{settles}, aim {situation.aim[zone]:.2f}: what may move is too little to be worth it",
    }.get(code, settles)
    return LeftAlone(zone + 1, code, text)


def _held_back(situation: Situation, view: Forecast, zone: int, why: str) -> LeftAlone:
    settles = f"{_reads(situation, zone)}, settles at {view.settled_density[zone]:.2f}"
    return LeftAlone(zone + 1, LeftCode.HELD_BACK, f"{settles}, aim {situation.aim[zone]:.2f}: {why}")


def held_shut(situation: Situation, view: Forecast, zone: int) -> LeftAlone:
    """Why a key stays that should open: under a blade of one piece that lowers a place farther off a little."""
    why = (
        "opening this key lowers a place beside it that may be at the minimum gap already; open the keys around it "
        "together at the press itself, a little, then scan again"
    )
    return _held_back(situation, view, zone, why)


def stuck(situation: Situation, view: Forecast, zone: int) -> LeftAlone:
    """Why a key is left alone that did not move when it was told to."""
    return _held_back(
        situation, view, zone, "its key did not move when told to; the keys beside it do what they can"
    )


def after_lift(situation: Situation, view: Forecast, zone: int) -> LeftAlone:
    """Why a key waits while others bring the blade away from the roller."""
    why = (
        "the blade may be at the minimum gap; it is lifted first, a little, by the keys that open, and none closes; "
        "this key follows"
    )
    return _held_back(situation, view, zone, why)


def sweep(from_pct: float, to_pct: float, tight: bool) -> str:
    """Why the sweep should move."""
    what = "more" if to_pct > from_pct else "less"
    text = f"the zones ask together for {what} ink: one sweep move does what many keys would have to"
    return text + ("; held back by the sweep's limits" if tight else "")


def sweep_ahead(from_pct: float, to_pct: float) -> str:
    """Why the sweep should move where the zones do not ask together."""
    what = "more" if to_pct > from_pct else "less"
    return (
        f"with {what} sweep the zones come nearer to their aims over the next scans than by their keys alone"
    )


def opening(situation: Situation, zone: int) -> str:
    """Why an opening is what it is."""
    return (
        f"from the coverage of this zone and its neighbours: settles near its aim {situation.aim[zone]:.2f}"
    )


def opened(situation: Situation, zone: int, coverage: float, wanted_um: float, sweep_pct: float) -> str:
    """Why a key opens a job as it does; coverage as a share."""
    return (
        f"coverage {coverage * 100:.0f} % here, and what its neighbours take and give: {wanted_um:.0f} um at sweep "
        f"{sweep_pct:.1f} % settles at its aim {situation.aim[zone]:.2f}"
    )


def kept_least(least_um: float, on_sheet: bool) -> str:
    """Why a key without image stands at its least gap."""
    where = "no coverage here" if on_sheet else "outside the sheet, no coverage that prints"
    return f"{where}: its least gap of {least_um:.0f} um, open enough that the rollers do not run dry"


def waits_for_fountain(zone: int, wanted_um: float) -> LeftAlone:
    """Why a key that is to close does not yet; zone from 0."""
    text = (
        f"is to close to {wanted_um:.0f} um, and nothing closes on a fountain roller that stands: "
        "ask for the opening again once it turns"
    )
    return LeftAlone(zone + 1, LeftCode.HELD_BACK, text)


def opening_sweep(from_pct: float, to_pct: float) -> str:
    """Why an opening moves the sweep."""
    what = "keys stand too near their end" if to_pct > from_pct else "keys stand too near their least gap"
    return f"with the sweep of now {what} to open this job well; all keys are meant for the new one"


def recalled(gap: float) -> str:
    """Why a recalled key moves."""
    return f"stood at {gap:.0f} um when the OK sheet of that job was named"


def recalled_sweep(sweep_pct: float) -> str:
    """Why a recalled sweep moves."""
    return f"stood at {sweep_pct:.1f} % when the OK sheet of that job was named"


def shortage(move_: Sweep) -> Remark:
    """The whole form is short of ink."""
    return Remark(
        NoteCode.SHORTAGE,
        (),
        f"the whole form is short of ink: sweep {move_.from_pct:.1f} to {move_.to_pct:.1f} % first",
        "decide on the sweep, let the film build up, pull again before moving keys",
    )


def wait_then_pull(unit: str, zones: tuple[int, ...], sheets: int, from_sheet: int) -> Remark:
    """Zones (from 1) that read out and will come in by themselves; sheets from now, and the sheet to pull from."""
    numbers = ", ".join(str(zone) for zone in zones)
    one = len(zones) == 1
    said = f"zone {numbers} of {unit} reads" if one else f"zones {numbers} of {unit} read"
    if sheets == 0:
        text, remedy = f"{said} out of tolerance, but should be within it by now", "pull a sheet now"
    else:
        comes = "comes in by itself" if one else "come in by themselves"
        text = f"{said} out of tolerance and {comes}: wait {sheets} sheets, then pull"
        remedy = f"pull a sheet at sheet {from_sheet} or later"
    return Remark(NoteCode.WAIT_THEN_PULL, zones, text, remedy)


def not_settled(moved_sheet: int, settled_sheet: int) -> Remark:
    """The last approved moves of a unit are still under way."""
    return Remark(
        NoteCode.NOT_SETTLED,
        (),
        f"moves of sheet {moved_sheet} are still under way; counted in",
        f"decide now, or pull again from sheet {settled_sheet} on",
    )


def unreachable(
    situation: Situation,
    zones: list[int],
    closing: bool,
    needed_um: float,
    floor_um: float,
    settled_um: float,
) -> Remark:
    """The aim asks for a gap outside what is allowed."""
    reach = density(settled_um, situation.ink)
    numbers = ", ".join(str(zone + 1) for zone in zones)
    first = zones[0] + 1
    if closing:
        return Remark(
            NoteCode.BELOW_MIN_GAP,
            tuple(zone + 1 for zone in zones),
            f"zones {numbers}: the aim is below the minimum gap; zone {first} would need {needed_um:.0f} um, "
            f"its key may not go below {floor_um:.0f} um, reachable density {reach:.2f}",
            "lower the sweep further and open the other keys, accept the higher density, or add coverage there",
        )
    return Remark(
        NoteCode.ABOVE_TRAVEL,
        tuple(zone + 1 for zone in zones),
        f"zones {numbers}: the aim is beyond the key's travel; zone {first} would need {needed_um:.0f} um, "
        f"reachable density {reach:.2f}",
        "raise the sweep, or accept the lower density",
    )


def no_solution(text: str) -> Remark:
    """No set of moves keeps every limit."""
    return Remark(
        NoteCode.NO_SOLUTION,
        (),
        f"no proposal could be worked out: {text}",
        "move single keys by hand at the press, then scan again; report this with the journal",
    )
