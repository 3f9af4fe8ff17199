"""Errors of the pipeline."""


class NotNow(Exception):
    """The act makes no sense now, or is not allowed. The message says why and what to do."""
