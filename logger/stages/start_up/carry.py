"""The figures of a start-up as one finding: in the report a table, and for a later job what it is compared with."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.model.finding import Finding, Verdict, worded
from logger.model.plain import value_from
from logger.model.value import Value
from logger.stages.start_up.findings import LABEL
from logger.wording.numbers import difference, kelvin

KEY = "start_up.figures"
_NAME = {label: name for name, label in LABEL.items()}


def figures_finding(figures: Mapping[str, Value]) -> tuple[Finding, ...]:
    """figures: `StartUpResult.baseline`; none when nothing is known."""
    known = {name: value for name, value in figures.items() if value.number is not None and name in LABEL}
    if not known:
        return ()
    inputs = tuple((LABEL[name], value) for name, value in known.items())
    text = f"Means of the judged time: {', '.join(f'{label} {_said(value)}' for label, value in inputs)}."
    return (worded(KEY, Verdict.INFO, "figures", text, inputs=inputs),)


def figures_of(finding: Finding) -> dict[str, Value]:
    """The figures again, by live quantity name; a label that no version knows is left out."""
    return {_NAME[label]: value for label, value in finding.numbers() if label in _NAME}


def _said(value: Value) -> str:
    assert value.number is not None
    if value.unit == "K":
        return kelvin(value.number)
    if value.unit == "Pa":
        return difference(value.number)
    return f"{100 * value.number:.0f} %"


@dataclass(frozen=True, slots=True)
class Baseline:
    """Figures of the appliance's last start-up in an earlier job, and which it was."""

    figures: Mapping[str, Value]
    named: str

    @classmethod
    def from_keys(cls, keys: Mapping[str, Any]) -> "Baseline | None":
        """From the keys of JOB_OPENED; None when no earlier start-up is known."""
        baseline = keys.get("baseline")
        if baseline is None:
            return None
        figures = {name: value_from(data) for name, data in baseline["figures"].items()}
        return cls(figures, f"the start-up of job {baseline['job']} on {baseline['date']}")
