"""``inksteward coverage --zones`` and ``--ppf`` as they are called; areas worked out by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from inksteward import cli
from inksteward.contract.base import decode
from inksteward.contract.inputs import Job
from tests.coverage.plates import PRESS
from tests.coverage.prepress import JDF, PPF, XJDF, changed, image, ppf
from tests.coverage.test_command import called, refused
from tests.coverage.test_job import JOB

ZONES = f"--zones {XJDF} --meaning coverage"
IMAGES = f"--ppf {PPF} --ink dark"


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    """A folder with a press of eight zones of 32.5 mm, K in u1 and C in u2, and a job."""
    (tmp_path / "press.toml").write_text(PRESS, "utf-8")
    (tmp_path / "job.json").write_text(json.dumps(JOB), "utf-8")
    return tmp_path


def coverage(desk: Path) -> dict[str, list[float]]:
    """Unit -> coverage in the job's file."""
    job, _ = decode(Job, (desk / "job.json").read_bytes())
    return {row.unit: list(row.coverage or ()) for row in job.units}


def hand(values: list[float], left_mm: float, first_edge_mm: float) -> list[float]:
    """Zones of 50.8 mm from ``left_mm`` on, spread over eight of 32.5 mm by the overlap of each two."""
    found = []
    for zone in range(8):
        start = first_edge_mm + 32.5 * zone
        covered = 0.0
        for number, value in enumerate(values):
            low, high = left_mm + 50.8 * number, left_mm + 50.8 * (number + 1)
            covered += value * max(0.0, min(high, start + 32.5) - max(low, start))
        found.append(covered / 32.5)
    return found


def test_zones_are_spread_by_area(desk: Path) -> None:
    """Four zones of two inches over the middle of eight: u1 spans 0 to 260 mm, so the file lies from 28.4 to 231.6."""
    code, out, err = called(desk, f"{ZONES} --job job.json --picture o.png")
    assert (code, err) == (0, "")
    found = coverage(desk)
    # zone 2 of u1, 32.5 to 65 mm, lies wholly in the file's first zone; zone 3 has 14.2 mm of it and 18.3 of the second
    assert found["u1"][1:3] == pytest.approx([0.0, 18.3 / 32.5], abs=5e-7)
    assert found["u1"][3] == pytest.approx((32.5 * 1.0) / 32.5, abs=5e-7)
    assert found["u1"] == pytest.approx(hand([0.0, 1.0, 0.5, 0.25], 28.4, 0.0), abs=5e-7)
    assert found["u2"] == pytest.approx(hand([0.1, 0.2, 0.3, 0.4], 18.4, -10.0), abs=5e-7)
    # nothing is lost: 50.8 mm of each value
    assert sum(found["u2"]) * 32.5 == pytest.approx(50.8 * 1.0, abs=1e-4)
    assert "4 zones of 50.80 mm (144 points), 203.2 mm, ZoneSettingsX of XJDF taken for coverage" in out
    assert "coverage 0 to 1, as stated, the first value at the left, x from 18.4 to 221.6 mm" in out
    assert out.count("note: its middle lies over the middle of the zones, as nothing else was said") == 2
    assert "note: 4 zones of 50.80 mm in the file, 8 of 32.5 mm at the unit: spread by area" in out
    assert "note: ZoneSettingsY (1 values) left aside" in out
    assert (
        "note: separation 'Black' of the back of sheet 'sheet-1' is left aside: no unit of the press" in out
    )
    assert {"o-u1.png", "o-u2.png"} <= {path.name for path in desk.iterdir()}


def test_zones_that_fit_stay_as_they_are(desk: Path) -> None:
    """Eight zones as wide as the keys' are copied, mirrored from right to left; nothing is noted."""
    text = XJDF.read_text().replace('Zones="4" ZoneWidth="144"', 'Zones="8"').replace('"144"', '"92.125984"')
    for values in ("0.1 0.2 0.3 0.4", "0 1 0.5 0.25", "0.05 0.05 0.05 0.05"):
        text = text.replace(f'"{values}"', f'"{values} 0.6 0.7 0.8 0.9"')
    (desk / "z.xjdf").write_text(text)
    words = "--zones z.xjdf --meaning coverage --job job.json"
    code, out, _ = called(desk, words)
    assert code == 0
    assert coverage(desk)["u2"] == pytest.approx([0.1, 0.2, 0.3, 0.4, 0.6, 0.7, 0.8, 0.9], abs=1e-6)
    assert "spread by area" not in out
    assert "outside" not in out
    assert "no key feeds" not in out
    code, out, _ = called(desk, f"{words} --mirror --centred")
    assert code == 0
    assert "the first value at the right" in out
    assert "nothing else was said" not in out
    assert coverage(desk)["u2"] == pytest.approx([0.9, 0.8, 0.7, 0.6, 0.4, 0.3, 0.2, 0.1], abs=1e-6)


