"""Checks a bundle: its archive, its manifests, its signature, its chain, and everything made from the records.

Each check says in plain words what it found. What comes from the bundle is bounded before it is used, and made
harmless before it is told.
"""

import logging
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, cast

from logger.evidence import sshsig
from logger.evidence.bagit import (
    PAYLOAD,
    SIGNATURE,
    TAG_MANIFEST,
    Bag,
    digest_of,
    payload_problems,
    tag_problems,
)
from logger.evidence.chain import verify_chain
from logger.evidence.checkpoint import Checkpoint, checkpoint_bytes, parse_checkpoints
from logger.evidence.errors import BundleError, EvidenceError, SignatureError
from logger.evidence.keys import PublicKey, allowed_signers_line
from logger.evidence.record_lines import parse_records
from logger.evidence.safezip import SafeZip
from logger.export.bundle.agree import Agreement, csv_agreement, json_agreement, lines_of
from logger.export.bundle.derived import READINGS, REPORT, Derived
from logger.export.bundle.write import (
    CHECKPOINTS,
    PAPER_INFO,
    PRINCIPAL,
    RECORDS,
    SIGNERS,
    TYPESETTER_INFO,
)
from logger.export.report.report_data import Replay
from logger.export.report.typeset import ATTACHED_AT_MOST, PAPER, Paper, typesetter
from logger.export.story import Story
from logger.model.records import Record
from logger.model.text import clean
from logger.refrigerant import Refrigerant

log = logging.getLogger(__name__)

_MAX_SMALL = 100_000_000
_MAX_PROBLEMS = 5
_MAX_BLENDS = 8  # some seconds each


