"""``inksteward coverage`` as it is called."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from inksteward import cli
from inksteward.contract.base import decode
from inksteward.contract.inputs import Job
from tests.coverage.plates import PRESS, noise, saved
from tests.coverage.test_job import JOB

WIDTH, HEIGHT = 200, 100


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    """A folder with a press of eight zones, a job, and two plates of 200 x 100 mm; K is a solid over its left half."""
    (tmp_path / "press.toml").write_text(PRESS, "utf-8")
    (tmp_path / "job.json").write_text(json.dumps(JOB), "utf-8")
    solid = np.full((HEIGHT, WIDTH), 255, dtype=np.uint8)
    solid[:, : WIDTH // 2] = 0
    saved(tmp_path / "k.png", solid, "1")
    saved(tmp_path / "c.tif", noise(HEIGHT, WIDTH), dpi=(25.4, 25.4))
    return tmp_path


def called(desk: Path, words: str) -> tuple[int, str, str]:
    """Exit code, standard output and error of the real command in that folder."""
    done = subprocess.run(
        [sys.executable, "-m", "inksteward.cli", "coverage", "--config", "press.toml", *words.split()],
        cwd=desk,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


def refused(
    desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: str
) -> str:
    """What the command complains of; it ends with 2, says nothing else and leaves the folder as it was."""
    monkeypatch.chdir(desk)
    before = {path.name: path.read_bytes() for path in desk.iterdir()}
    assert cli.main(["coverage", *words.split()]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert {path.name: path.read_bytes() for path in desk.iterdir()} == before
    return said.err


def test_one_image(desk: Path) -> None:
    """A solid from 10 to 110 mm covers 22.5 mm of zone 1, two zones, 12.5 mm of zone 4; the job gets just that."""
    words = "--unit u1 --image k.png --ink dark --left-mm 10 --dpi 25.4 --picture k-out.png --job job.json"
    code, out, err = called(desk, words)
    assert (code, err) == (0, "")
    expected = [22.5 / 32.5, 1.0, 1.0, 12.5 / 32.5, 0.0, 0.0, 0.0, 0.0]
    job, data = decode(Job, (desk / "job.json").read_bytes())
    assert job.units[0].coverage == pytest.approx(expected, abs=5e-7)
    del data["units"][0]["coverage"]
    rest = json.loads(json.dumps(JOB))
    del rest["units"][0]["coverage"]
    assert data == rest
    rows = [line.split()[:4] for line in out.splitlines()[3:11]]
    assert rows[0] == ["1", "0.0", "32.5", "69.23"]
    assert [row[3] for row in rows] == [f"{100 * value:.2f}" for value in expected]
    with Image.open(desk / "k-out.png") as picture:
        assert (picture.format, picture.mode, picture.width) == ("PNG", "L", 1600)


def test_several_images(desk: Path) -> None:
    """Each unit gets its own zones, picture and row; zone 1 of u2 begins at -10 mm."""
    words = "--image u1=k.png --image u2=c.tif --ink dark --left-mm 0 --width-mm 200 --picture o.png --job job.json"
    code, out, err = called(desk, words)
    assert (code, err) == (0, "")
    assert [line for line in out.splitlines() if line.startswith(("picture", "job"))] == [
        "picture o-u1.png",
        "picture o-u2.png",
        "job job.json: coverage of u1, u2",
    ]
    assert {"o-u1.png", "o-u2.png"} <= {path.name for path in desk.iterdir()}
    job, _ = decode(Job, (desk / "job.json").read_bytes())
    assert job.units[0].coverage == pytest.approx([1.0, 1.0, 1.0, 2.5 / 32.5, 0.0, 0.0, 0.0, 0.0], abs=5e-7)
    ink = (255 - noise(HEIGHT, WIDTH)) / 255
    zone_2 = (ink[:, 22].mean() / 2 + ink[:, 23:55].mean() * 32) / 32.5  # from 22.5 to 55 mm
    assert job.units[1].coverage is not None
    assert job.units[1].coverage[1] == pytest.approx(zone_2, abs=5e-7)


def test_turned_mirrored_centred_and_with_tone_value_increase(desk: Path) -> None:
    """All options at once: a quarter turn, mirrored, in the middle of the zones, tints 14 points fuller at 50 %."""
    words = "--unit u1 --image c.tif --ink light --centred --turn 90 --mirror --tvi50 0.14 --job job.json"
    code, out, err = called(desk, words)
    assert (code, err) == (0, "")
    assert "100 x 200 pixels, 100.0 x 200.0 mm, x from 80.0 to 180.0 mm" in out
    assert "light pixels are ink, turned 90 degrees clockwise, mirrored, TVI 14 points at 50 %" in out
    assert "note: the image is 200 mm long, the unit's printed length (train.image_m) is 100 mm" in out
    tint = np.fliplr(np.rot90(noise(HEIGHT, WIDTH), -1)) / 255
    printed = (tint + 0.56 * tint * (1 - tint)).mean(axis=0)
    job, _ = decode(Job, (desk / "job.json").read_bytes())
    zone_4 = (printed[17] / 2 + printed[18:50].sum()) / 32.5  # 97.5 to 130 mm, in the image 17.5 to 50
    assert job.units[0].coverage is not None
    assert job.units[0].coverage[3] == pytest.approx(zone_4, abs=5e-7)


ENOUGH = "--ink dark --left-mm 0 --dpi 25.4"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (f"--image k.png {ENOUGH}", "--image: k.png: expected UNIT=FILE, such as u2=cyan.tif, or --unit"),
        (f"--unit u9 --image k.png {ENOUGH}", "--unit: u9: expected a unit of press-test: u1, u2"),
        (f"--image u9=k.png {ENOUGH}", "--image: u9: expected a unit of press-test: u1, u2"),
        (
            f"--image u1=k.png --image u1=c.tif {ENOUGH}",
            "--image: u1: expected each unit once: one image an ink",
        ),
        (
            f"--unit u1 --image k.png --image c.tif {ENOUGH}",
            "--unit: u1 beside 2 images: expected one --image",
        ),
        (
            f"--unit u1 --image none.png {ENOUGH}",
            "none.png: No such file or directory: expected a PNG or TIFF",
        ),
        (f"--unit u1 --image job.json {ENOUGH}", "job.json: no PNG or TIFF"),
        ("--unit u1 --image k.png --ink dark --left-mm 0", "resolution: not in the file: expected --dpi or"),
        (
            "--unit u1 --image c.tif --ink dark --left-mm 0 --dpi 50",
            "the file says 200.0 mm: expected the same",
        ),
        (f"--unit u1 --image k.png {ENOUGH} --turn 45", "--turn: 45: expected one of 0, 90, 180, 270"),
        (
            f"--unit u1 --image k.png {ENOUGH} --tvi50 0.1",
            "--tvi50: 0.1 with k.png: expected an image of 8 bit",
        ),
        (f"--unit u1 --image c.tif {ENOUGH} --tvi50 0.3", "--tvi50: 0.3: expected a number from 0 to 0.25"),
        (
            "--unit u1 --image c.tif --ink dark --left-mm 900",
            "expected an image over the zones, which lie from 0",
        ),
        (f"--unit u1 --image k.png {ENOUGH} --job none.json", "--job: none.json: No such file or directory"),
        (f"--unit u1 --image k.png {ENOUGH} --job press.toml", "--job: not a job of the contract"),
        (f"--image u1=k.png --image u2=k.png {ENOUGH} --job one.json", "units: u1: expected one row for u2"),
    ],
)
def test_what_cannot_be_used(
    desk: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    words: str,
    told: str,
) -> None:
    """Each mistake is one line with field, value and what was expected; nothing is written."""
    (desk / "one.json").write_text(json.dumps({**JOB, "units": JOB["units"][:1]}), "utf-8")
    said = refused(desk, capsys, monkeypatch, f"--config press.toml {words}")
    assert said.startswith("inksteward coverage: ")
    assert told in said
    assert said.count("\n") == 1


def test_a_wrong_configuration(
    desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every mistake in the configuration is listed, as by check."""
    (desk / "press.toml").write_text(PRESS.replace("zones = 8", "zones = 0\npich_mm = 3"), "utf-8")
    said = refused(desk, capsys, monkeypatch, f"--config press.toml --unit u1 --image k.png {ENOUGH}")
    assert "unit_defaults.zones: 0" in said
    assert "unit_defaults.pich_mm: 3" in said


