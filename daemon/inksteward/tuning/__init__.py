"""Settings of the control law searched over simulated presses: sheets until in tolerance against moves of keys."""
