"""``inksteward coverage``: what each key zone has to feed, from images of the plates or files of prepress."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from inksteward.coverage.errors import CoverageError

if TYPE_CHECKING:
    from inksteward.coverage.measured import Measured
    from inksteward.model import Press, Unit

DONE, UNUSABLE = 0, 2
DESCRIPTION = (
    "Reads one image an ink (PNG or TIFF, grey, 1 or 8 bit) of the whole plate as it prints, bleed and marks "
    "included but without the colour bar, which the film model adds by itself. After --turn and --mirror the image "
    "must lie as the sheet lies under the strip reader of its side; --picture shows whether it does. In place of "
    "images: --ppf, a CIP3 PPF file with its preview images, or --zones, an XJDF or JDF file with InkZoneProfile. "
    "Their separations go to the units whose ink in --job has their name (Cyan is C, Magenta M, Yellow Y, Black K), "
    "or as --separation says."
)
_Subparsers = argparse._SubParsersAction  # the type that add_subparsers answers has no public name


def add_coverage(subparsers: _Subparsers[argparse.ArgumentParser]) -> None:
    """Register ``coverage``."""
    made = subparsers.add_parser(
        "coverage",
        help="coverage of each key zone, from images of the plates or files of prepress",
        description=DESCRIPTION,
        epilog=f"exit codes: {DONE} done, {UNUSABLE} something cannot be used: no job was changed",
    )
    made.add_argument("--config", required=True, type=Path, metavar="FILE", help="TOML file of the press")
    source = made.add_mutually_exclusive_group(required=True)
    source.add_argument("--image", action="append", metavar="[UNIT=]FILE", help="image of a unit's ink")
    source.add_argument("--ppf", type=Path, metavar="FILE", help="CIP3 PPF file with a preview image an ink")
    source.add_argument("--zones", type=Path, metavar="FILE", help="XJDF or JDF file with ink zone profiles")
    made.add_argument(
        "--unit", metavar="UNIT", help="unit of the only --image, which is then named without it"
    )
    made.add_argument("--ink", choices=("dark", "light"), help="which pixels are ink; never guessed")
    _file_options(made)
    _place_options(made)
    made.add_argument(
        "--tvi50", type=float, default=0.0, metavar="SHARE", help="tone value increase, such as 0.14"
    )
    made.add_argument(
        "--picture", type=Path, metavar="PNG", help="draw it; of several units OUT-UNIT.png each"
    )
    made.add_argument("--job", type=Path, metavar="JSON", help="put the coverage into this job's rows")
    made.set_defaults(run=run, usage_error=made.error)


def _file_options(made: argparse.ArgumentParser) -> None:
    made.add_argument(
        "--meaning",
        choices=("coverage",),
        help="what the values of --zones are: share of each zone's area that is inked",
    )
    made.add_argument(
        "--separation",
        action="append",
        default=[],
        metavar="NAME=UNIT",
        help="unit that prints a separation of the file",
    )
    made.add_argument(
        "--without",
        action="append",
        default=[],
        metavar="NAME",
        help="a separation, or a unit of the job, to leave aside",
    )
    made.add_argument("--sheet", metavar="NAME", help="which sheet of the file, if it has several")
    made.add_argument(
        "--side",
        choices=("front", "back"),
        help="the side of the file that all units print (default: each unit takes its own)",
    )
    made.add_argument(
        "--transfer", choices=("leave",), help="leave aside transfer curves of --ppf that change tints"
    )


def _place_options(made: argparse.ArgumentParser) -> None:
    across = made.add_mutually_exclusive_group()
    across.add_argument(
        "--left-mm", type=float, metavar="MM", help="left edge of the image on the strip's x axis"
    )
    across.add_argument(
        "--centred",
        action="store_true",
        help="middle of the image over the middle of the zones, as --ppf and --zones without --left-mm",
    )
    wide = made.add_mutually_exclusive_group()
    wide.add_argument("--width-mm", type=float, metavar="MM", help="width of the image as the sheet lies")
    wide.add_argument("--dpi", type=float, help="resolution (default: as the file says)")
    made.add_argument(
        "--no-file-dpi", action="store_true", help="the resolution in the file is wrong: leave it aside"
    )
    made.add_argument("--turn", type=int, default=0, metavar="DEG", help="clockwise: 0, 90, 180 or 270")
    made.add_argument(
        "--mirror", action="store_true", help="then mirrored left to right: a plate seen from its back"
    )
    made.add_argument(
        "--gripper",
        choices=("bottom", "top"),
        default="bottom",
        help="where the picture shows the gripper edge",
    )


def run(options: argparse.Namespace) -> int:
    """Print the table of every unit, draw, put into the job; the exit code."""
    from inksteward.config import ConfigErrors, load

    _check_usage(options)
    try:
        press = load(options.config).press
        if options.image is None:
            from inksteward.coverage.fromfile import from_file

            return _run(options, *from_file(options, press))
        return _run(options, [_measured(options, unit, path) for unit, path in wanted(options, press)], [])
    except (CoverageError, ConfigErrors) as error:
        sys.stderr.write(f"inksteward coverage: {error}\n")
        return UNUSABLE


def _check_usage(options: argparse.Namespace) -> None:
    """Ends the program where an option is missing for what is read, or is given that does nothing there."""
    source = "--image" if options.image else "--ppf" if options.ppf else "--zones"
    needed = {"--zones": ["--meaning"], "--ppf": ["--ink"], "--image": ["--ink"]}[source]
    missing = [name for name in needed if getattr(options, name[2:]) is None]
    if source == "--image" and options.left_mm is None and not options.centred:
        missing.append("--left-mm or --centred")
    if missing:
        options.usage_error(f"with {source} required: {', '.join(missing)}")
    pixels = ("ink", "dpi", "no_file_dpi", "turn", "tvi50", "transfer", "unit")
    files = ("meaning", "separation", "without", "sheet", "side", "transfer")
    idle = {"--zones": pixels, "--ppf": ("meaning", "unit"), "--image": files}[source]
    given = [f"--{name.replace('_', '-')}" for name in idle if getattr(options, name)]
    if given:
        options.usage_error(f"with {source} of no use: {', '.join(given)}")


def wanted(options: argparse.Namespace, press: Press) -> list[tuple[Unit, Path]]:
    """Unit and image of each ``--image``. Raises CoverageError for what names no unit, or one twice."""
    if options.unit is not None and len(options.image) != 1:
        raise CoverageError("--unit", f"{options.unit} beside {len(options.image)} images", "one --image")
    pairs = [("--unit", options.unit, options.image[0])] if options.unit is not None else []
    for word in options.image if options.unit is None else ():
        name, found, file = word.partition("=")
        if not found:
            raise CoverageError("--image", word, "UNIT=FILE, such as u2=cyan.tif, or --unit")
        pairs.append(("--image", name, file))
    known = ", ".join(unit.unit for unit in press.units)
    result: list[tuple[Unit, Path]] = []
    for field, name, file in pairs:
        unit = press.unit(name)
        if unit is None:
            raise CoverageError(field, name, f"a unit of {press.press}: {known}")
        if any(other is unit for other, _ in result):
            raise CoverageError(field, name, "each unit once: one image an ink")
        result.append((unit, Path(file)))
    return result


def _measured(options: argparse.Namespace, unit: Unit, path: Path) -> Measured:
    from inksteward.coverage.image import Ink, read_image
    from inksteward.coverage.measured import Gripper, Measured
    from inksteward.coverage.orientation import Orientation
    from inksteward.coverage.scale import Stated, size_mm
    from inksteward.coverage.zones import Grid, Place, zone_coverage

    stated, orientation = Stated(options.dpi, options.width_mm), Orientation(options.turn, options.mirror)
    ink = Ink(options.ink)
    image = read_image(path, ink, orientation, file_dpi=not options.no_file_dpi)
    if image.one_bit and options.tvi50:
        raise CoverageError(
            "--tvi50", f"{options.tvi50:g} with {path}", "an image of 8 bit: 1 bit has no tints"
        )
    width_mm, height_mm = size_mm(image.pixels, image.dpi, stated)
    grid = Grid(unit.zones, unit.pitch_mm, unit.first_edge_mm)
    middle_mm = unit.first_edge_mm + unit.zones * unit.pitch_mm / 2
    place = Place(middle_mm - width_mm / 2 if options.centred else options.left_mm, width_mm)
    return Measured(
        unit=unit.unit,
        name=path.name,
        image=image,
        ink=ink,
        orientation=orientation,
        gripper=Gripper(options.gripper),
        grid=grid,
        place=place,
        height_mm=height_mm,
        printed_mm=1000 * unit.train.image_m,
        zones=zone_coverage(image.columns, place, grid, options.tvi50),
        tvi50=options.tvi50,
    )


def _run(options: argparse.Namespace, found: list[Measured], notes: list[str]) -> int:
    from inksteward.coverage.jobfile import read_job, replace_file, with_coverage
    from inksteward.coverage.table import table

    job = None
    if options.job is not None:
        coverage = {one.unit: one.zones.coverage for one in found}
        job = with_coverage(read_job(options.job), coverage)
    sys.stdout.writelines(f"{line}\n" for one in found for line in (*table(one), ""))
    sys.stdout.writelines(f"note: {note}\n" for note in notes)
    if options.picture is not None:
        _draw(options.picture, found)
    if job is not None:
        replace_file(options.job, job)
        sys.stdout.write(f"job {options.job}: coverage of {', '.join(one.unit for one in found)}\n")
    return DONE


def _draw(path: Path, found: list[Measured]) -> None:
    from inksteward.coverage.picture import picture

    if path.suffix.lower() != ".png":
        raise CoverageError("--picture", path, "a name that ends in .png")
    for one in found:
        target = path if len(found) == 1 else path.with_stem(f"{path.stem}-{one.unit}")
        try:
            picture(one).save(target)
        except OSError as error:
            raise CoverageError(
                "--picture", f"{target}: {error.strerror}", "a file that can be written"
            ) from error
        sys.stdout.write(f"picture {target}\n")
