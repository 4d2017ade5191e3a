"""Coverage of each unit from a file of prepress: zones of an XJDF or JDF, or preview images of a PPF."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from inksteward.coverage.errors import CoverageError
from inksteward.coverage.image import Ink, PlateImage, needs_pillow
from inksteward.coverage.jobfile import inks_of, read_job
from inksteward.coverage.measured import Gripper, Measured
from inksteward.coverage.orientation import Orientation
from inksteward.coverage.ppf import Preview, read_previews
from inksteward.coverage.scale import LEAST_MM, MOST_MM, Stated, size_mm
from inksteward.coverage.separations import Separation, Wanted, matched
from inksteward.coverage.sums import summed_up
from inksteward.coverage.zonefile import Profile, read_profiles
from inksteward.coverage.zones import FULL, Columns, Grid, Place, zone_coverage
from inksteward.model import Press, Unit

FINE = 10**6
"""Parts into which a value of a zone is divided: far below what the file can mean."""
ZONE_PX = 16
CENTRED = "its middle lies over the middle of the zones, as nothing else was said (--left-mm)"
NEAR = 0.005
"""Share by which a zone of the file may be wider or narrower than a key's before it is said."""


def from_file(options: argparse.Namespace, press: Press) -> tuple[list[Measured], list[str]]:
    """What each unit gets, and what was left aside. Raises CoverageError."""
    needs_pillow()
    wanted = Wanted(
        pairs=_pairs(options.separation),
        without=frozenset(options.without),
        inks=None if options.job is None else inks_of(read_job(options.job)),
        sheet=options.sheet,
        side=options.side,
    )
    if options.ppf is not None:
        previews, notes = matched(str(options.ppf), read_previews(options.ppf), press, wanted)
        return [_of_preview(options, unit, one) for unit, one in previews], notes
    kind, rows = read_profiles(options.zones)
    profiles, notes = matched(str(options.zones), rows, press, wanted)
    return [_of_profile(options, kind, unit, one) for unit, one in profiles], notes


def _pairs(words: list[str]) -> tuple[tuple[str, str], ...]:
    found = []
    for word in words:
        name, equals, unit = word.rpartition("=")
        if not (name and equals and unit):
            raise CoverageError("--separation", word, "NAME=UNIT, such as Cyan=u2")
        found.append((name, unit))
    return tuple(found)


def _of_preview(options: argparse.Namespace, unit: Unit, one: Separation[Preview]) -> Measured:
    from PIL import Image

    preview: Preview = one.data
    curves = " and ".join(preview.curves)
    if curves and options.transfer != "leave":
        raise CoverageError(
            str(options.ppf),
            f"{one.words()}: {curves} not straight",
            "--transfer leave, if the image already holds the tints as they print",
        )
    if preview.one_bit and options.tvi50:
        raise CoverageError(
            "--tvi50", f"{options.tvi50:g} with {one.words()}", "an image of 8 bit: 1 bit has no tints"
        )
    ink, orientation = Ink(options.ink), Orientation(options.turn, options.mirror)
    columns, small = summed_up(Image.fromarray(preview.pixels), ink is Ink.DARK, orientation)
    height, width = preview.pixels.shape
    pixels, dpi = (width, height), None if options.no_file_dpi else preview.dpi
    if orientation.sideways:
        pixels, dpi = pixels[::-1], dpi and (dpi[1], dpi[0])
    image = PlateImage(columns, pixels, dpi, preview.one_bit, small)
    width_mm, height_mm = size_mm(pixels, dpi, Stated(options.dpi, options.width_mm))
    found = _measured(options, unit, one.words(), image, (width_mm, height_mm))
    remarks = ["laid as the matrix in the file says, before --turn and --mirror", *found.remarks]
    remarks += [f"{curves} left aside, as asked"] if curves else []
    return replace(found, remarks=tuple(remarks))


def _of_profile(options: argparse.Namespace, kind: str, unit: Unit, one: Separation[Profile]) -> Measured:
    profile: Profile = one.data
    width_mm = profile.width_mm if options.width_mm is None else options.width_mm
    if not LEAST_MM <= width_mm <= MOST_MM:
        told = (
            f"{one.words()}: {len(profile.values)} zones of {profile.zone_points:g} points, {width_mm:g} mm"
        )
        raise CoverageError(
            str(options.zones), told, f"{LEAST_MM:g} to {MOST_MM:g} mm together: --width-mm states it"
        )
    zone_mm = width_mm / len(profile.values)
    by = "--width-mm" if options.width_mm is not None else f"{profile.zone_points:g} points"
    source = (
        f"{len(profile.values)} zones of {zone_mm:.2f} mm ({by}), {width_mm:.1f} mm, "
        f"ZoneSettingsX of {kind} taken for coverage 0 to 1, as stated, "
        f"the first value at the {'right' if options.mirror else 'left'}"
    )
    remarks = []
    if abs(zone_mm - unit.pitch_mm) > NEAR * unit.pitch_mm or len(profile.values) != unit.zones:
        remarks.append(
            f"{len(profile.values)} zones of {zone_mm:.2f} mm in the file, {unit.zones} of {unit.pitch_mm:g} mm "
            "at the unit: spread by area, evenly within each zone of the file"
        )
    if profile.along:
        remarks.append(f"ZoneSettingsY ({profile.along} values) left aside: keys lie across the sheet only")
    size = width_mm, 1000 * unit.train.image_m
    image = _drawn(profile, options.mirror)
    found = _measured(options, unit, one.words(), image, size)
    return replace(found, source=source, remarks=(*found.remarks, *remarks))


def _drawn(profile: Profile, mirror: bool) -> PlateImage:
    """Zones as an image of one column each, so that all that holds for images holds for them."""
    from PIL import Image

    values = profile.values[::-1] if mirror else profile.values
    ink = tuple(round(value * FULL * FINE) for value in values)
    # of the squares only tone value increase would ask, which a mean of a zone cannot have
    columns = Columns(ink, tuple(0 for _ in values), FINE)
    grey = bytes(FULL - round(value * FULL) for value in values)
    small = Image.frombytes("L", (len(values), 1), grey)
    large = small.resize((ZONE_PX * len(values), ZONE_PX), Image.Resampling.NEAREST)
    return PlateImage(columns, (len(values), 1), None, False, large)


def _measured(
    options: argparse.Namespace, unit: Unit, words: str, image: PlateImage, size_mm: tuple[float, float]
) -> Measured:
    file: Path = options.zones or options.ppf
    grid = Grid(unit.zones, unit.pitch_mm, unit.first_edge_mm)
    middle_mm = unit.first_edge_mm + unit.zones * unit.pitch_mm / 2
    left_mm = middle_mm - size_mm[0] / 2 if options.left_mm is None else options.left_mm
    place = Place(left_mm, size_mm[0])
    return Measured(
        unit=unit.unit,
        name=f"{file.name}, {words}",
        image=image,
        ink=Ink(options.ink or "dark"),
        orientation=Orientation(options.turn, options.mirror),
        gripper=Gripper(options.gripper),
        grid=grid,
        place=place,
        height_mm=size_mm[1],
        printed_mm=1000 * unit.train.image_m,
        zones=zone_coverage(image.columns, place, grid, options.tvi50),
        tvi50=options.tvi50,
        remarks=() if options.left_mm is not None or options.centred else (CENTRED,),
    )
