"""Errors of computations and of what records say; both are also a ValueError.

ValueError
|-- ComputeError   settings that make no sense (a profile, a volume below zero), a state outside an equation's range
`-- EventError     an event, or a part of one, is not as its type says

An analysis that meets bad or missing readings does not raise: it answers "unknown, because".
"""


class ComputeError(ValueError):
    """Root. The message says what, where and what would fit."""


class EventError(ValueError):
    """An event, or a part of one, is not as its type says: which key, and what is wrong with it."""
