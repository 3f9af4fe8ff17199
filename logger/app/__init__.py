"""Wiring only: the daemon that joins links, engine, store, API and annunciation in one loop."""


class AppError(Exception):
    """The daemon cannot start or go on; the message says why and what to do."""