@pytest.mark.parametrize("missing", ["--ink dark", "--left-mm 0", "--image u1=k.png", "--config press.toml"])
def test_what_is_never_guessed(
    desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    """Polarity, place, image and press have to be stated."""
    monkeypatch.chdir(desk)
    words = "--config press.toml --image u1=k.png --dpi 25.4 --ink dark --left-mm 0".replace(missing, "")
    with pytest.raises(SystemExit) as ended:
        cli.main(["coverage", *words.split()])
    assert ended.value.code == 2
    assert "required" in capsys.readouterr().err


@pytest.mark.parametrize("picture", [Path("o.jpg"), Path("nowhere/o.png")])
def test_a_picture_that_cannot_be_written(
    desk: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, picture: Path
) -> None:
    """A picture that cannot be written is an error, and the job stays as it was."""
    monkeypatch.chdir(desk)
    before = (desk / "job.json").read_bytes()
    words = f"--config press.toml --unit u1 --image k.png {ENOUGH} --job job.json --picture {picture}"
    assert cli.main(["coverage", *words.split()]) == 2
    assert f"inksteward coverage: --picture: {picture}" in capsys.readouterr().err
    assert (desk / "job.json").read_bytes() == before


def test_a_wrong_resolution_in_the_file_can_be_left_aside(desk: Path) -> None:
    """With --no-file-dpi what is stated counts against the file."""
    words = "--unit u1 --image c.tif --ink dark --left-mm 0 --width-mm 250 --no-file-dpi"
    code, out, err = called(desk, words)
    assert (code, err) == (0, "")
    assert "250.0 x 125.0 mm" in out


def test_the_service_knows_nothing_of_it() -> None:
    """Neither this room nor Pillow is imported by the service or by the list of commands."""
    asked = (
        "import sys, inksteward.cli, inksteward.service.command, inksteward.service.app\n"
        "print([name for name in sys.modules if name.split('.')[0] == 'PIL' or 'inksteward.coverage' in name])"
    )
    done = subprocess.run(
        [sys.executable, "-c", asked], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout == "[]\n"


def test_without_pillow_the_command_says_what_to_install(desk: Path) -> None:
    """Where Pillow is missing the command ends with 2 and one line."""
    asked = (
        "import sys\nsys.modules['PIL'] = None\nfrom inksteward import cli\nsys.exit(cli.main(sys.argv[1:]))"
    )
    words = f"coverage --config press.toml --unit u1 --image k.png {ENOUGH}"
    done = subprocess.run(
        [sys.executable, "-c", asked, *words.split()],
        cwd=desk,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    told = "inksteward coverage: pillow: not installed: expected the extra 'images': pip install 'inksteward[images]'\n"
    assert (done.returncode, done.stdout, done.stderr) == (2, "", told)
