"""Fits, means and intervals that know nothing of refrigeration."""
