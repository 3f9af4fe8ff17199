"""Readings and events as CSV."""
