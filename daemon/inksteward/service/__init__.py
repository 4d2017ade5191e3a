"""The asyncio shell: MQTT, drivers, timers and the journal around the functional core."""
