"""What `verify` found: check by check, and in all."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

TITLES = {
    "archive": "The archive can be read safely",
    "signature": "The signature fits the list of files",
    "key": "The signing key is known",
    "tags": "The describing files are unchanged",
    "payload": "The data files are unchanged",
    "chain": "The records form one unbroken chain",
    "checkpoints": "The checkpoints made during the job agree",
    "analysis": "The analysis that made the files is the one used here",
    "blends": "The job's own blends are what their compositions give",
    "clocks": "The devices' clocks agree with the times of arrival",
    "readings": "Readings follow from the raw records",
    "events": "Events, job and descriptions follow from the records",
    "findings": "Findings follow from the raw records",
    "concluded": "What was shown at the end of a stage is what all records give",
    "report": "The report follows from the raw records",
    "timestamp": "A time stamp authority saw the bundle",
    "supersedes": "It supersedes the older bundle: the same records, and more",
}
OPTIONAL = frozenset({"timestamp", "supersedes"})  # only asked where there is something to look at
# What every bundle has: one of these left unchecked is a fault.
REQUIRED = frozenset({"archive", "signature", "tags", "payload", "chain", "readings", "events", "findings"})


class Outcome(StrEnum):
    HOLDS = "holds"
    NOTED = "noted"  # to be known; nothing is wrong with the bundle
    FAILS = "does not hold"
    NOT_CHECKED = "not checked"


class Result(StrEnum):
    """Of all checks together."""

    HOLDS = "holds"
    HOLDS_BUT = "holds, but"  # nothing fails, but something was not checked: the key, the report, the checkpoints ...
    FAILS = "does not hold"


EXIT_STATUS = {Result.HOLDS: 0, Result.FAILS: 1, Result.HOLDS_BUT: 3}  # 2 is a wrong command line


@dataclass(frozen=True, slots=True)
class Check:
    """key: stable machine name. title: what is checked. text: what was found, plain words."""

    key: str
    title: str
    outcome: Outcome
    text: str


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """fingerprint: of the key whose signature holds, None without one. signer: who that is by the caller's list.

    of_later: a later version has corrected facts in a way not known here, so that what follows is not accused.
    """

    bundle: str
    job_id: str
    fingerprint: str | None
    signer: str | None
    checks: tuple[Check, ...]
    of_later: bool = False

    @property
    def result(self) -> Result:
        failing = any(check.outcome is Outcome.FAILS for check in self.checks)
        if failing or (not self.of_later and any(check.key in REQUIRED for check in self.unchecked)):
            return Result.FAILS
        return Result.HOLDS_BUT if self.unchecked else Result.HOLDS

    @property
    def unchecked(self) -> tuple[Check, ...]:
        return tuple(check for check in self.checks if check.outcome is Outcome.NOT_CHECKED)

    @property
    def holds(self) -> bool:
        """Everything was checked, and nothing fails."""
        return self.result is Result.HOLDS

    @property
    def exit_status(self) -> int:
        """For the command line: 0 only when everything was checked and holds."""
        return EXIT_STATUS[self.result]

    def to_dict(self) -> dict[str, Any]:
        return {
            "bundle": self.bundle,
            "result": self.result.value,
            "holds": self.holds,
            "job_id": self.job_id,
            "fingerprint": self.fingerprint,
            "signer": self.signer,
            "checks": [
                {"key": c.key, "title": c.title, "outcome": c.outcome.value, "text": c.text} for c in self.checks
            ],
        }
