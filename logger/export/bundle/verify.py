"""Checks a bundle: its archive, its manifests, its signature, its chain, and everything made from the records.

Each check says in plain words what it found. What comes from the bundle is bounded before it is used, and made
harmless before it is reported.
"""

import logging
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import cast

from logger.evidence import sshsig, timestamp
from logger.evidence.bagit import PAYLOAD, SIGNATURE, TAG_MANIFEST, Bag, digest_of, payload_problems, tag_problems
from logger.evidence.chain import verify_chain
from logger.evidence.checkpoint import MAX_CHECKPOINTS_BYTES, Checkpoint, checkpoint_bytes, parse_checkpoints
from logger.evidence.errors import BundleError, EvidenceError, SignatureError, TimestampsUnavailable
from logger.evidence.keys import PublicKey, allowed_signers_line
from logger.evidence.record_lines import parse_records
from logger.evidence.safezip import SafeZip
from logger.export.bundle.across_versions import AGREEMENTS, findings_agreement, readings_agreement, rejudged_since
from logger.export.bundle.agree import Agreement, csv_agreement, json_agreement, lines_of
from logger.export.bundle.derived import FINDINGS, READINGS, REPORT, Derived
from logger.export.bundle.outcome import OPTIONAL, TITLES, Check, Outcome, VerifyReport
from logger.export.bundle.write import (
    ANALYSIS_INFO,
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
from logger.model.counted import Counted, uncounted
from logger.model.records import Record
from logger.model.text import clean
from logger.model.version import ANALYSIS
from logger.refrigerant import Refrigerant

log = logging.getLogger(__name__)

_MAX_MORE = 100_000  # bytes: how much longer a file may be before it is not even compared
_MAX_PROBLEMS = 5
_MAX_BLENDS = 8  # some seconds each


Trust = Callable[[PublicKey], str | None]
"""Whose key this is ("this computer", "pat@example.org"), None when it is not known."""


def verify_bundle(
    path: Path,
    replay: Replay,
    *,
    known: Trust = lambda key: None,
    must_be_known: bool = False,
    supersedes: Path | None = None,
    timestamp_roots: Path | None = None,
    counted: Counted = uncounted,
) -> VerifyReport:
    """Check the bundle at `path`. Raises FileNotFoundError and its kin only; all else stands in the report.

    replay: the same pure code as at the export. must_be_known: whether a key that is not `known` makes the check fail
    (else it is reported). supersedes: an older bundle of the job, which this one must go on from. timestamp_roots:
    certificates to check the time stamp beside it with, which must then be there.
    """
    verifier = _Verifier(path.name, replay, known, must_be_known, counted)
    with path.open("rb") as file:
        try:
            bag = Bag(SafeZip(file))
        except BundleError as exc:
            verifier.record("archive", Outcome.FAILS, str(exc))
            return verifier.report()
        verifier.record("archive", Outcome.HOLDS, f"{len(bag.names)} files, none with a name or size that is refused")
        verifier.check(bag)
    stamp = path.with_name(path.name + timestamp.SUFFIX)
    if timestamp_roots is not None or stamp.is_file():
        verifier.check_timestamp(path, stamp, timestamp_roots)
    if supersedes is not None:
        verifier.check_supersedes(supersedes)
    return verifier.report()


class _Verifier:
    def __init__(self, name: str, replay: Replay, known: Trust, must_be_known: bool, counted: Counted) -> None:
        self._name, self._replay, self._known, self._must = name, replay, known, must_be_known
        self._counted = counted
        self._checks: dict[str, Check] = {}
        self._key: PublicKey | None = None
        self._job_id = ""
        self._of_later = False
        self._digests: list[bytes] = []  # of the records, in order

    def report(self) -> VerifyReport:
        for key in TITLES:
            if key not in self._checks and key not in OPTIONAL:
                self.record(key, Outcome.NOT_CHECKED, "an earlier check must hold first")
        fingerprint = self._key.fingerprint if self._key is not None else None
        signer = self._known(self._key) if self._key is not None else None
        checks = tuple(self._checks[key] for key in TITLES if key in self._checks)
        return VerifyReport(clean(self._name), self._job_id, fingerprint, signer, checks, self._of_later)

    def record(self, key: str, outcome: Outcome, text: str) -> None:
        self._checks[key] = Check(key, TITLES[key], outcome, clean(text, 1000))

    def _record_problems(self, key: str, problems: list[str], well: str) -> None:
        more = f"; and {len(problems) - _MAX_PROBLEMS} more" if len(problems) > _MAX_PROBLEMS else ""
        text = "; ".join(problems[:_MAX_PROBLEMS]) + more if problems else well
        self.record(key, Outcome.FAILS if problems else Outcome.HOLDS, text)

    def check(self, bag: Bag) -> None:
        self._guarded("signature", lambda: self._signature(bag))
        self._guarded(
            "tags", lambda: self._record_problems("tags", tag_problems(bag), "as the tag manifest lists them")
        )
        payload = f"{sum(n.startswith(PAYLOAD) for n in bag.names)} files as the manifest lists them"
        self._guarded("payload", lambda: self._record_problems("payload", payload_problems(bag), payload))
        if PAYLOAD + RECORDS not in bag.names:
            self.record("chain", Outcome.FAILS, f"{PAYLOAD}{RECORDS} is missing")
            return
        story = Story()
        self._guarded("chain", lambda: self._chain(bag, story))
        if self._checks["chain"].outcome is Outcome.HOLDS:
            self._guarded("blends", lambda: self._blends(story))
            self._guarded("clocks", lambda: self._clocks(story))
            self._guarded("readings", lambda: self._follows(bag, story))

    def check_supersedes(self, older: Path) -> None:
        """Whether the records of the older bundle are the first ones of this one."""

        def compare() -> None:
            with older.open("rb") as file:
                bag = Bag(SafeZip(file))
                chain = verify_chain(self._records(bag))
            if chain.problem is not None:
                raise EvidenceError(f"the records of {clean(older.name, 80)} do not hold: {chain.problem}")
            if not 0 < chain.count < len(self._digests):
                raise EvidenceError("this bundle has no more records than that one: it does not go on from it")
            if self._digests[chain.count - 1] != chain.head:
                raise EvidenceError(f"record {chain.count} is not the last one of that bundle: another record")
            more = len(self._digests) - chain.count
            text = f"all {chain.count:,} records of {clean(older.name, 80)} are the first ones here, {more:,} follow"
            self.record("supersedes", Outcome.HOLDS, text)

        self._guarded("supersedes", compare)

    def check_timestamp(self, bundle: Path, stamp: Path, roots: Path | None) -> None:
        """Without roots it is only said what the stamp says of itself."""

        def compare() -> None:
            if not stamp.is_file():
                raise EvidenceError(f"there is no {clean(stamp.name, 80)} beside the bundle")
            with stamp.open("rb") as file:
                reply = file.read(timestamp.MAX_REPLY_BYTES + 1)
            data = bundle.read_bytes()
            try:
                found = timestamp.check(reply, data, roots) if roots else timestamp.read(reply, data)
            except TimestampsUnavailable as exc:
                self.record("timestamp", Outcome.FAILS if roots else Outcome.NOTED, f"not looked at: {exc}")
                return
            if roots is not None:
                self.record("timestamp", Outcome.HOLDS, str(found))
            else:
                text = f"{found}, by the stamp's own word: --timestamp-root checks it against the authority's root"
                self.record("timestamp", Outcome.NOTED, text)

        self._guarded("timestamp", compare)

    def _guarded(self, key: str, check: Callable[[], None]) -> None:
        """No bundle, however made, ends in a traceback."""
        try:
            check()
        except EvidenceError as exc:
            self.record(key, Outcome.FAILS, str(exc))
        except Exception as exc:
            log.exception("check %s of %s", key, self._name)
            self.record(key, Outcome.FAILS, f"it could not be computed ({type(exc).__name__}: {exc})")

    def _signature(self, bag: Bag) -> None:
        if SIGNATURE not in bag.names:
            raise SignatureError(f"{SIGNATURE} is missing: the bundle is not signed")
        text = bag.read(SIGNATURE).decode("ascii", "replace")
        key = self._key = sshsig.verify(text, bag.read(TAG_MANIFEST), sshsig.BUNDLE_NAMESPACE)
        self.record("signature", Outcome.HOLDS, f"made with the key {key.fingerprint}")
        stated = bag.read(SIGNERS).decode("utf-8", "replace") if SIGNERS in bag.names else ""
        if stated != allowed_signers_line(PRINCIPAL, sshsig.BUNDLE_NAMESPACE, key):
            self.record("signature", Outcome.FAILS, f"{SIGNERS} does not name the key that signed ({key.fingerprint})")
        whose = self._known(key)
        if whose is not None:
            self.record("key", Outcome.HOLDS, f"it is the key of {whose}")
        elif self._must:
            self.record("key", Outcome.FAILS, f"{key.fingerprint} is none of the keys that were asked for")
        else:
            self.record(
                "key",
                Outcome.NOT_CHECKED,
                f"{key.fingerprint} is not known here: compare it with the fingerprint you were given in another way. "
                "Anyone can sign with a key of their own",
            )

    def _records(self, bag: Bag) -> Iterator[Record]:
        size = bag.size(PAYLOAD + RECORDS)
        chunks = self._counted(bag.chunks(PAYLOAD + RECORDS), "Verifying", size, size=len, unit="bytes")
        return parse_records(chunks)

    def _digested(self, records: Iterator[Record]) -> Iterator[Record]:
        for record in records:
            self._digests.append(record.digest)
            yield record

    def _chain(self, bag: Bag, story: Story) -> None:
        name = PAYLOAD + CHECKPOINTS
        listed = parse_checkpoints(bag.read(name, MAX_CHECKPOINTS_BYTES)) if name in bag.names else None
        checkpoints = listed.checkpoints if listed is not None else ()
        chain = verify_chain(self._digested(story.passing(self._records(bag))), checkpoints)
        if chain.problem is not None:
            raise EvidenceError(chain.problem)
        self._job_id = clean(story.job.job_id, 80)
        self.record("chain", Outcome.HOLDS, f"{chain.count:,} records; the last one has digest {chain.head.hex()}")
        if listed is None:
            self.record("checkpoints", Outcome.NOT_CHECKED, "the bundle has none")
            return
        if self._key is None:
            self.record(
                "checkpoints", Outcome.NOT_CHECKED, "without a signature there is no key to compare theirs with"
            )
            return
        key, job_id = self._key, story.job.job_id
        problems = [p for c in checkpoints if (p := _checkpoint_problem(c, key, job_id)) is not None]
        agreement = f"{chain.checkpoints} agree with the chain and carry the signature of the same key"
        torn = list(listed.problems[:_MAX_PROBLEMS])  # a power cut can do that, the holder of the key too
        self._record_problems("checkpoints", problems, "; ".join([agreement, *torn, *chain.declared]))
        if torn and not problems:
            self.record("checkpoints", Outcome.NOTED, self._checks["checkpoints"].text)

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
        self._record_problems("blends", problems, f"{len(checks)} built again: the same" if checks else "it has none")
        for outcome, texts in ((Outcome.NOTED, notes), (Outcome.NOT_CHECKED, unchecked)):
            if texts and not problems:
                self.record("blends", outcome, "; ".join(texts[:_MAX_PROBLEMS]))

    def _clocks(self, story: Story) -> None:
        """A reading dated by a clock that jumped is no evidence; one dated by its arrival is."""
        doubted = story.doubted_clocks()
        if doubted:
            self._record_problems("clocks", list(doubted), "")
            self.record("clocks", Outcome.NOTED, self._checks["clocks"].text)
        else:
            self.record("clocks", Outcome.HOLDS, "none was doubted")

    def _follows(self, bag: Bag, story: Story) -> None:
        """What follows from the records, unless a later version changed what they mean."""
        if story.facts.unknown:
            self._of_later = True
            what = ", ".join(dict.fromkeys(clean(name, 40) for name in story.facts.unknown))
            for key in ("analysis", "readings", "findings", "events", "concluded", "report"):
                text = f"facts were corrected in a way that this version does not know ({what}); use a newer one"
                self.record(key, Outcome.NOT_CHECKED, text)
            return
        self._derived(bag, story)

    def _derived(self, bag: Bag, story: Story) -> None:
        version = analysis_of(bag)
        same = version == ANALYSIS
        if same:
            self.record("analysis", Outcome.HOLDS, f"version {version} of it")
        else:
            self.record("analysis", Outcome.NOTED, f"version {version} made them, here is {ANALYSIS}: wording is not "
                      "compared, and numbers within their uncertainty")  # fmt: skip
        derived = Derived(story, lambda: self._records(bag), self._replay)
        found = lines_of(bag.chunks(PAYLOAD + READINGS)) if PAYLOAD + READINGS in bag.names else iter(())
        readings = (csv_agreement if same else readings_agreement)(found, derived.readings())
        self._agreed("readings", {READINGS: readings})
        compared = {name: self._compare(bag, name, data, version) for name, data in derived.small().items()}
        self._agreed("findings", {FINDINGS: compared.pop(FINDINGS)})
        self._agreed("events", compared)
        noted = [*derived.conclusions(), *derived.not_known()]
        self.record("concluded", Outcome.NOTED if noted else Outcome.HOLDS, "; ".join(noted) or "the same verdicts")
        if not same:
            self.record("report", Outcome.NOT_CHECKED, f"it was made by version {version} of the analysis")
        elif readings.holds:
            self._guarded("report", lambda: self._report(bag, derived))
        else:
            self.record("report", Outcome.NOT_CHECKED, "the readings it shows do not follow from the records")

    def _compare(self, bag: Bag, name: str, made: bytes, version: int) -> Agreement:
        if PAYLOAD + name not in bag.names:
            return Agreement("it is missing")
        if (size := bag.size(PAYLOAD + name)) > 2 * len(made) + _MAX_MORE:  # not parsed: it cannot be the same
            return Agreement(f"it has {size:,} bytes; from the records it has {len(made):,}")
        found = bag.read(PAYLOAD + name, size)
        if version != ANALYSIS:
            if name == FINDINGS:
                return findings_agreement(found, made, rejudged_since(version))
            return AGREEMENTS[name](found, made)
        if name.endswith(".csv"):
            return csv_agreement(lines_of([found]), lines_of([made]))
        return json_agreement(found, made)

    def _agreed(self, key: str, compared: Mapping[str, Agreement]) -> None:
        problems = [f"{name}: {a.problem}" for name, a in compared.items() if a.problem is not None]
        rounded = sum(a.rounded for a in compared.values())
        well = "computed again from the records: the same"
        if rounded:
            well += f" but for the last figures of {rounded} numbers, as computers round differently"
        self._record_problems(key, problems, well)
        noted = [f"{name}: {text}" for name, a in compared.items() for text in a.noted]
        if noted and not problems:
            self._record_problems(key, noted, "")
            self.record(key, Outcome.NOTED, self._checks[key].text)

    def _report(self, bag: Bag, derived: Derived) -> None:
        if PAYLOAD + REPORT not in bag.names:
            self.record("report", Outcome.FAILS, f"{PAYLOAD}{REPORT} is missing")
            return
        info = bag.info()
        made_with = info.get(TYPESETTER_INFO, "")
        if self._key is None:
            self.record("report", Outcome.NOT_CHECKED, "without a signature the fingerprint it prints is not known")
            return
        if made_with != typesetter():
            text = f"it was set with {made_with[:120]!a}; here is {typesetter()}, which may give other bytes"
            self.record("report", Outcome.NOT_CHECKED, text)
            return
        paper = info.get(PAPER_INFO)
        if paper not in PAPER.values():
            raise EvidenceError(f"its paper is stated as {str(paper)[:40]!a}")
        digest = digest_of(bag.chunks(PAYLOAD + READINGS))
        csv = b"".join(bag.chunks(PAYLOAD + READINGS)) if digest.size <= ATTACHED_AT_MOST else None
        made = derived.report(digest, csv, self._key.fingerprint, cast(Paper, paper))
        if digest_of(bag.chunks(PAYLOAD + REPORT)) != digest_of([made]):
            raise EvidenceError(f"{REPORT} is not what the records give")
        self.record("report", Outcome.HOLDS, "set again from the records: the same, byte for byte")


def analysis_of(bag: Bag) -> int:
    """The version of the analysis that made the bundle's files. Raises EvidenceError when it is no number."""
    stated = bag.info().get(ANALYSIS_INFO, "1")  # those of 0.1.0 state none
    if not (stated.isascii() and stated.isdecimal() and 0 < len(stated) < 7):
        raise EvidenceError(f"the version of its analysis is stated as {stated[:40]!a}")
    return int(stated)


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
