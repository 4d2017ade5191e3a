"""Strip readers on MQTT: the instrument's gateway publishes the contract's ``scan``."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from inksteward.ports import Deliver, DriverContext, MqttLink
from inksteward_drivers.listen import broker, listen
from inksteward_drivers.settings import no_settings


class MqttStrip:
    """Delivers what is published under ``scan``, as it came."""

    def __init__(self, name: str, mqtt: MqttLink) -> None:
        self.name = name
        self._mqtt = mqtt

    async def run(self, deliver: Deliver, link: Callable[[bool, str], Awaitable[None]]) -> None:
        """Deliver scans until cancelled."""
        await listen(self._mqtt, "scan", deliver, link)


def build(context: DriverContext) -> MqttStrip:
    """Driver for ``context``; has no settings. Raises SettingError (a ValueError)."""
    no_settings(context.name, context.settings)
    return MqttStrip(context.name, broker(context))
