"""Lumped physics of a refrigeration service job: SI units, one fixed time step, mass and energy accounted for."""
