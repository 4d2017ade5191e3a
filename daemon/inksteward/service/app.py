"""The service: every part wired to the others, from READY to the last word."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import signal
from collections.abc import Coroutine
from typing import TYPE_CHECKING, Any, NoReturn

from inksteward import __version__
from inksteward.config import Config
from inksteward.contract.codes import Alarm
from inksteward.events import Event, LinkChanged, Move, Publish, Started, Ticked
from inksteward.journal import JournalError
from inksteward.ports import DriverError
from inksteward.service import drivers, files, telling
from inksteward.service.clock import Clock, now_rfc3339
from inksteward.service.consumer import Consumer, Place
from inksteward.service.errors import BROKEN, CLEAN, NotAccepted, StartError
from inksteward.service.folding import Folding
from inksteward.service.intake import Intake
from inksteward.service.log import log_of
from inksteward.service.mover import Mover
from inksteward.service.mqtt_link import BrokerLink
from inksteward.service.operators import OperatorsWatch
from inksteward.service.page.place import listening
from inksteward.service.publisher import Publisher
from inksteward.service.sign_in import SignIn
from inksteward.service.starting import Opened, Options, Setup, open_record, read
from inksteward.service.watchdog import Watchdog
from inksteward.steward import initial

if TYPE_CHECKING:
    from inksteward.service.page.page import Page

FAULT_TOLD_EVERY_S = 10.0
LAST_WORDS_S = 2.0
CANCEL_AGAIN_S = 1.0
NEW_FILE_AGAIN_NS = 60 * 10**9
NO_RESERVE = "no disk space could be held in reserve: make room on its disk"


class Service:
    """One press. Made with its files read; ``run`` opens nothing more than the broker's connections."""

    def __init__(self, setup: Setup, clock: Clock) -> None:
        self.setup, self.clock = setup, clock
        self.config: Config = setup.config
        self.since = now_rfc3339()
        self.link = BrokerLink(setup.config, setup.instance, setup.tls, self._will)
        self.drivers = drivers.build(setup.config, self.link.lend)
        self.watchdog = Watchdog()
        self.stop = asyncio.Event()
        self._log = log_of("service")
        self._faulty = asyncio.Event()
        self._reserve_told = False

    def open(self) -> None:
        """Open the record and put the parts together. Raises StartError."""
        with contextlib.ExitStack() as undo:
            listener = listening(self.config.page) if self.config.page.serve else None
            if listener is not None:
                undo.callback(listener.close)
            self.opened: Opened = open_record(self.setup, self.clock)
            undo.pop_all()
        self.record = self.opened.record
        self._opening = files.Opening.of(self.config, self.setup.instance)
        self._label = self.opened.label
        self._not_before_ns = 0
        folding = Folding()
        self.consumer = Consumer(self.record, self.opened.state or initial(), self, folding.take, self.clock)
        self.consumer.after_step = self._after_step
        self.intake = Intake(self.consumer, folding, self.clock)
        self.mover = Mover(self.consumer, self.drivers.banks)
        self.publisher = Publisher(self.link.send, self.record.acknowledge, self.link.connected)
        self.publisher.on_link = self.link.on_link = self.intake.link
        self.link.on_drop, self.intake.on_calm = self.intake.drop, self.link.renew
        self.link.contested = self._contested
        self.operators = OperatorsWatch(self.setup.operators_path, self.setup.operators, self.consumer.submit)
        self.sign_in = SignIn(lambda: self.operators.content)
        self.page: Page | None = None
        if listener is not None:
            from inksteward.service.page.page import Page

            parts = (self.consumer, self.record, self.operators, self.sign_in, self.clock)
            self.page = Page(self.config, listener, self.setup.page, parts)
            self.page.restore(self.opened.path)

    def publish(self, place: Place | None, effect: Publish) -> None:
        """To the broker, in order."""
        self.publisher.put(place, effect)
        if self.page is not None:
            self.page.said(effect)

    def move(self, effect: Move) -> None:
        """To the guard."""
        self.mover.start(effect)

    def alive(self) -> None:
        """To the watchdog."""
        self.watchdog.cycle()

    def fault(self, text: str) -> None:
        """Say at once, and every ten seconds, that the record cannot be kept."""
        self.watchdog.status(text)
        self._faulty.set()
        self._tell_fault()

    async def run(self) -> int:
        """Serve until ``stop`` is set or a part fails; the exit code."""
        for path, outstanding in self.opened.unsent:
            self.publisher.resume(path, outstanding)
        try:
            await self.consumer.take(self._started())
        except NotAccepted as error:
            await self.record.close()
            raise StartError(str(error)) from error
        self._valid = self.config.calibration_valid(self.clock.today())
        await self._tell_reserve()
        consuming = asyncio.create_task(self.consumer.run(), name="consumer")
        publishing = self._tasks(self.publisher.run(), self.link.run(self.intake.receive))
        working = self._tasks(
            self.intake.run(),
            self.operators.run(),
            self._tell_ready(),
            self._repeat_fault(),
            *(drivers.supervise(settings, driver, self.intake) for settings, driver in self.drivers.all),
        )
        serving = self._tasks(self.page.run()) if self.page is not None else []
        waiting = asyncio.create_task(self.stop.wait(), name="stop")
        every = (waiting, consuming, *publishing, *working, *serving)
        done, _ = await asyncio.wait(every, return_when=asyncio.FIRST_COMPLETED)
        sound = self._judged(done)
        waiting.cancel()
        if self.page is not None:
            await self.page.end(serving[0])
        await self._end(consuming, publishing, working)
        return CLEAN if sound and self.consumer.faulty is None else BROKEN

    def _judged(self, done: set[asyncio.Task[Any]]) -> bool:
        """Whether the service was asked to stop, rather than that a part of it ended by itself."""
        failed = [task for task in done if task.get_name() != "stop"]
        for task in failed:
            error = task.exception()
            self._log.error("a part of the service failed", which=task.get_name(), exc_info=error)
        return not failed

    async def _end(
        self,
        consuming: asyncio.Task[None],
        publishing: list[asyncio.Task[Any]],
        working: list[asyncio.Task[Any]],
    ) -> None:
        """Nothing more comes in; what is under way is finished and recorded; then the last word."""
        self._log.info("stopping")
        self.watchdog.stopping()
        self.intake.close()
        await self.mover.end()
        await _cancelled(working)
        await self.intake.tell_dropped()
        await self.consumer.end()
        await asyncio.wait((consuming,))
        if self.link.connected.is_set():
            await self.publisher.drained(LAST_WORDS_S)
            await self._last_word()
        await _cancelled(publishing)
        try:
            await self.record.close()
        except JournalError as error:
            self._log.error("the journal was not closed", reason=str(error))
        self._log.info("stopped")

    async def _last_word(self) -> None:
        state = telling.offline(
            self.config, self.setup.instance, self.since, __version__, self.consumer.faulty or "stopped"
        )
        try:
            async with asyncio.timeout(LAST_WORDS_S):
                await self.link.send(state)
        except (TimeoutError, DriverError) as error:
            self._log.warning("the broker was not told", reason=str(error))

    def _started(self) -> Started:
        state = self.opened.state
        return self._opening.started(
            state, self.setup.operators.public, self.record.genesis, self.clock.today()
        )

    async def _after_step(self, event: Event) -> None:
        """Show it; begin the next file when run or day has changed; judge calibrations anew when one has expired."""
        if self.page is not None:
            self.page.stepped(event)
        if isinstance(event, Started):
            return
        await self._tell_reserve()
        today = self.clock.today()
        label = files.label(self.config, self.consumer.state, today)
        if label != self._label and self.clock.mono_ns() >= self._not_before_ns:
            self._not_before_ns = self.clock.mono_ns() + NEW_FILE_AGAIN_NS
            await self._next_file(label)
        if isinstance(event, Ticked) and self.config.calibration_valid(today) != self._valid:
            await self._start_anew()

    async def _tell_reserve(self) -> None:
        """Say once that there is no room for last words: at a start, or since opening a file took it."""
        if self._reserve_told or self.record.reserve_held:
            return
        self._reserve_told = True
        with contextlib.suppress(NotAccepted):  # latched and told already
            await self.consumer.take(LinkChanged("journal", False, NO_RESERVE))

    async def _next_file(self, label: str) -> None:
        """Begin it, but not before everything of the present file was sent: only the last files are looked through
        at a start.
        """
        if not await self.publisher.drained(LAST_WORDS_S if self.link.connected.is_set() else 0.0):
            self._log.warning("no new journal file yet: the present one holds what is still to be sent")
            return
        try:
            await self.record.begin(label)
        except JournalError as error:
            self._log.error("no new journal file, the present one goes on", reason=str(error))
            return
        self._label, self._not_before_ns = label, 0
        await self._start_anew()

    async def _start_anew(self) -> None:
        """A Started with the whole state as it is: the core goes on as the same instance."""
        state, today = self.consumer.state, self.clock.today()
        started = self._opening.started(state, state.operators, self.record.genesis, today)
        with contextlib.suppress(NotAccepted):  # latched and told already
            await self.consumer.take(started)
            self._valid = started.calibration_valid

    def _contested(self) -> bool:
        """Another instance was seen on this press and nobody has acknowledged it yet."""
        return any(alarm.code is Alarm.OTHER_INSTANCE for alarm in self.consumer.state.alarms)

    def _will(self) -> Publish:
        return telling.offline(
            self.config, self.setup.instance, self.since, __version__, "the service was lost"
        )

    def _tell_fault(self) -> None:
        if self.consumer.faulty is not None and self.consumer.state.config is not None:
            for effect in telling.on_fault(self.consumer.state, self.record.stamp(), self.consumer.faulty):
                self.publish(None, effect)

    async def _repeat_fault(self) -> NoReturn:
        await self._faulty.wait()
        while True:
            await asyncio.sleep(FAULT_TOLD_EVERY_S)
            self._tell_fault()

    async def _tell_ready(self) -> NoReturn:
        await self.link.known.wait()
        self._log.info("ready", press=self.config.press.press, instance=self.setup.instance)
        self.watchdog.ready()
        await asyncio.Event().wait()
        raise AssertionError("nobody sets it")

    @staticmethod
    def _tasks(*parts: Coroutine[Any, Any, Any]) -> list[asyncio.Task[Any]]:
        return [asyncio.create_task(part, name=getattr(part, "__qualname__", "part")) for part in parts]


async def _cancelled(tasks: list[asyncio.Task[Any]]) -> None:
    """More than once if need be: asyncio.wait_for loses a cancellation that comes together with its result (CPython
    issue 86296, until 3.12), and a part that went on would keep the service from ending.
    """
    while left := [task for task in tasks if not task.done()]:
        for task in left:
            task.cancel()
        await asyncio.wait(left, timeout=CANCEL_AGAIN_S)
    await asyncio.gather(*tasks, return_exceptions=True)


async def serve(options: Options) -> int:
    """Read, open, run until SIGTERM or SIGINT; SIGHUP reads the operators file anew. Raises StartError."""
    service = Service(read(options), Clock())
    service.open()
    gc.collect()
    gc.freeze()  # programs and configuration stay: a collection that walks them takes as long as a scan
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, service.stop.set)
    loop.add_signal_handler(signal.SIGHUP, service.operators.look)
    return await service.run()