def test_jdf_says_the_same_as_xjdf(desk: Path) -> None:
    """Both forms give the same job, with an offset and a width stated in place of the file's."""
    where = "--meaning coverage --left-mm 0 --width-mm 260 --job job.json"
    assert called(desk, f"--zones {XJDF} {where}")[0] == 0
    first = coverage(desk)
    code, out, _ = called(desk, f"--zones {JDF} {where}")
    assert code == 0
    assert coverage(desk) == first
    assert first["u1"] == pytest.approx([0.0, 0.0, 1.0, 1.0, 0.5, 0.5, 0.25, 0.25], abs=5e-7)
    assert "4 zones of 65.00 mm (--width-mm), 260.0 mm, ZoneSettingsX of JDF taken for coverage" in out


def test_preview_images(desk: Path) -> None:
    """Four pixels of an inch over the middle: the ink of a pixel is (255 - value) / 255, mean of both rows."""
    code, out, err = called(desk, f"{IMAGES} --job job.json --picture o.png")
    assert (code, err) == (0, "")
    found = coverage(desk)
    # u1, K: half of every column; the image lies from 79.2 to 180.8 mm, zones 3 and 6 have 18.3 mm of it
    assert found["u1"] == pytest.approx(
        [0, 0, 18.3 * 0.5 / 32.5, 0.5, 0.5, 18.3 * 0.5 / 32.5, 0, 0], abs=5e-7
    )
    # u2, C: 0, 127/255, 1, 0 from 69.2 mm on, borders at 94.6, 120 and 145.4; zone 4 is 87.5 to 120, zone 5 to 152.5
    tint = 127 / 255
    assert found["u2"] == pytest.approx([0, 0, 0, 25.4 * tint / 32.5, 25.4 / 32.5, 0, 0, 0], abs=5e-7)
    assert "u2  minimal.ppf, separation 'Cyan' of the front of sheet '1'" in out
    assert "4 x 2 pixels, 101.6 x 50.8 mm, x from 69.2 to 170.8 mm; dark pixels are ink" in out
    assert out.count("note: laid as the matrix in the file says, before --turn and --mirror") == 2


def test_preview_images_turned_with_tone_value_increase(desk: Path) -> None:
    """What holds for images of plates holds here: light ink, turned, placed, tints that print fuller."""
    words = "--separation Cyan=u1 --without Black --ink light --turn 90 --left-mm 0 --tvi50 0.2 --dpi 1"
    code, out, err = called(desk, f"--ppf {PPF} {words}")
    assert (code, err) == (0, "")
    tint = 128 / 255
    mean = (1 + tint + 0.8 * tint * (1 - tint) + 0 + 1) / 4
    row = next(line for line in out.splitlines() if line.split()[:1] == ["1"])
    assert row.split()[3] == f"{100 * mean:.2f}"
    assert (
        "2 x 4 pixels, 50.8 x 101.6 mm, x from 0.0 to 50.8 mm; light pixels are ink, turned 90 degrees" in out
    )
    assert "note: separation 'Black' of the front of sheet '1' is left aside: --without" in out


