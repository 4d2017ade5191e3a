"""Listens to one topic over the service's own MQTT connection."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import NoReturn

from inksteward.ports import Deliver, DriverContext, MqttLink
from inksteward_drivers.reconnect import back_off
from inksteward_drivers.settings import SettingError


def broker(context: DriverContext) -> MqttLink:
    """The connection lent to the driver. Raises SettingError when there is none."""
    if context.mqtt is None:
        raise SettingError(f"{context.name}: no MQTT connection: expected the service to lend its own")
    return context.mqtt


async def listen(
    mqtt: MqttLink, topic_filter: str, take: Deliver, link: Callable[[bool, str], Awaitable[None]]
) -> NoReturn:
    """Hand every message of a subscription to ``take`` until cancelled; subscribe again when it ends."""
    failures = 0
    while True:
        messages = mqtt.messages(topic_filter)  # asked for before anything takes time
        await link(True, f"listening to {topic_filter}")
        async for topic, payload, retained in messages:
            failures = 0
            await take(topic, payload, retained)
        failures += 1
        await link(False, f"the subscription to {topic_filter} ended")
        await asyncio.sleep(back_off(failures))
