"""`rimelog alarms`: the settings in force, single alarms put away and back, tests of sound and push, its addresses."""

import asyncio
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.cli.act_commands import JOB_OPTION, client
from logger.cli.quantities import UNITS_OPTION, say

if TYPE_CHECKING:
    from logger.annunciate.push_file import PushSettings

JSON_OPTION = click.option("--json", "as_json", is_flag=True, help="Machine-readable output.")
RIG_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.group()
def alarms() -> None:
    """Show alarm settings; put single alarms away and back; test sound and push; keep the addresses for push.

    Alarms record and warn. They replace no relief valve, float switch, pressure cut-out, scale alarm or person.
    """


@alarms.command(short_help="Every alarm with its limit and delays.")
@click.option("--rig", "rig_file", metavar="RIG.toml", type=RIG_FILE,
              help="With this rig's measuring points, devices and [alarms] changes.")  # fmt: skip
@UNITS_OPTION
@JSON_OPTION
def show(rig_file: Path | None, units: str, as_json: bool) -> None:
    """Every alarm: what it watches, its limit, its delays, the stages it concerns.

    A job adds what its stages and profiles set: test pressure, vacuum limit, high-side limit.
    """
    from logger.cli.alarm_table import CAUTION, effective, notes, print_table, rule_data

    rules, off = effective(rig_file)
    if as_json:
        data = {"rules": [rule_data(rule, units) for rule in rules], "switched_off": off, "caution": CAUTION}
        click.echo(json.dumps(data, indent=1, ensure_ascii=False))
        return
    print_table(rules, units)
    for note in notes(rules, off, units, with_rig=rig_file is not None):
        say(note, "")


# -- acts on the running job -----------------------------------------------------------------------------------

OPERATOR = click.option("--operator", default="", help="Who does it.")


@alarms.command("out-of-service", short_help="Take an alarm out: its sensor is broken.")
@click.argument("alarm")
@click.option("--reason", required=True, help="Why, such as: the sensor is broken.")
@OPERATOR
@JOB_OPTION
def out_of_service(alarm: str, reason: str, operator: str, job: str | None) -> None:
    """Take one alarm out until it is put back: its instrument is broken or away. Overfill cannot be."""
    click.echo(client(job).act("out-of-service", key=alarm, reason=reason, operator=operator)["text"])


@alarms.command("return-to-service")
@click.argument("alarm")
@OPERATOR
@JOB_OPTION
def return_to_service(alarm: str, operator: str, job: str | None) -> None:
    """Put one back that was taken out of service."""
    click.echo(client(job).act("return-to-service", key=alarm, operator=operator)["text"])


@alarms.command(short_help="Sound an alarm again before its time.")
@click.argument("alarm")
@OPERATOR
@JOB_OPTION
def unshelve(alarm: str, operator: str, job: str | None) -> None:
    """Sound an alarm again before the time of its `rimelog shelve` is over."""
    click.echo(client(job).act("unshelve", key=alarm, operator=operator)["text"])


# -- tests -----------------------------------------------------------------------------------------------------


@alarms.command("test-sound", short_help="Play the alarm tone.")
def test_sound() -> None:
    """Play the alarm tone, high then urgent, at its first and at its loudest level.

    Do it once before the night, from where you will be. Exit status 1 when no tone could be played.
    """
    from logger.annunciate.errors import ChannelFailed
    from logger.annunciate.sound import Sound
    from logger.annunciate.tone import LEVELS

    sound = Sound()

    async def ring() -> None:
        for urgent in (False, True):
            for level in (0, LEVELS - 1):
                click.echo(f"{'urgent' if urgent else 'high'}, {'loudest' if level else 'first'} level")
                await sound.ring(urgent, level)

    try:
        asyncio.run(ring())
    except ChannelFailed as exc:
        raise click.ClickException(f"the alarm tone cannot be played: {exc}") from exc
    finally:
        sound.close()
    say("Played to the end. Heard nothing? Turn the speaker up: this program cannot know whether it is muted.", "")


@alarms.command("test-push")
@JSON_OPTION
@click.pass_context
def test_push(ctx: click.Context, as_json: bool) -> None:
    """Send a test message to every address now. Exit status 1 when one was not accepted."""
    from logger.annunciate.message import Message
    from logger.annunciate.push import Push
    from logger.annunciate.push_file import load_push, push_file_path

    settings = load_push(push_file_path())
    if not settings.urls and not settings.heartbeat_urls:
        raise click.ClickException("no push addresses yet; `rimelog alarms push --add URL` keeps one")
    message = Message("Rimelog: test", "A test of the alarm messages. Nothing is wrong; no answer is needed.")
    results = asyncio.run(Push(settings.urls, settings.heartbeat_urls).test(message))
    failed = [label for label, problem in results.items() if problem is not None]
    if as_json:
        rows = [{"address": label, "sent": problem is None, "problem": problem} for label, problem in results.items()]
        click.echo(json.dumps(rows, indent=1, ensure_ascii=False))
    else:
        for label, problem in results.items():
            say(f"{'ok' if problem is None else 'NO':<3} {problem or f'{label}: accepted by the service'}", "")
        if len(failed) < len(results):
            say("Accepted is not delivered: look at the phone, also with its screen locked.", "")
    ctx.exit(1 if failed else 0)


# -- addresses -------------------------------------------------------------------------------------------------