def test_transfer_curves(
    desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Curves that change tints are refused until somebody says to leave them, and then told."""
    head = "/CIP3TransferPlateCurveData [0 0 0.5 0.4 1 1] def"
    (desk / "c.ppf").write_bytes(ppf(image(b"\nFF00>", 2, 1), head=head))
    words = "--config press.toml --ppf c.ppf --ink dark --separation Cyan=u1 --no-file-dpi --width-mm 100"
    said = refused(desk, capsys, monkeypatch, words)
    assert (
        "separation 'Cyan' of the front: CIP3TransferPlateCurveData not straight: expected --transfer leave"
        in said
    )
    assert cli.main(["coverage", *words.split(), "--transfer", "leave"]) == 0
    assert "note: CIP3TransferPlateCurveData left aside, as asked" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (f"--zones {XJDF} --job job.json", "with --zones required: --meaning"),
        (f"--ppf {PPF} --job job.json", "with --ppf required: --ink"),
        (f"{ZONES} --ink dark --turn 90 --tvi50 0.1", "with --zones of no use: --ink, --turn, --tvi50"),
        (f"{IMAGES} --meaning coverage", "with --ppf of no use: --meaning"),
        (f"{IMAGES} --unit u1", "with --ppf of no use: --unit"),
        (
            "--image u1=k.png --ink dark --left-mm 0 --separation Cyan=u1",
            "with --image of no use: --separation",
        ),
        ("--image u1=k.png --ink dark", "with --image required: --left-mm or --centred"),
        (f"{ZONES} --ppf x.ppf", "not allowed with argument"),
        (f"--zones {XJDF} --meaning opening", "invalid choice: 'opening'"),
    ],
)
def test_options_that_are_missing_or_idle(
    desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: str, told: str
) -> None:
    """What a value or a pixel means has to be said, and nothing may be said that does nothing."""
    monkeypatch.chdir(desk)
    with pytest.raises(SystemExit) as ended:
        cli.main(["coverage", "--config", "press.toml", *words.split()])
    assert ended.value.code == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (ZONES, "'Cyan' of the front of sheet 'sheet-1' belongs to no unit: expected --separation Cyan=UNIT"),
        (f"{ZONES} --separation Cyan", "--separation: Cyan: expected NAME=UNIT, such as Cyan=u2"),
        (f"{ZONES} --job none.json", "--job: none.json: No such file or directory"),
        (f"{ZONES} --job press.toml", "--job: not a job of the contract"),
        (
            f"{ZONES} --job job.json --left-mm 900",
            "--left-mm: image from 900 to 1103.2 mm: expected an image over the zones",
        ),
        (f"{ZONES} --job job.json --left-mm nan", "--left-mm: nan: expected a finite number"),
        (f"{ZONES} --job job.json --width-mm 9", "4 zones of 144 points, 9 mm: expected 10 to 5000 mm"),
        (f"{ZONES} --job job.json --width-mm nan", "4 zones of 144 points, nan mm: expected 10 to 5000 mm"),
        (f"{ZONES} --job twice.json", "units: u1, u1: expected one row for each unit"),
        ("--zones job.json --meaning coverage", "job.json: no XML"),
        (
            f"{IMAGES} --job job.json --dpi 2",
            "--dpi: 50.8 mm wide; the file says 101.6 mm: expected the same",
        ),
        (
            f"{IMAGES} --job job.json --side back",
            "no separation for u1, u2 of the job: expected one for each",
        ),
        ("--ppf job.json --ink dark", "job.json: no %%CIP3-File line at its beginning"),
    ],
)
def test_what_cannot_be_used(
    desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: str, told: str
) -> None:
    """Each mistake is one line with field, value and what was expected; nothing is written."""
    (desk / "twice.json").write_text(json.dumps({**JOB, "units": JOB["units"][:1] * 2}), "utf-8")
    said = refused(desk, capsys, monkeypatch, f"--config press.toml {words}")
    assert said.startswith("inksteward coverage: ")
    assert told in said
    assert said.count("\n") == 1


def test_a_narrow_file(
    desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Zones that are millimetres taken for points come to less than any press: told, with the way out."""
    changed(desk / "n.xjdf", XJDF, '"144"', '"5"')
    said = refused(
        desk, capsys, monkeypatch, "--config press.toml --zones n.xjdf --meaning coverage --job job.json"
    )
    assert "4 zones of 5 points, 7.05556 mm: expected 10 to 5000 mm together: --width-mm states it" in said


def test_ten_bits_a_row_and_tone_value_increase(
    desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An image of one bit has no tints to increase, here as for plates."""
    (desk / "b.ppf").write_bytes(ppf(image(b"\nFFC0>", 10, 1, BitsPerComp="1")))
    words = "--config press.toml --ppf b.ppf --ink light --separation Cyan=u1 --tvi50 0.1"
    assert "--tvi50: 0.1 with separation 'Cyan' of the front: expected an image of 8 bit" in refused(
        desk, capsys, monkeypatch, words
    )
