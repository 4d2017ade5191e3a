"""What listening shows: lines of text. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from inksteward.contract import Refused, decode
from inksteward.contract.inputs import Counter, KeyPosition, Scan

BYTES_A_LINE = 16


def line(at_s: float, what: str, text: str) -> str:
    """One line: seconds since the beginning, what it is, and words in which nothing can steer a terminal."""
    clean = "".join(sign if sign.isprintable() else f"\\x{ord(sign):02x}" for sign in text)
    return f"{at_s:9.3f}  {what:<9}  {clean}\n"


def dump(data: bytes) -> Iterator[str]:
    """Bytes as hexadecimal digits and text, sixteen a line."""
    for first in range(0, len(data), BYTES_A_LINE):
        part = data[first : first + BYTES_A_LINE]
        text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in part)
        yield f"{part.hex(' ').upper():<{3 * BYTES_A_LINE - 1}}  {text}"


def judged(topic: str, raw: bytes, own: bool) -> tuple[bool, str]:
    """Whether a payload has the contract's form and may come from this driver, and what it says in one line."""
    if not own:
        return False, f"{topic}: no topic of this driver's: the service takes nothing from it there"
    try:
        if topic == "scan":
            return True, _scan(decode(Scan, raw)[0])
        if topic == "counter":
            return True, _counter(decode(Counter, raw)[0])
        return True, _position(decode(KeyPosition, raw)[0])
    except Refused as refused:
        return False, f"{topic}: {refused}"


def _scan(scan: Scan) -> str:
    kinds = {
        kind: sum(patch.kind == kind for patch in scan.patches)
        for kind in ("solid", "tint", "overprint", "grey", "paper")
    }
    counts = ", ".join(f"{number} {kind}" for kind, number in kinds.items() if number)
    missed = sum(patch.density is None and patch.reflectance is None for patch in scan.patches)
    places = [patch.x_mm for patch in scan.patches]
    where = f", x {min(places):g} to {max(places):g} mm" if places else ""
    inks = " ".join(sorted({ink for patch in scan.patches for ink in patch.inks})) or "none"
    values = [value for patch in scan.patches for value in (patch.density or {}).values()]
    densities = f", densities {min(values):g} to {max(values):g} D" if values else ""
    sheet = "unknown" if scan.sheet is None else scan.sheet
    return (
        f"scan {scan.scan_id}: run {scan.run_id}, sheet {sheet}, {scan.side}, {scan.extent}: "
        f"{len(scan.patches)} patches ({counts or 'none'}), {missed} missed, inks {inks}{where}{densities}"
    )


def _counter(counter: Counter) -> str:
    printing = "printing" if counter.printing else "not printing"
    roller = {True: "roller turns", False: "roller stands", None: "roller unknown"}[counter.fountain_turning]
    return f"counter: run {counter.run_id}, sheet {counter.sheet}, {counter.speed_sph:g} sheets/h, {printing}, {roller}"


def _position(position: KeyPosition) -> str:
    known = [opening for opening in position.opening_pct if opening is not None]
    span = f"{min(known):g} to {max(known):g} %" if known else "all unknown"
    lost = position.referenced.count(False)
    sweep = "unknown" if position.sweep_pct is None else f"{position.sweep_pct:g} %"
    moving = ", moving" if position.moving else ""
    return (
        f"position of {position.unit}, seq {position.seq}: {len(position.opening_pct)} keys, {span}, "
        f"{lost} not referenced, sweep {sweep}, blade {position.blade_id}{moving}"
    )
