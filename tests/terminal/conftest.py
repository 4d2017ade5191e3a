"""For every test here: what it left in its journals replays."""

from tests.replayed import every_journal_replays

__all__ = ["every_journal_replays"]
