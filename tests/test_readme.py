"""The README says what the code does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from inksteward.cli import COMMANDS
from inksteward.config.table import limits_table

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_first_paragraph_states_the_job() -> None:
    """Whoever reads one paragraph knows what this is for."""
    first = README.split("\n\n")[1]
    for word in (
        "sheet-fed offset press",
        "density strips",
        "approval, always",
        "minimum-gap interlock",
        "replayed",
    ):
        assert word in first.replace("\n", " ")


def test_the_table_of_limits_is_the_code_s() -> None:
    """Every default in the README stands in the code."""
    assert limits_table().strip() in README


def test_every_command_that_is_shown_exists() -> None:
    """No command in the README is one of another program or of another time."""
    shown = set(re.findall(r"^inksteward ([\w-]+)", README, flags=re.MULTILINE))
    assert shown
    assert shown <= set(COMMANDS)


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_links_lead_somewhere(page: str) -> None:
    """Every relative link names a file of the project."""
    text = (ROOT / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / target).exists(), target


def test_cautions_stand_in_both_guides() -> None:
    """Whoever reads only one guide is told that this is no safety function."""
    for page in ("README.md", "DEVELOPERS.md"):
        text = (
            (ROOT / page)
            .read_text(encoding="utf-8")
            .replace("\n> ", " ")
            .replace("\n", " ")
            .replace("**", "")
        )
        assert "certified safety function" in text
        assert "local electrical code" in text
