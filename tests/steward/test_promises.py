"""Whatever comes in whatever order: every proposal ends exactly once, and nothing moves without a decision."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.steward.shop import Shop

QUIET = [HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large]


def test_promises_hold_in_a_slice_of_shop_life() -> None:
    """Exactly one outcome for each proposal that does not stand, one command for each approval and none else, the
    retained proposal is the standing one, nothing can be approved on hold, and the state can always be stored."""
    run_state_machine_as_test(
        Shop, settings=settings(max_examples=40, stateful_step_count=40, suppress_health_check=QUIET)
    )


@pytest.mark.soak
@pytest.mark.timeout(7200)
def test_promises_hold_in_much_of_shop_life() -> None:
    """The same over thousands of lives of a hundred steps."""
    run_state_machine_as_test(
        Shop, settings=settings(max_examples=3000, stateful_step_count=100, suppress_health_check=QUIET)
    )
