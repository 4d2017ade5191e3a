"""Rules between sections of the configuration: broker, approval, inks, drivers."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator, Mapping
from typing import Any
from urllib.parse import urlsplit

from inksteward.config.condition_rules import condition_findings
from inksteward.config.layers import NAMED, Place
from inksteward.config.reading import MISSING, Finding, Reading
from inksteward.config.settings import DriverKind, Unsigned
from inksteward.config.unit_rules import unit_findings
from inksteward.config.words import nearest, secret

MQTT_DRIVER = "mqtt"
LINE_SETTING = "url"
"""The setting under which a driver on a line is told where the line is."""
EVERY_ADDRESS = ("0.0.0.0", "::")  # noqa: S104  # looked for, not listened on
PSEUDO_TERMINAL = re.compile(r"/dev/pts/[0-9]+")


def on_loopback(host: str) -> bool:
    """Whether the host is this machine: ``localhost``, 127.0.0.0/8 or ::1."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def findings(reading: Reading) -> Iterator[Finding]:
    """Every rule that the configuration breaks and that no stand-in had a part in."""
    yield from _broker(reading)
    yield from _approval(reading)
    yield from _page(reading)
    yield from _control(reading)
    yield from _repeated(reading, "ink", [item.ink for item in reading.form.ink])
    yield from condition_findings(reading)
    yield from _repeated(reading, "condition", [item.condition for item in reading.form.condition])
    yield from _repeated(reading, "unit", [item.unit for item in reading.form.unit])
    for index, _ in enumerate(reading.form.unit):
        yield from unit_findings(reading, index)
    yield from _drivers(reading)
    yield from _banks(reading)
    yield from _counters(reading)
    yield from _secrets(reading)


def driver_findings(reading: Reading, installed: Mapping[DriverKind, tuple[str, ...]]) -> Iterator[Finding]:
    """Drivers that are not installed."""
    for kind in DriverKind:
        for index, item in enumerate(getattr(reading.form, kind)):
            good = reading.good(kind.value, index, "driver")
            if good and item.driver not in installed[kind]:
                names = ", ".join(installed[kind]) or "none at all"
                yield Finding((kind.value, index, "driver"), item.driver, f"an installed driver: {names}")


def _broker(reading: Reading) -> Iterator[Finding]:
    """Off this machine only with TLS and a certificate of our own."""
    form = reading.form.broker
    if not reading.good("broker", "url"):
        return
    url = urlsplit(form.url)
    here, tls = on_loopback(url.hostname or ""), url.scheme == "mqtts"
    if not here and not tls:
        yield Finding(
            ("broker", "url"), form.url, "mqtts:// with ca_file, cert_file and key_file off this machine"
        )
    identity = not here or form.cert_file is not None or form.key_file is not None
    for name in ("ca_file", "cert_file", "key_file"):
        value = getattr(form, name)
        if not reading.good("broker", name):
            continue
        if not tls and value is not None:
            yield Finding(("broker", name), value, "no such file without mqtts:// in broker.url")
        elif tls and value is None and (identity or name == "ca_file"):
            yield Finding(("broker", name), MISSING, f"a PEM file, since broker.url is {form.url}")


def _page(reading: Reading) -> Iterator[Finding]:
    """Off this machine only with TLS; on every address only under names that are known."""
    form = reading.form.page
    if not reading.good("page", "host"):
        return
    for name, other in (("cert_file", "key_file"), ("key_file", "cert_file")):
        if getattr(form, name) is not None or not reading.good("page", name):
            continue
        if not on_loopback(form.host):
            yield Finding(("page", name), MISSING, f"a PEM file, since page.host is {form.host}")
        elif getattr(form, other) is not None:
            yield Finding(("page", name), MISSING, f"a PEM file, since page.{other} is given")
    if form.host in EVERY_ADDRESS and not form.names and reading.good("page", "names"):
        expected = f"the names that browsers use, since page.host is {form.host}"
        yield Finding(("page", "names"), [], expected)


def _approval(reading: Reading) -> Iterator[Finding]:
    form = reading.form.approval
    for name in ("min_standing_s", "expected_s"):
        if reading.good("approval", name) and reading.good("approval", "expires_s"):
            value = getattr(form, name)
            if value >= form.expires_s:
                yield Finding(("approval", name), value, f"less than expires_s ({form.expires_s:g})")
    if reading.good("approval", "unsigned") and form.unsigned is Unsigned.BENCH:
        for reason in _real_press(reading):
            yield Finding(("approval", "unsigned"), "bench", f'"never", because {reason}')


