"""[page]: where the operator's page may listen, and what it needs for that."""

from typing import Any

import pytest

from inksteward.config import PageSettings
from tests.config_samples import built, keys

FILES = {"cert_file": "page.pem", "key_file": "page.key"}


def test_no_page_unless_it_is_asked_for() -> None:
    """Without [page] nothing listens; asked for, it listens on this machine alone."""
    assert built().page == PageSettings(serve=False, host="127.0.0.1", port=8620)


@pytest.mark.parametrize(
    "page",
    [
        {"serve": True},
        {"host": "localhost"},
        {"host": "::1"},
        {"host": "127.0.0.1", **FILES},
        {"host": "192.0.2.1", **FILES},
        {"host": "0.0.0.0", "names": ["press-2.example"], **FILES},
    ],
)
def test_good_pages(page: dict[str, Any]) -> None:
    """On this machine with or without TLS, anywhere else with it, on every address under names that are given."""
    found = built(("page", page)).page
    assert found.host == page.get("host", "127.0.0.1")
    assert found.names == tuple(page.get("names", ()))


@pytest.mark.parametrize(
    ("page", "wrong"),
    [
        ({"host": "192.0.2.1"}, ["cert_file", "key_file"]),
        ({"host": "press-2.example"}, ["cert_file", "key_file"]),
        ({"host": "192.0.2.1", "cert_file": "page.pem"}, ["key_file"]),
        ({"key_file": "page.key"}, ["cert_file"]),
        ({"host": "::", **FILES}, ["names"]),
        ({"host": "0.0.0.0"}, ["cert_file", "key_file", "names"]),
        ({"host": "press 2"}, ["host"]),
        ({"port": 0}, ["port"]),
        ({"port": 65536}, ["port"]),
        ({"names": [f"n{n}" for n in range(17)]}, ["names"]),
        ({"names": ["https://press-2.example"]}, ["names[1]"]),
    ],
)
def test_bad_pages(page: dict[str, Any], wrong: list[str]) -> None:
    """Off this machine without both files the configuration is refused, key by key."""
    assert keys(("page", page)) == [f"page.{name}" for name in wrong]
