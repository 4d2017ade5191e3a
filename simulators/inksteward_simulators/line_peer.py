"""An instrument's half of the line protocol: answers each data frame once, repeats its own until answered."""

import asyncio
import random
import secrets
from collections import Counter
from collections.abc import Awaitable, Callable

from inksteward_simulators import framing
from inksteward_simulators.framing import Discarded, Telegram
from inksteward_simulators.pty_port import PtyPort

QUIET_S = 0.3
ANSWER_S = 1.0
TRIES = 3
DATA_HELD = 16

Serve = Callable[[bytes], Awaitable[tuple[int, bytes]]]
"""Body of a data frame in; kind and body of its answer out."""


class LineNoise:
    """Spoils frames by seed: each one with probability ``rate`` is bent, cut short, doubled or led by garbage."""

    def __init__(self, rate: float, seed: int) -> None:
        self._rate = rate
        self._dice = random.Random(seed)
        self.done: Counter[str] = Counter()

    def on_wire(self, wire: bytes) -> bytes:
        """What reaches the line in place of ``wire``."""
        dice = self._dice
        if dice.random() >= self._rate:
            return wire
        what = dice.choice(("bent", "cut", "doubled", "garbage"))
        self.done[what] += 1
        if what == "bent":
            place = dice.randrange(1, len(wire) - 1)
            return wire[:place] + bytes((wire[place] ^ 1 << dice.randrange(8),)) + wire[place + 1 :]
        if what == "cut":
            return wire[: dice.randrange(1, len(wire))]
        if what == "doubled":
            return wire + wire
        return dice.randbytes(dice.randrange(1, 40)) + wire


class LinePeer:
    """Speaks over a `PtyPort`. ``serve`` gets the data frames of the other side, one after the other."""

    def __init__(self, port: PtyPort, serve: Serve, noise: LineNoise | None = None) -> None:
        self.port = port
        self.discarded: Counter[str] = Counter()
        self._serve = serve
        self._noise = noise or LineNoise(0.0, 0)
        self._receiver = framing.Receiver()
        self._epoch = secrets.randbits(32)
        self._seq = -1
        self._heard: tuple[int, int] | None = None
        self._answer: Telegram | None = None
        self._waiting: asyncio.Future[Telegram] | None = None
        self._data: asyncio.Queue[Telegram] = asyncio.Queue(DATA_HELD)
        self._quiet: asyncio.TimerHandle | None = None

    def plug(self) -> str:
        """Plug the port in; returns its path."""
        return self.port.plug(self._bytes)

    async def run(self) -> None:
        """Answer data frames until cancelled."""
        while True:
            telegram = await self._data.get()
            if (telegram.epoch, telegram.seq) == self._heard:
                self.discarded["double"] += 1
            else:
                self._heard = (telegram.epoch, telegram.seq)
                kind, body = await self._serve(telegram.body)
                self._answer = Telegram(kind, telegram.epoch, telegram.seq, body)
            if self._answer is not None:
                self._send(self._answer)

    async def ask(self, body: bytes, tries: int = TRIES) -> Telegram | None:
        """Send a data frame, again with the same number if need be; None when no answer came to any try."""
        self._seq = (self._seq + 1) & 0xFFFF
        telegram = Telegram(framing.DATA, self._epoch, self._seq, body)
        self._waiting = asyncio.get_running_loop().create_future()
        try:
            for _ in range(tries):
                self._send(telegram)
                done, _ = await asyncio.wait((self._waiting,), timeout=ANSWER_S)
                if done:
                    return self._waiting.result()
            return None
        finally:
            self._waiting = None

    def _send(self, telegram: Telegram) -> None:
        self.port.write(self._noise.on_wire(framing.to_wire(telegram)))

    def _bytes(self, data: bytes) -> None:
        if self._quiet is not None:
            self._quiet.cancel()
        self._quiet = asyncio.get_running_loop().call_later(QUIET_S, self._silence)
        self._sort(self._receiver.take(data))

    def _silence(self) -> None:
        self._sort(self._receiver.quiet())

    def _sort(self, found: list[Telegram | Discarded]) -> None:
        for item in found:
            if isinstance(item, Discarded):
                self.discarded[item.why] += 1
            elif item.kind == framing.DATA and self._data.full():
                self.discarded["overrun"] += 1
            elif item.kind == framing.DATA:
                self._data.put_nowait(item)
            elif self._waiting is None or self._waiting.done() or item[1:3] != (self._epoch, self._seq):
                self.discarded["stray_answer"] += 1
            else:
                self._waiting.set_result(item)
