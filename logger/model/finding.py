"""What an analysis concludes, with its inputs, its rule and its uncertainty."""

from dataclasses import dataclass
from enum import StrEnum

from logger.model.value import Value


class Verdict(StrEnum):
    """HELD/REACHED style verdicts of a rule. CANNOT_TELL is never a pass."""

    PASS = "pass"
    FAIL = "fail"
    CANNOT_TELL = "cannot tell"
    INFO = "info"  # a statement, no rule decided anything
    ATTENTION = "attention"  # something to check; no limit was set


@dataclass(frozen=True, slots=True)
class Finding:
    """key: stable machine name ("recovery.stall"). text: plain words for the mechanic, one or two sentences.

    headline: the verdict in words ("held", "did not hold", "cannot tell") or a few words.
    rule: what decided, with its source. decision_rule: how uncertainty was treated (ISO/IEC 17025 7.8.6).
    inputs: (label, Value) pairs behind it. causes: likely causes the data supports, best first.
    check_next: what to look at. t_ns: when it was concluded, UTC.
    """

    key: str
    verdict: Verdict
    headline: str
    text: str
    rule: str = ""
    decision_rule: str = ""
    inputs: tuple[tuple[str, Value], ...] = ()
    causes: tuple[str, ...] = ()
    check_next: tuple[str, ...] = ()
    t_ns: int | None = None


def line_of(headline: str, text: str) -> str:
    """ "headline: text", or the text alone where it begins with its headline: not "cannot tell: Cannot tell: ..."."""
    return text if text.casefold().startswith(headline.casefold()) else f"{headline}: {text}"