@alarms.command(short_help="Keep the addresses alarms are sent to.")
@click.option("--add", "url", metavar="URL", help='Keep an address; "-" asks for it unseen.')
@click.option("--heartbeat-only", is_flag=True, help='With --add: only for "all OK" messages.')
@click.option("--list", "listed", is_flag=True, help="List the addresses, without their secrets.")
@click.option("--remove", type=click.IntRange(1), metavar="N", help="Forget address N of the list.")
@click.option("--heartbeat", metavar="TIME", help='How often "all OK" is sent, such as 2h, or off.')
@JSON_OPTION
def push(
    url: str | None, heartbeat_only: bool, listed: bool, remove: int | None, heartbeat: str | None, as_json: bool
) -> None:
    """Keep the addresses that alarms are sent to: any that apprise knows, such as ntfys://, mailtos://, jsons://.

    They are secrets: the file is yours alone, and they are never shown; `--add -` also keeps them out of the shell's
    history. Without an option: the list.
    """
    from logger.annunciate.push_file import load_push, push_file_path, save_push

    if sum((url is not None, remove is not None, heartbeat is not None, listed)) > 1:
        raise click.UsageError("one of --add, --remove, --heartbeat, --list at a time")
    if heartbeat_only and url is None:
        raise click.UsageError("--heartbeat-only goes with --add")
    path = push_file_path()
    settings = load_push(path)
    said = ""
    if url is not None:
        settings, said = _added(settings, url, heartbeat_only, fresh=not path.exists())
    elif remove is not None:
        settings, said = _removed(settings, remove)
    elif heartbeat is not None:
        settings, said = _beating(settings, heartbeat)
    if said:
        save_push(path, settings)
        click.echo(said, err=as_json)
    _say_addresses(settings, path, as_json)


def _added(settings: "PushSettings", url: str, heartbeat_only: bool, *, fresh: bool) -> tuple["PushSettings", str]:
    from dataclasses import replace

    from logger.annunciate.errors import ChannelFailed
    from logger.annunciate.push import Push
    from logger.annunciate.push_file import HEARTBEAT_S, MAX_URLS, scheme

    url = (click.prompt("Address", hide_input=True) if url == "-" else url).strip()
    if scheme(url) == "?" or not url.isprintable():
        raise click.ClickException("this is no push address: it begins with a scheme, such as ntfys://")
    if url in settings.urls + settings.heartbeat_urls:
        raise click.ClickException(f"this {scheme(url)} address is kept already")
    urls = settings.heartbeat_urls if heartbeat_only else settings.urls
    if len(urls) >= MAX_URLS:
        raise click.ClickException(f"{MAX_URLS} addresses are kept already; remove one first")
    warning = ""
    try:
        (problem,) = asyncio.run(Push([url]).test(None)).values()
    except ChannelFailed as exc:  # no apprise yet
        warning = f"; {exc}"
    else:
        if problem is not None:
            raise click.ClickException(f"this {scheme(url)} address is not kept: {problem.partition(': ')[2]}")
    more = (*urls, url)
    settings = replace(settings, heartbeat_urls=more) if heartbeat_only else replace(settings, urls=more)
    if fresh:
        settings = replace(settings, heartbeat_s=HEARTBEAT_S)
    return settings, f"kept; try it with `rimelog alarms test-push`{warning}"


def _removed(settings: "PushSettings", number: int) -> tuple["PushSettings", str]:
    from dataclasses import replace

    from logger.annunciate.push_file import scheme

    both = settings.urls + settings.heartbeat_urls
    if number > len(both):
        raise click.ClickException(f"there is no address {number}; {len(both)} are kept")
    index = number - 1
    first = tuple(url for i, url in enumerate(settings.urls) if i != index)
    second = tuple(url for i, url in enumerate(settings.heartbeat_urls, len(settings.urls)) if i != index)
    return replace(settings, urls=first, heartbeat_urls=second), f"forgotten: {number} ({scheme(both[index])})"


def _beating(settings: "PushSettings", text: str) -> tuple["PushSettings", str]:
    from dataclasses import replace

    from logger.annunciate.push_file import MIN_HEARTBEAT_S
    from logger.model.points import Quantity
    from logger.model.units import parse_quantity

    if text == "off":
        return replace(settings, heartbeat_s=None), "no check-ins from now on: silence will mean nothing"
    seconds = parse_quantity(text, Quantity.TIME)
    if not MIN_HEARTBEAT_S <= seconds <= 24 * 3600:
        raise click.ClickException('a heartbeat comes every 5 min to 24 h; or say "off"')
    return replace(settings, heartbeat_s=seconds), "changed; a running logger takes it at its next start"


def _say_addresses(settings: "PushSettings", path: Path, as_json: bool) -> None:
    from logger.annunciate.push_file import scheme

    rows: list[dict[str, Any]] = [
        {"number": number, "scheme": scheme(url), "gets": "all" if number <= len(settings.urls) else "heartbeats"}
        for number, url in enumerate(settings.urls + settings.heartbeat_urls, 1)
    ]
    if as_json:
        data = {"file": str(path), "heartbeat_s": settings.heartbeat_s, "addresses": rows}
        click.echo(json.dumps(data, indent=1, ensure_ascii=False))
        return
    for row in rows:
        gets = "alarms and heartbeats" if row["gets"] == "all" else "heartbeats only"
        click.echo(f"{row['number']:>3}  {row['scheme']}://***  {gets}")
    if not rows:
        click.echo("no push addresses; `rimelog alarms push --add URL` keeps one")
        return
    every = "off" if settings.heartbeat_s is None else f"every {settings.heartbeat_s / 3600:g} h"
    say(f'"Still fine" messages: {every}. Kept in {path}, readable by you alone.', "")
