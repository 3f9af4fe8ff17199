"""Bluetooth LE."""
