"""Commands for evidence: writing a bundle, checking one."""

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.cli.completing import job_ids

if TYPE_CHECKING:
    from logger.store.reader import StoreReader


@click.command()
@click.argument("job", shell_complete=job_ids)
@click.option("--out", "out_dir", type=click.Path(file_okay=False, path_type=Path), default=".", show_default=True,
              help="Folder to write into.")  # fmt: skip
@click.option("--paper", type=click.Choice(["us-letter", "a4"]), help="Of the report; by the job's units if not given.")
@click.option("--customer", is_flag=True, help="Also the report's first page alone, a form to sign.")
@click.option("--csv", "csv_file", type=click.Path(dir_okay=False, path_type=Path),
              help="Instead write a table for a spreadsheet: local time, one row a second.")  # fmt: skip
@click.option("--units", type=click.Choice(["us", "si"]), help="Of the table; by default those of the job.")
@click.option("--as-closed", type=click.IntRange(min=1), metavar="N",
              help="As the job was when it was closed the Nth time, before it was amended.")  # fmt: skip
def export(
    job: str, out_dir: Path, paper: str | None, customer: bool, csv_file: Path | None, units: str | None,
    as_closed: int | None,
) -> None:  # fmt: skip
    """Write the evidence bundle of JOB and its report, or with --csv a table for a spreadsheet.

    JOB: a job id, the end of one, "latest", or a path. A running job is written as far as it has got. The bundle is
    signed with a key of your own, made on first use.
    """
    from logger.cli.progress import counted
    from logger.evidence.checkpoint import checkpoint_line
    from logger.export.bundle.trusted_keys import signing_key
    from logger.export.bundle.write import export_bundle
    from logger.export.replayed import replay_job
    from logger.store.errors import StoreTailLost
    from logger.store.place import anchors_dir, data_dir, find_job
    from logger.store.reader import StoreReader

    place = find_job(job)
    if csv_file is not None:
        _trade_csv(place.file, csv_file, units)
        return
    if units is not None:
        raise click.UsageError("--units is of the table: name it with --csv. The report has the job's: `rimelog units`")
    with StoreReader(place.file, anchors_dir()) as reader:
        if (not_seen := reader.unseen()) is not None:
            raise StoreTailLost(
                f"nothing was signed: {not_seen}; they may have been rewritten. Ask `rimelog doctor`; "
                "`rimelog close --without-checkpoints` writes that into the record and closes the job"
            )
        last_id = reader.last_id if as_closed is None else closed_at(reader, as_closed)
        seen = (one for one in reader.checkpoints().checkpoints if one.last_id <= last_id)
        checkpoints = b"".join(map(checkpoint_line, seen))
        done = export_bundle(
            lambda: counted(reader.records(until_id=last_id), "Exporting", last_id),
            replay_job,
            signing_key(data_dir()),
            out_dir,
            checkpoints=checkpoints,
            paper="a4" if paper == "a4" else "us-letter" if paper else None,
            customer=customer,
        )
    click.echo(f"bundle  {done.bundle}")
    click.echo(f"report  {done.report}")
    if done.customer is not None:
        click.echo(f"form    {done.customer}")
    click.echo(f"signed with {done.fingerprint}; give this fingerprint to the customer in another way than the bundle")


def _trade_csv(file: Path, out: Path, units: str | None) -> None:
    from logger.cli.progress import counted
    from logger.evidence.chain import event_of
    from logger.export.csv.trade import trade_csv
    from logger.model.events import JobOpened, SettingChanged
    from logger.model.records import EVENT
    from logger.store.reader import StoreReader

    with StoreReader(file) as reader:
        records = list(counted(reader.records(), "Reading", reader.last_id))
    if units is None:
        units = "us"
        for record in records:
            event = event_of(record) if record.kind == EVENT else None
            if isinstance(event, JobOpened):
                units = event.job.units
            elif isinstance(event, SettingChanged) and event.key == "units":
                units = str(event.value)
    rows = 0
    with out.open("w", encoding="utf-8", newline="") as written:
        for line in trade_csv(records, units):
            written.write(line)
            rows += 1
    click.echo(f"table   {out.resolve()}  ({rows - 1:,} rows, one a second)")


def closed_at(reader: "StoreReader", nth: int) -> int:
    """How many records the job had when it was closed the nth time. Raises click.UsageError."""
    from logger.model.events import JobAmended

    counts = [event.prior_count for _, event in reader.events() if isinstance(event, JobAmended)]
    if nth > len(counts):
        raise click.UsageError(f"this job was amended {len(counts)} times: --as-closed is 1 to {len(counts)}")
    return counts[nth - 1]


@click.command()
@click.argument("bundle", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output.")
@click.option("--signers", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="Allowed-signers file (ssh-keygen): only its keys pass.")  # fmt: skip
@click.option("--fingerprint", help="Fingerprint you were given (SHA256:...): only that key passes.")
@click.option("--supersedes", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="OLD",
              help="An older bundle of the job: does this one continue just that record?")  # fmt: skip
@click.option("--timestamp-root", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="FILE",
              help="Root certificates (PEM): the time stamp beside BUNDLE must lead to one.")  # fmt: skip
@click.pass_context
def verify(
    ctx: click.Context, bundle: Path, as_json: bool, signers: Path | None, fingerprint: str | None,
    supersedes: Path | None, timestamp_root: Path | None,
) -> None:  # fmt: skip
    """Check an evidence BUNDLE: archive, signature, hashes, chain, and all that follows from the raw records.

    Exit status 0 only if everything was checked and holds, 1 if something does not hold, 3 if what was checked holds
    but something was not: the key when it is not known here (give the fingerprint you were given with --fingerprint),
    checkpoints when there are none, the report when another version set it.
    """
    from logger.cli.progress import counting
    from logger.evidence.keys import PublicKey, signers_of
    from logger.evidence.sshsig import BUNDLE_NAMESPACE
    from logger.export.bundle.outcome import Outcome, Result
    from logger.export.bundle.trusted_keys import own_public_key
    from logger.export.bundle.verify import verify_bundle
    from logger.export.replayed import replay_job
    from logger.store.place import data_dir

    listed = signers_of(signers.read_text("utf-8", "replace"), BUNDLE_NAMESPACE) if signers else {}
    asked = signers is not None or fingerprint is not None
    own = None if asked else own_public_key(data_dir())

    def known(key: PublicKey) -> str | None:
        if fingerprint is not None and key.fingerprint != fingerprint.strip():
            return None
        if signers is not None:
            return listed.get(key)
        if fingerprint is not None:
            return "the fingerprint you gave"
        return "this computer's user" if key == own else None

    report = verify_bundle(
        bundle, replay_job, known=known, must_be_known=asked, supersedes=supersedes, timestamp_roots=timestamp_root,
        counted=counting(quiet=as_json),
    )  # fmt: skip
    if as_json:
        click.echo(json.dumps(report.to_dict(), indent=1))
    else:
        marks = {Outcome.HOLDS: "ok", Outcome.NOTED: "note", Outcome.FAILS: "FAILS", Outcome.NOT_CHECKED: "--"}
        for check in report.checks:
            click.echo(f"{marks[check.outcome]:<6}{check.title}")
            click.echo(f"      {check.text}")
        unchecked = ", ".join(check.key for check in report.unchecked)
        said = {
            Result.HOLDS: "Everything was checked, and holds.",
            Result.HOLDS_BUT: f"HOLDS, BUT not all was checked: {unchecked} (marked -- above).",
            Result.FAILS: "This bundle does NOT hold.",
        }
        click.echo(said[report.result])
    ctx.exit(report.exit_status)
