"""The scale: what is on it, what flows, what has moved."""
