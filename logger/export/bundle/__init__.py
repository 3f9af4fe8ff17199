"""The evidence bundle: written and verified."""
