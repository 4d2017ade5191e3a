"""Sheet counters on MQTT: the press side publishes the contract's ``counter``."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from inksteward.ports import Deliver, DriverContext, MqttLink
from inksteward_drivers.listen import broker, listen
from inksteward_drivers.settings import no_settings


class MqttCounter:
    """Delivers what is published under ``counter``, as it came."""

    def __init__(self, name: str, mqtt: MqttLink) -> None:
        self.name = name
        self._mqtt = mqtt

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        """Deliver counts until cancelled."""
        await listen(self._mqtt, "counter", deliver, link)


def build(context: DriverContext) -> MqttCounter:
    """Driver for ``context``; has no settings. Raises SettingError (a ValueError)."""
    no_settings(context.name, context.settings)
    return MqttCounter(context.name, broker(context))
