"""[opening]: the model file that past jobs taught, and the limits of an opening."""

import json
from pathlib import Path
from typing import Any

import pytest

from inksteward.config import ConfigErrors, ConfigUnreadable, load, parse
from inksteward.config.opening_forms import model_of
from inksteward.model import Limits
from tests.config_samples import built, mistakes
from tests.control.test_taught import LESSON, file_of

EXAMPLE = Path(__file__).resolve().parents[1] / "config/example.toml"


def written(folder: Path, content: str | None, name: str = '"opening.json"') -> Path:
    """The example with [opening] model, and the file it names."""
    if content is not None:
        (folder / "opening.json").write_text(content, "utf-8")
    text = EXAMPLE.read_text("utf-8")
    conditions = folder / "conditions"
    if not conditions.exists():
        conditions.symlink_to(EXAMPLE.parent / "conditions")
    path = folder / "press.toml"
    path.write_text(text.replace('# model = "opening.json"', f"model = {name}"), "utf-8")
    return path


def test_the_files_content_is_part_of_the_configuration(tmp_path: Path) -> None:
    """What the file says is read once, stands in the configuration's data, and comes out of it again without the file:
    a replay needs no file.
    """
    path = written(tmp_path, json.dumps(file_of()))
    config = load(path)
    assert config.opening_model == model_of(file_of())
    (tmp_path / "opening.json").unlink()
    assert config.data()["opening"]["model"]["lessons"][0]["jobs"] == LESSON["jobs"]
    assert parse(config.data(), "Started").opening_model == config.opening_model
    assert parse(config.data(), "Started").data() == config.data()


def test_without_a_file_there_is_no_model() -> None:
    """The film model alone is the default."""
    assert built().opening_model is None
    assert load(EXAMPLE).opening_model is None


@pytest.mark.parametrize(
    ("content", "kind", "expected"),
    [
        (None, ConfigUnreadable, "readable file"),
        ("{", ConfigErrors, "model file in JSON"),
        ("[]", ConfigErrors, "model file in JSON"),
        ("{}", ConfigErrors, "opening.model"),
        (json.dumps(file_of({**LESSON, "sigma": -1.0})), ConfigErrors, "lessons.0.sigma"),
    ],
)
def test_files_that_cannot_be_read(
    tmp_path: Path, content: str | None, kind: type[ConfigErrors], expected: str
) -> None:
    """A file that is missing, no JSON, or no model is told with its name or its place in the configuration."""
    with pytest.raises(kind) as raised:
        load(written(tmp_path, content))
    assert expected in str(raised.value)


@pytest.mark.parametrize("value", [3, [], "opening.json"])
def test_what_is_no_model_is_refused(value: Any) -> None:
    """In data without files only a table can be a model."""
    assert [(key, words) for key, _, words in mistakes(("opening.model", value))] == [
        ("opening.model", "a table")
    ]


def test_what_no_data_can_hold_is_told_once() -> None:
    """A value that JSON cannot hold is one mistake, not two."""
    assert [key for key, _, _ in mistakes(("opening.model", float("nan")))] == ["opening.model"]


def test_a_name_that_is_none(tmp_path: Path) -> None:
    """In the file itself too."""
    with pytest.raises(ConfigErrors, match=r"opening\.model: 3: expected a table"):
        load(written(tmp_path, None, "3"))


def test_limits_of_an_opening() -> None:
    """An opening may go the whole way of every key and of the sweep, within the neighbours' difference of makeready; a
    press may be given tighter ones.
    """
    unit = built(("unit.1.limits", {"opening": {"step_pct": 50.0}})).press.units[1]
    assert unit.limits_opening == Limits(50.0, 60.0, 10.0, 100.0, 1000.0, 1000.0, 100.0)
    assert mistakes(("unit.1.limits", {"opening": {"step_pct": 101.0}}))[0][2] == "at most 100"
