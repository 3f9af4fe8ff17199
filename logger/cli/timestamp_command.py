"""`rimelog timestamp`: ask a time stamp authority to sign that a bundle exists now."""

import urllib.error
import urllib.request
from pathlib import Path

import click

TIMEOUT_S = 30.0


@click.command()
@click.argument("bundle", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--authority", metavar="URL", required=True,
              help="Address of an RFC 3161 time stamp authority, http:// or https://.")  # fmt: skip
def timestamp(bundle: Path, authority: str) -> None:
    """Ask a time stamp authority to sign that BUNDLE exists now, and keep its answer beside it.

    A signature proves who made a bundle, not when. The authority is sent a hash, nothing of the job. Needs a network.
    """
    from logger.config.private_files import write_private_bytes
    from logger.evidence import timestamp as stamps

    data = bundle.read_bytes()
    reply = _asked(authority, stamps.request(data))
    found = stamps.read(reply, data)
    beside = bundle.with_name(bundle.name + stamps.SUFFIX)
    write_private_bytes(beside, reply)
    click.echo(f"stamped  {found}")
    click.echo(f"kept as  {beside}; hand it on with the bundle")


def _asked(url: str, body: bytes) -> bytes:
    from logger.evidence.errors import TimestampError
    from logger.evidence.timestamp import MAX_REPLY_BYTES

    if not url.lower().startswith(("http://", "https://")):
        raise click.BadParameter(f"{url!r:.200} is no http:// or https:// address", param_hint="--authority")
    asked = urllib.request.Request(url, body, {"Content-Type": "application/timestamp-query"})
    try:
        with urllib.request.urlopen(asked, timeout=TIMEOUT_S) as answer:
            return bytes(answer.read(MAX_REPLY_BYTES + 1))
    except (urllib.error.URLError, OSError, ValueError) as exc:
        reason = getattr(exc, "reason", exc)
        raise TimestampError(
            f"{url}: no time stamp: {reason}; the bundle is whole without one, try again later"
        ) from exc