def _real_press(reading: Reading) -> Iterator[str]:
    """What speaks against a bench: unsigned decisions must not be able to reach a real press."""
    host = urlsplit(reading.form.broker.url).hostname or ""
    if reading.good("broker", "url") and not on_loopback(host):
        yield f"broker.url ({reading.form.broker.url}) is not on this machine"
    if reading.good("press", "simulated") and not reading.form.press.simulated:
        yield "press.simulated is not true"
    for index, bank in enumerate(reading.form.key_bank):
        line = bank.settings.get(LINE_SETTING)
        pseudo = isinstance(line, str) and PSEUDO_TERMINAL.fullmatch(line) is not None
        if reading.good("key_bank", index) and bank.driver != MQTT_DRIVER and not pseudo:
            yield (
                f"key bank {bank.name} is neither driver {MQTT_DRIVER!r} nor on a pseudo-terminal "
                f"(settings.{LINE_SETTING} = /dev/pts/N)"
            )


def _control(reading: Reading) -> Iterator[Finding]:
    width = reading.form.measuring.patch_width_mm
    if not reading.good("measuring", "patch_width_mm"):
        return
    for index, unit in enumerate(reading.form.unit):
        if reading.good("unit", index, "pitch_mm") and width > unit.pitch_mm:
            wanted = f"at most the pitch of unit {unit.unit} ({unit.pitch_mm:g} mm)"
            yield Finding(("measuring", "patch_width_mm"), width, wanted)


def _repeated(reading: Reading, table: str, names: list[str]) -> Iterator[Finding]:
    key = NAMED[table]
    for index, name in enumerate(names):
        if name in names[:index] and reading.good(table, index, key):
            first = names.index(name)
            yield Finding((table, index, key), name, f"a name of its own: entry {first + 1} has the same")


def _drivers(reading: Reading) -> Iterator[Finding]:
    """Drivers have one space of names: the journal and the alarms tell them apart by it."""
    places: list[tuple[Place, str]] = [
        ((kind.value, n, "name"), item.name)
        for kind in DriverKind
        for n, item in enumerate(getattr(reading.form, kind))
    ]
    seen: set[str] = {"broker"}
    for place, name in places:
        if reading.good(*place):
            if name in seen:
                yield Finding(place, name, 'a name that no other driver has, nor "broker"')
            seen.add(name)


def _banks(reading: Reading) -> Iterator[Finding]:
    known = tuple(unit.unit for unit in reading.form.unit)
    served: dict[str, str] = {}
    complete = all(reading.good("unit", n, "unit") for n in range(len(known))) and reading.good("key_bank")
    for index, bank in enumerate(reading.form.key_bank):
        if not reading.good("key_bank", index, "units"):
            continue
        for number, name in enumerate(bank.units):
            place = ("key_bank", index, "units", number)
            if name not in known and all(reading.good("unit", n, "unit") for n in range(len(known))):
                yield Finding(place, name, nearest(name, known))
            elif name in served:
                yield Finding(place, name, f"a unit that no other key bank serves: {served[name]} does")
            served.setdefault(name, bank.name)
    for index, name in enumerate(known):
        if complete and name not in served and name not in known[:index]:
            yield Finding(("unit", index, "unit"), name, "a unit that one [[key_bank]] lists in its units")


def _counters(reading: Reading) -> Iterator[Finding]:
    """Two counters would be two words on which sheet this is."""
    for index, item in enumerate(reading.form.sheet_counter[1:], start=1):
        if reading.good("sheet_counter", index, "name"):
            first = reading.form.sheet_counter[0].name
            words = f"no more than one [[sheet_counter]], and {first} is one: a press has one count of sheets"
            yield Finding(("sheet_counter", index, "name"), item.name, words)


def _secrets(reading: Reading) -> Iterator[Finding]:
    """The configuration stands in the journal: a secret belongs into a file of its own."""
    for table in DriverKind:
        for index, item in enumerate(getattr(reading.form, table)):
            for keys in _secret_keys(item.settings):
                place = (table.value, index, "settings", *keys)
                yield Finding(
                    place, "(not shown)", "no secret here; name a file in a setting that ends in _file"
                )


def _secret_keys(data: Any) -> Iterator[Place]:
    entries = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for name, value in entries:
        if isinstance(name, str) and secret(name):
            yield (name,)
        else:
            yield from ((name, *below) for below in _secret_keys(value))
