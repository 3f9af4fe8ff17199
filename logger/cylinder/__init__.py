"""Cylinders: filling limits, checks, what is in them."""
