"""A short run over every parser in every test run. The long one, guided by coverage, is run_atheris.py."""

from __future__ import annotations

import argparse
import json
import random
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from inksteward.contract.base import Refused, parse_object
from tests.fuzz.form import Target, close_all, finite, strict
from tests.fuzz.mutations import ODD, mutated, of_seed
from tests.fuzz.run_atheris import MOST_GROWTH_MIB, Count, verdict
from tests.fuzz.targets import TARGETS

QUICK = settings(
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink],
)


@pytest.fixture(scope="module", autouse=True)
def _closed() -> Iterator[None]:
    yield
    close_all()


def run(target: Target) -> None:
    """Bytes of any kind, and changed samples, as many as the target is given; raises what the target raises."""
    samples = target.samples()

    @settings(QUICK, max_examples=target.tries)
    @given(st.integers(0, 2**63))
    def changed(seed: int) -> None:
        target.call(of_seed(samples, seed))

    @settings(QUICK, max_examples=target.tries // 2)
    @given(st.binary(max_size=200))
    @example(b"")
    def any_bytes(raw: bytes) -> None:
        target.call(raw)

    for sample in samples:
        target.call(sample)
    changed()
    any_bytes()


@pytest.mark.parametrize("name", TARGETS)
def test_no_parser_raises_what_it_does_not_document(name: str) -> None:
    """Whatever comes in, a parser gives what it promises or its documented error, and no number is NaN or infinite."""
    run(TARGETS[name])


def _careless(raw: bytes) -> None:
    """A parser that documents ValueError and lets another error out where a member is missing."""
    try:
        data = json.loads(raw)
    except (ValueError, RecursionError):
        return
    if isinstance(data, dict) and isinstance(data.get("unit"), str):
        data["zone"]


def test_an_undocumented_exception_is_found() -> None:
    """A parser that raises KeyError for one input among many is caught by the same run that the real ones pass."""
    planted = Target(_careless, lambda: (b'{"unit":"u1","zone":7,"to_pct":44.5}',), 2000)
    with pytest.raises(KeyError):
        run(planted)


@pytest.mark.parametrize("raw", [b'{"a":NaN}', b'{"a":[1,Infinity]}', b'{"a":{"b":1e400}}'])
def test_a_number_that_is_none_is_found(raw: bytes) -> None:
    """A target that lets NaN or an infinity in, or out, breaks its promise."""
    with pytest.raises(AssertionError):
        finite(strict(raw))


def test_changed_samples_are_of_every_kind() -> None:
    """Changing a sample gives values of wrong types, names that stand twice, broken texts, and now and then what still
    reads; the same seed gives the same bytes."""
    sample = b'{"unit":"u1","zones":[{"zone":1,"to_pct":44.5},{"zone":2,"to_pct":40.0}]}'
    made = [of_seed((sample,), seed) for seed in range(3000)]
    assert made == [mutated_again(sample, seed) for seed in range(3000)]
    refused, read = 0, 0
    twice = any(raw.count(b'"unit":') > 1 for raw in made)
    for raw in made:
        try:
            parse_object(raw)
            read += 1
        except Refused:
            refused += 1
    assert twice
    assert min(refused, read) > 600
    assert all(any(value in raw for raw in made) for value in ODD)


def mutated_again(sample: bytes, seed: int) -> bytes:
    """The same by hand."""
    dice = random.Random(seed)
    return mutated(dice.choice((sample,)), dice)


@pytest.mark.parametrize(
    ("count", "ended", "seconds", "said"),
    [
        (Count(1000, 9.0, 100.0, 100.0 + MOST_GROWTH_MIB), 0, 0, "good"),
        (Count(1000, 9.0, 100.0, 100.1 + MOST_GROWTH_MIB), 0, 0, "GREW by 64 MiB"),
        (Count(1000, 9.0, 100.0, 100.0), 77, 0, "FAULT (ended with 77)"),
        (Count(999, 9.0, 100.0, 100.0), 0, 0, "FAULT (ended with 0)"),
        (Count(999, 9.0, 100.0, 100.0), 0, 9, "good, cut short"),
        (Count(), 0, 9, "FAULT (ended with 0)"),
    ],
)
def test_verdict_on_a_long_run(count: Count, ended: int, seconds: int, said: str) -> None:
    """A long run is good if it had all its inputs, ended well and grew by no more than the bound; less is told."""
    assert verdict(count, ended, argparse.Namespace(runs=1000, seconds=seconds)) == said
