"""Findings with sentences of their own, as version 0.1.0 stored them."""

from logger.model.finding import Finding, Text, Verdict
from logger.model.value import Argument


def worded(
    key: str,
    verdict: Verdict,
    headline: str,
    text: str,
    rule: str = "",
    decision_rule: str = "",
    inputs: tuple[Argument, ...] = (),
    causes: tuple[str, ...] = (),
    check_next: tuple[str, ...] = (),
) -> Finding:
    """A finding that no words file can put into words."""
    return Finding(key, verdict, inputs, Text(headline, text, rule, decision_rule, causes, check_next))
