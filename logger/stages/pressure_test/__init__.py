"""Pressure test with nitrogen."""
