"""One bundle a release is kept, and every later version verifies it (tests/fixtures/kept)."""

from pathlib import Path

import pytest

from logger.evidence.bagit import Bag
from logger.evidence.safezip import SafeZip
from logger.export.bundle.outcome import Outcome, Result
from logger.export.bundle.verify import analysis_of, verify_bundle
from logger.export.replayed import replay_job
from logger.model.version import ANALYSIS
from tests.export.test_verify import anyone, outcomes
from tests.unchanged import KEPT

BUNDLES = sorted(KEPT.glob("*/*.zip"))


def version_of(path: Path) -> int:
    with path.open("rb") as file:
        return analysis_of(Bag(SafeZip(file)))


def test_the_first_release_is_kept() -> None:
    assert {path.parent.name for path in BUNDLES} >= {"0.1.0"}
    assert version_of(KEPT / "0.1.0" / "brewery.zip") == 1


@pytest.mark.parametrize("path", BUNDLES, ids=lambda path: path.parent.name)
def test_it_is_verified(path: Path) -> None:
    """Where this fails because a sentence, a number or a file is made otherwise now: count ANALYSIS up."""
    report = verify_bundle(path, replay_job, known=anyone)
    assert report.result is not Result.FAILS, report.checks
    assert {check.key for check in report.unchecked} <= {"report"}  # set by another version of the typesetter
    found = outcomes(report)
    same = version_of(path) == ANALYSIS
    assert found["readings"] is Outcome.HOLDS
    for what in ("findings", "concluded"):  # of another version they may differ, and that is said
        assert found[what] in ({Outcome.HOLDS} if same else {Outcome.HOLDS, Outcome.NOTED})
    assert found["analysis"] is (Outcome.HOLDS if same else Outcome.NOTED)
