"""The ``[climate]`` table of a scenario: how the press changes by itself as it warms, wets and empties.

Every effect is off by default; what belongs to an effect that is off is not used. All sizes and time scales are
common practice, no source.
"""

from typing import Annotated, Self

from pydantic import Field, model_validator

from inksteward_simulators.link_messages import Message

Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]


class Climate(Message):
    """Warmth, dampening, speed and fountain of all units alike. The equations stand where they are used."""

    rise_k: Annotated[float, Field(ge=0.0, le=60.0)] = 0.0
    """How far rollers that run at the scenario's speed become warmer than the room. 0: standing does not cool them."""
    cold_start_k: Annotated[float, Field(ge=-60.0, le=60.0)] = 0.0
    """How far below their running temperature the rollers begin; at most `rise_k`, that is as cold as the room.

    Negative: they begin too warm.
    """
    warm_lag_s: Positive = 900.0
    feed_ln_per_k: float = 0.012
    """ln film fed per K: warm ink is thinner. 10 K are 0.05 D at a density of 1.4."""

    speed_ln: float = 0.0
    """ln film fed per ln of the press speed over the scenario's: what the fountain drive does not make good."""

    water_lag_sheets: Positive = 15.0
    water_ln_per_share: NotNegative = 0.70
    """ln film that a share 1 of water too much takes off the paper, at a zone weight of 1."""
    emulsion_share: Annotated[float, Field(ge=0.0, le=0.6)] = 0.0
    """Water in the ink at its balance; usual is 0.15 to 0.25. 0: ink takes up no water."""
    emulsion_lag_sheets: Positive = 110.0
    emulsion_per_water: NotNegative = 1.0
    """How far the balance moves with the water on the plate, as a share per share."""
    pigment_ln_per_share: NotNegative = 0.60
    """ln film of pigment that a share 1 of water in the ink takes away, at a zone weight of 1."""
    toning_below: Annotated[float, Field(ge=0.0, le=1.0)] = 0.12
    """Plates begin to tone when their water falls short by more than this share."""
    toning_d_per_share: NotNegative = 0.5

    fountain_ml: Positive | None = None
    """Ink in a full fountain, even over its zones. None: it never becomes less."""
    fountain_start: Annotated[float, Field(gt=0.0, le=1.0)] = 1.0
    """Share of full at the first sheet."""
    fountain_low: Annotated[float, Field(gt=0.0, lt=1.0)] = 0.20
    """The low mark as a share of full: below it the blade is not fed in full."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.cold_start_k > self.rise_k:
            raise ValueError(
                f"cold_start_k = {self.cold_start_k:g}: expected at most rise_k = {self.rise_k:g}"
            )
        if not self.emulsion_lag_sheets >= 1.5 * self.water_lag_sheets:
            raise ValueError(
                f"emulsion_lag_sheets = {self.emulsion_lag_sheets:g}: "
                f"expected at least 1.5 water_lag_sheets = {1.5 * self.water_lag_sheets:g}"
            )
        return self
