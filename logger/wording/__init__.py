"""Figures and units in sentences."""
