"""``python -m tests.golden [NAME...]``: tell the stories anew and write their journals.

Read what changed before you keep it: every golden journal that changes is a change of behaviour.
"""

from __future__ import annotations

import sys

from inksteward.steward.codec import SnapshotError
from tests.golden.recording import DATA, difference, load, names, save
from tests.golden.stories import STORIES, told_of


def main(words: list[str]) -> int:
    """Write the golden journals named, or all of them; those whose effects did not change stay as they are."""
    there = set(names())
    for name in words or STORIES:
        rows = told_of(name).rows
        if name in there and list(load(name)) == rows:
            continue
        what = _change(name) if name in there else "new"
        sys.stdout.write(f"{name}: {what or 'another story'}\n")
        save(name, rows)
    for name in there - set(STORIES):
        sys.stdout.write(f"{name}: told no more\n")
        for path in DATA.glob(f"{name}.*.jsonl.gz"):
            path.unlink()
    return 0


def _change(name: str) -> str | None:
    """What is different now; a journal that begins with a state of another version cannot be told again at all."""
    try:
        return difference(load(name))
    except SnapshotError as error:
        return f"another state: {error}"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
