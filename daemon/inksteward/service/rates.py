"""How fast each topic may be: a bucket of tokens for each, so that one mad sender cannot drown the others."""

from __future__ import annotations

from dataclasses import dataclass

RATES = {
    "counter": (50.0, 100),
    "scan": (5.0, 20),
    "job": (5.0, 20),
    "decision": (10.0, 50),
    "request": (10.0, 50),
}
"""Messages a second in the long run, and at once. The contract's own cadences lie far below."""
OTHER = (20.0, 100)


@dataclass(slots=True)
class _Bucket:
    tokens: float
    at_s: float


class Rates:
    """Judges messages by their topic; times in seconds of one monotonic clock."""

    def __init__(self) -> None:
        self._buckets: dict[str, _Bucket] = {}

    def admits(self, topic: str, now_s: float) -> bool:
        """Whether one more message of this topic may pass now."""
        per_s, most = RATES.get(topic, OTHER)
        bucket = self._buckets.get(topic)
        if bucket is None:
            bucket = self._buckets[topic] = _Bucket(float(most), now_s)
        bucket.tokens = min(float(most), bucket.tokens + (now_s - bucket.at_s) * per_s)
        bucket.at_s = now_s
        if bucket.tokens < 1.0:
            return False
        bucket.tokens -= 1.0
        return True
