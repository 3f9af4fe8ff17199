"""Errors of the computations: all under one root, which is also a ValueError.

An analysis that meets bad or missing readings does not raise: it answers "unknown, because". Raised are settings
that make no sense (a profile, a volume below zero) and states outside an equation's range.
"""


class ComputeError(ValueError):
    """Root. The message says what, where and what would fit."""
