"""The real command, killed again and again, and gone on with."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.commissioning.press import UNIT, Pair, hall, true_within

pytestmark = pytest.mark.broker
FEW = ("--levels", "2", "--move-pct", "30")


@pytest.mark.timeout(300)
async def test_killed_at_every_kind_of_question_and_gone_on_with(tmp_path: Path, mosquitto: str) -> None:
    """Killed wherever somebody is asked something new, the same command goes on; in the end the calibration is as true,
    no move went without its decision, and nothing that was confirmed was lost.
    """
    async with hall(tmp_path, mosquitto, "hall-killed") as at:
        kinds: set[str] = set()
        counts: list[int] = []

        def once(match: re.Match[str]) -> str | None:
            kind = re.sub(r"[\d.]+", "n", match[0])
            if kind in kinds:
                return pair.usual(match[0])
            kinds.add(kind)
            return None

        pair = Pair(at.keys, [(r".+", once)])
        code, told, errors = -9, "", ""
        for _ in range(40):
            code, told, errors = await at.commission(pair, *FEW)
            if (tmp_path / f"{UNIT}.commissioning.json").exists():
                counts.append(len(at.session["entries"]))
            if code != -9:
                break
        assert (code, errors) == (0, ""), told[-3000:]
        assert len(kinds) >= 12
        assert counts == sorted(counts)
        assert true_within(at, tmp_path / f"press-{UNIT}-commissioned.toml") == []
        outcomes = at.heard.all("outcome")
        moved = [row for row in outcomes if row["result"] == "moved"]
        assert len(at.keys.commands) == len(moved)
        assert all(row["decision_id"] for row in moved)
        assert not at.keys.floor.press.contacts