class Outcome(StrEnum):
    HOLDS = "holds"
    NOTED = "noted"  # to be known; nothing is wrong with the bundle
    FAILS = "does not hold"
    NOT_CHECKED = "not checked"


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

    A key that is not on any list leaves "key" unchecked; the bundle can hold all the same, since it claims no name.
    """

    bundle: str
    job_id: str
    fingerprint: str | None
    signer: str | None
    checks: tuple[Check, ...]

    @property
    def holds(self) -> bool:
        """Nothing fails, and nothing that every bundle must have was left out."""
        outcomes = {check.key: check.outcome for check in self.checks}
        return Outcome.FAILS not in outcomes.values() and all(outcomes.get(key) is Outcome.HOLDS for key in REQUIRED)

    @property
    def exit_status(self) -> int:
        """For the command line: 0 only when all holds."""
        return 0 if self.holds else 1

    def to_dict(self) -> dict[str, Any]:
        return {
            "bundle": self.bundle,
            "holds": self.holds,
            "job_id": self.job_id,
            "fingerprint": self.fingerprint,
            "signer": self.signer,
            "checks": [
                {"key": c.key, "title": c.title, "outcome": c.outcome.value, "text": c.text} for c in self.checks
            ],
        }


_TITLES = {
    "archive": "The archive can be read safely",
    "signature": "The signature fits the list of files",
    "key": "The signing key is known",
    "tags": "The describing files are unchanged",
    "payload": "The data files are unchanged",
    "chain": "The records form one unbroken chain",
    "checkpoints": "The checkpoints made during the job agree",
    "blends": "The job's own blends are what their compositions give",
    "readings": "Readings follow from the raw records",
    "events": "Events, job and descriptions follow from the records",
    "findings": "Findings follow from the raw records",
    "concluded": "What was shown at the end of a stage is what all records give",
    "report": "The report follows from the raw records",
}
REQUIRED = ("archive", "signature", "tags", "payload", "chain", "readings", "events", "findings")

Trust = Callable[[PublicKey], str | None]
"""Whose key this is ("this computer", "pat@example.org"), None when it is not known."""


def verify_bundle(
    path: Path, replay: Replay, *, known: Trust = lambda key: None, must_be_known: bool = False
) -> VerifyReport:
    """Check the bundle at `path`. Raises FileNotFoundError and its kin only; all else is told in the report.

    replay: the same pure code as at the export. must_be_known: whether a key that is not `known` makes the check fail
    (else it is told).
    """
    verifier = _Verifier(path.name, replay, known, must_be_known)
    with path.open("rb") as file:
        try:
            bag = Bag(SafeZip(file))
        except BundleError as exc:
            verifier.told("archive", Outcome.FAILS, str(exc))
            return verifier.report()
        verifier.told("archive", Outcome.HOLDS, f"{len(bag.names)} files, none with a name or size that is refused")
        verifier.check(bag)
    return verifier.report()


class _Verifier:
    def __init__(self, name: str, replay: Replay, known: Trust, must_be_known: bool) -> None:
        self._name, self._replay, self._known, self._must = name, replay, known, must_be_known
        self._checks: dict[str, Check] = {}
        self._key: PublicKey | None = None
        self._job_id = ""

    def report(self) -> VerifyReport:
        for key in _TITLES:
            if key not in self._checks:
                self.told(key, Outcome.NOT_CHECKED, "an earlier check must hold first")
        fingerprint = self._key.fingerprint if self._key is not None else None
        signer = self._known(self._key) if self._key is not None else None
        checks = tuple(self._checks[key] for key in _TITLES)
        return VerifyReport(clean(self._name), self._job_id, fingerprint, signer, checks)

    def told(self, key: str, outcome: Outcome, text: str) -> None:
        self._checks[key] = Check(key, _TITLES[key], outcome, clean(text, 1000))

    def _told_problems(self, key: str, problems: list[str], well: str) -> None:
        more = f"; and {len(problems) - _MAX_PROBLEMS} more" if len(problems) > _MAX_PROBLEMS else ""
        text = "; ".join(problems[:_MAX_PROBLEMS]) + more if problems else well
        self.told(key, Outcome.FAILS if problems else Outcome.HOLDS, text)

    def check(self, bag: Bag) -> None:
        self._guarded("signature", lambda: self._signature(bag))
        self._guarded("tags", lambda: self._told_problems("tags", tag_problems(bag), "as the tag manifest lists them"))
        payload = f"{sum(n.startswith(PAYLOAD) for n in bag.names)} files as the manifest lists them"
        self._guarded("payload", lambda: self._told_problems("payload", payload_problems(bag), payload))
        if PAYLOAD + RECORDS not in bag.names:
            self.told("chain", Outcome.FAILS, f"{PAYLOAD}{RECORDS} is missing")
            return
        story = Story()
        self._guarded("chain", lambda: self._chain(bag, story))
        if self._checks["chain"].outcome is Outcome.HOLDS:
            self._guarded("blends", lambda: self._blends(story))
            self._guarded("readings", lambda: self._derived(bag, story))

    def _guarded(self, key: str, check: Callable[[], None]) -> None:
        """No bundle, however made, ends in a traceback."""
        try:
            check()
        except EvidenceError as exc:
            self.told(key, Outcome.FAILS, str(exc))
        except Exception as exc:
            log.exception("check %s of %s", key, self._name)
            self.told(key, Outcome.FAILS, f"it could not be computed ({type(exc).__name__}: {exc})")

    def _signature(self, bag: Bag) -> None:
        if SIGNATURE not in bag.names:
            raise SignatureError(f"{SIGNATURE} is missing: the bundle is not signed")
        text = bag.read(SIGNATURE).decode("ascii", "replace")
        key = self._key = sshsig.verify(text, bag.read(TAG_MANIFEST), sshsig.BUNDLE_NAMESPACE)
        self.told("signature", Outcome.HOLDS, f"made with the key {key.fingerprint}")
        stated = bag.read(SIGNERS).decode("utf-8", "replace") if SIGNERS in bag.names else ""
        if stated != allowed_signers_line(PRINCIPAL, sshsig.BUNDLE_NAMESPACE, key):
            self.told("signature", Outcome.FAILS, f"{SIGNERS} does not name the key that signed ({key.fingerprint})")
        whose = self._known(key)
        if whose is not None:
            self.told("key", Outcome.HOLDS, f"it is the key of {whose}")
        elif self._must:
            self.told("key", Outcome.FAILS, f"{key.fingerprint} is none of the keys that were asked for")
        else:
            self.told(
                "key",
                Outcome.NOT_CHECKED,
                f"{key.fingerprint} is not known here: compare it with the fingerprint you were given in another way. "
                "Anyone can sign with a key of their own",
            )

    def _records(self, bag: Bag) -> Iterator[Record]:
        return parse_records(bag.chunks(PAYLOAD + RECORDS))

    def _chain(self, bag: Bag, story: Story) -> None:
        name = PAYLOAD + CHECKPOINTS
        listed = parse_checkpoints(bag.read(name, _MAX_SMALL)) if name in bag.names else None
        checkpoints = listed.checkpoints if listed is not None else ()
        chain = verify_chain(story.passing(self._records(bag)), checkpoints)
        if chain.problem is not None:
            raise EvidenceError(chain.problem)
        self._job_id = clean(story.job.job_id, 80)
        self.told("chain", Outcome.HOLDS, f"{chain.count:,} records; the last one has digest {chain.head.hex()}")
        if listed is None:
            self.told("checkpoints", Outcome.NOT_CHECKED, "the bundle has none")
            return
        if self._key is None:
            self.told("checkpoints", Outcome.NOT_CHECKED, "without a signature there is no key to compare theirs with")
            return
        key, job_id = self._key, story.job.job_id
        problems = [p for c in checkpoints if (p := _checkpoint_problem(c, key, job_id)) is not None]
        told = f"{chain.checkpoints} agree with the chain and carry the signature of the same key"
        torn = list(listed.problems[:_MAX_PROBLEMS])  # a power cut can do that, the holder of the key too
        self._told_problems("checkpoints", problems, "; ".join([told, *torn, *chain.declared]))
        if torn and not problems:
            self.told("checkpoints", Outcome.NOTED, self._checks["checkpoints"].text)

    def _blends(self, story: Story) -> None:
        """The record holds their curves, so that all can be computed anywhere; a wrong curve hides a wrong limit."""
        from logger.refrigerant.blend_check import check_blend  # CoolProp: only where there is a blend

        brought = (getattr(event, "blends", None) or () for _, event in story.events)
        records = [record for blends in brought for record in blends]
        checks = [check_blend(Refrigerant.from_record(record)) for record in records[:_MAX_BLENDS]]
        problems = [c.problem for c in checks if c.problem is not None]
        unchecked = [c.unchecked for c in checks if c.unchecked is not None]
        if len(records) > _MAX_BLENDS:
            unchecked.append(f"{len(records) - _MAX_BLENDS} more than the {_MAX_BLENDS} that are checked")
        notes = [c.note for c in checks if c.note is not None]
        self._told_problems("blends", problems, f"{len(checks)} built anew: the same" if checks else "it has none")
        for outcome, texts in ((Outcome.NOTED, notes), (Outcome.NOT_CHECKED, unchecked)):
            if texts and not problems:
                self.told("blends", outcome, "; ".join(texts[:_MAX_PROBLEMS]))

    def _derived(self, bag: Bag, story: Story) -> None:
        derived = Derived(story, lambda: self._records(bag), self._replay)
        found = lines_of(bag.chunks(PAYLOAD + READINGS)) if PAYLOAD + READINGS in bag.names else iter(())
        readings = csv_agreement(found, derived.readings())
        self._agreed("readings", {READINGS: readings})
        made = derived.small()
        compared = {name: self._compare(bag, name, data) for name, data in made.items()}
        self._agreed("findings", {"findings.json": compared.pop("findings.json")})
        self._agreed("events", compared)
        differing = derived.conclusions()
        text = "; ".join(differing) + " (readings that came late can do that)" if differing else "the same verdicts"
        self.told("concluded", Outcome.NOTED if differing else Outcome.HOLDS, text)
        if readings.holds:
            self._guarded("report", lambda: self._report(bag, derived))
        else:
            self.told("report", Outcome.NOT_CHECKED, "the readings it shows do not follow from the records")

    def _compare(self, bag: Bag, name: str, made: bytes) -> Agreement:
        if PAYLOAD + name not in bag.names:
            return Agreement("it is missing")
        found = bag.read(PAYLOAD + name, _MAX_SMALL)
        if name.endswith(".csv"):
            return csv_agreement(lines_of([found]), lines_of([made]))
        return json_agreement(found, made)

    def _agreed(self, key: str, compared: Mapping[str, Agreement]) -> None:
        problems = [f"{name}: {a.problem}" for name, a in compared.items() if a.problem is not None]
        rounded = sum(a.rounded for a in compared.values())
        well = "computed anew from the records: the same"
        if rounded:
            well += f" but for the last figures of {rounded} numbers, as computers round differently"
        self._told_problems(key, problems, well)

    def _report(self, bag: Bag, derived: Derived) -> None:
        if PAYLOAD + REPORT not in bag.names:
            self.told("report", Outcome.FAILS, f"{PAYLOAD}{REPORT} is missing")
            return
        info = bag.info()
        made_with = info.get(TYPESETTER_INFO, "")
        if self._key is None:
            self.told("report", Outcome.NOT_CHECKED, "without a signature the fingerprint it prints is not known")
            return
        if made_with != typesetter():
            text = f"it was set with {made_with[:120]!a}; here is {typesetter()}, which may give other bytes"
            self.told("report", Outcome.NOT_CHECKED, text)
            return
        paper = info.get(PAPER_INFO)
        if paper not in PAPER.values():
            raise EvidenceError(f"its paper is stated as {str(paper)[:40]!a}")
        digest = digest_of(bag.chunks(PAYLOAD + READINGS))
        csv = b"".join(bag.chunks(PAYLOAD + READINGS)) if digest.size <= ATTACHED_AT_MOST else None
        made = derived.report(digest, csv, self._key.fingerprint, cast(Paper, paper))
        if digest_of(bag.chunks(PAYLOAD + REPORT)) != digest_of([made]):
            raise EvidenceError(f"{REPORT} is not what the records give")
        self.told("report", Outcome.HOLDS, "set anew from the records: the same, byte for byte")


def _checkpoint_problem(checkpoint: Checkpoint, key: PublicKey, job_id: str) -> str | None:
    where = f"checkpoint at record {checkpoint.last_id}"
    if checkpoint.job_id != job_id:
        return f"{where} is of another job"
    if not checkpoint.signature:
        return f"{where} is not signed"
    try:
        signer = sshsig.verify(checkpoint.signature, checkpoint_bytes(checkpoint), sshsig.CHECKPOINT_NAMESPACE)
    except SignatureError as exc:
        return f"{where}: {exc}"
    return None if signer == key else f"{where} was signed with another key, {signer.fingerprint}"
