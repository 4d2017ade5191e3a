"""The control law: film model, estimator, PI per zone, limits, proposal. Pure functions of values."""
