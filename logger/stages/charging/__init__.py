"""Charging by weight."""
