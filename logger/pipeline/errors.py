"""Errors of the pipeline."""

from logger.model.errors import Refusal
from logger.model.value import Argument, Statement

ASKED_BACK = ("stage.same_runs", "stage.not_done")
"""Refusals that are a question: with "anyway" it is done."""


class NotNow(Refusal):
    """The act makes no sense now, or is not allowed. Its words: logger/pipeline/words.py."""


def not_now(key: str, *inputs: Argument) -> NotNow:
    return NotNow(Statement(key, inputs))
