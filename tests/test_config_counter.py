"""[[sheet_counter]]: at most one, with a name of its own."""

from inksteward.config import DriverKind, DriverSettings
from inksteward.config.commands import summary
from tests.config_samples import built, mistakes

COUNTER = {"name": "counter-1", "driver": "mqtt"}


def test_a_counter_is_a_driver() -> None:
    """A configured counter is the last of the drivers, serves no unit and stands in the summary."""
    config = built(("sheet_counter", [{**COUNTER, "settings": {"rate": 2}}]))
    assert config.drivers[-1] == DriverSettings(
        DriverKind.SHEET_COUNTER, "counter-1", "mqtt", (), {"rate": 2}
    )
    first = next(iter(config.calibrated.values()))[0]
    assert "sheet counter counter-1: driver mqtt" in list(summary(config, first))


def test_none_is_needed() -> None:
    """Without one there is none: counts come from the broker."""
    assert all(driver.kind is not DriverKind.SHEET_COUNTER for driver in built().drivers)


def test_no_more_than_one() -> None:
    """A second counter is a mistake that names the first: there would be two words on which sheet this is."""
    found = mistakes(("sheet_counter", [COUNTER, {**COUNTER, "name": "counter-2"}]))
    assert found == [
        (
            "sheet_counter[counter-2].name",
            '"counter-2"',
            "no more than one [[sheet_counter]], and counter-1 is one: a press has one count of sheets",
        )
    ]


def test_its_name_is_its_own() -> None:
    """A counter shares its name with no other driver: journal and alarms tell them apart by it."""
    [(key, value, words)] = mistakes(("sheet_counter", [{**COUNTER, "name": "cabinet"}]))
    assert (key, value) == ("sheet_counter[cabinet].name", '"cabinet"')
    assert words == 'a name that no other driver has, nor "broker"'


def test_no_secrets_in_its_settings() -> None:
    """A secret in a counter's settings is refused and not shown."""
    [(key, value, _)] = mistakes(("sheet_counter", [{**COUNTER, "settings": {"password": "x"}}]))
    assert (key, value) == ("sheet_counter[counter-1].settings.password", "(not shown)")
