"""Findings with sentences of their own, as version 0.1.0 stored them; what statements and findings rest on."""

from logger.model.finding import Finding, Text, Verdict
from logger.model.value import Argument, Statement, Value


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


def values_of(one: Statement | Finding) -> set[str | float | None]:
    """Of its inputs: numbers in SI, codes, names."""
    return {value.number if isinstance(value, Value) else value for value in (given.value for given in one.inputs)}
