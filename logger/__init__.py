"""Rimelog: logger and monitor for refrigeration service work."""

__version__ = "0.1.0"
