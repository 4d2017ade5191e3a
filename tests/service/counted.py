"""The service, counting what reached it: ``python -m tests.service.counted FILE run CONFIG...``.

At its end it leaves in FILE how many messages its connections to the broker brought, by topic.
"""

from __future__ import annotations

import atexit
import json
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt

from inksteward import cli
from inksteward.service.mqtt_link import BrokerLink


def main(words: list[str]) -> int:
    """Run the service with a counter at its door."""
    path, *rest = words
    came: Counter[str] = Counter()
    route: Callable[..., Any] = BrokerLink._route

    def counted(self: BrokerLink, message: aiomqtt.Message, acknowledge: Callable[[], None]) -> None:
        came[message.topic.value.removeprefix(self._root)] += 1
        route(self, message, acknowledge)

    BrokerLink._route = counted  # type: ignore[method-assign]
    atexit.register(lambda: Path(path).write_text(json.dumps(came)))
    return cli.main(rest)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
