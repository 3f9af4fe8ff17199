"""`rimelog correct`: what was entered wrongly, or late, put right; the old value stays in the record."""

import shlex
import sys
from collections.abc import Mapping
from typing import Any, Protocol

import click
from click.core import ParameterSource

from logger.cli.act_commands import AGO_OPTION, client
from logger.cli.loosely import stage_kind
from logger.model.units import NS_PER_S

EXAMPLES = """\b
  rimelog correct --list                     all that was entered, with numbers
  rimelog correct cylinder A tare 61.4lb
  rimelog correct cylinder A name A-7
  rimelog correct refrigerant R-407C         of the job; also: customer, charge ...
  rimelog correct technician NAME --since 19:30
  rimelog correct stage 2 kind evacuation
  rimelog correct stage 2 begin 20:10
  rimelog correct stage 3 --strike           begun by a slip
  rimelog correct mark 5 --at 21:14
  rimelog correct swap 2 cylinder B
  rimelog correct sensor cylinder-mass zero 0.4lb
  rimelog correct --undo 3
"""
STAMPED = ("tare_kg", "water_capacity_kg", "service_pressure_pa", "test_pressure_pa", "tested", "serial", "as_stamped",
           "requalify_years")  # fmt: skip


class Done(Protocol):
    """Whatever carries an act out: the running logger, or the file of a job that is not running."""

    def act(self, action: str, **body: Any) -> dict[str, Any]: ...

    def now(self) -> tuple[int, int]:
        """UTC ns of the record, and the offset in s of the local time of the job."""
        ...


@click.command()
@click.argument("words", nargs=-1)
@click.option("--list", "listing", is_flag=True, help="Show all that can be corrected, and what was.")
@click.option("--undo", metavar="N", help="Undo correction N.")
@click.option("--at", metavar="TIME", help="The right time: 21:14, or 2026-03-02 21:14.")
@AGO_OPTION
@click.option("--since", metavar="TIME", help="It is so from then on only (job, sensor).")
@click.option("--until", metavar="TIME", help="It was so until then only (job, sensor).")
@click.option("--kind", metavar="STAGE", help="The right kind of a stage; with --split, of its second part.")
@click.option("--strike", is_flag=True, help="It never happened: a stage, mark, note or swap by a slip.")
@click.option("--reopen", is_flag=True, help="A stage that was ended by a slip is still running.")
@click.option("--split", metavar="TIME", help="A stage was two: from then on another one.")
@click.option("--join", is_flag=True, help="A stage and the next of its kind were one.")
@click.option("--why", default="", help="The reason; needed where a limit becomes looser.")
@click.option("--by", default="", help="Who corrects it.")
@click.option(
    "--again", metavar="VALUE", is_flag=False, flag_value="", help="Confirm a looser limit: the value once more."
)
@click.option("--as-entered", is_flag=True, help="An unusual number is right.")
@click.option("--over", is_flag=True, help="Although somebody else has corrected it since.")
@click.option("--job", "job_id", help="Job id: of a job that runs, has ended or is closed. Default: the one running.")
def correct(
    words: tuple[str, ...], listing: bool, undo: str | None, ago_s: float, why: str, by: str, again: str | None,
    over: bool, as_entered: bool, job_id: str | None, **given: Any,
) -> None:  # fmt: skip
    """Correct what was entered: WHAT [WHICH] FACT VALUE.

    WHAT is job, cylinder, stage, mark, note, swap or sensor. Nothing is erased: the old value stays in the record, and
    limits, alarms, findings and the report follow the new one.
    """
    target = _target(job_id)
    if listing or not (words or undo):
        click.echo(target.act("correctable")["text"])
        return
    now_ns, offset_s = target.now()
    if undo is not None:
        body: dict[str, Any] = {"target": "correction", "which": undo, "fact": "undone", "value": True}
    else:
        body = _body(words, given, ago_s, now_ns, offset_s)
    body |= {"why": why, "by": by, "over": over, "as_entered": as_entered}
    for key in ("since", "until"):
        if given[key]:
            body[f"{key}_ns"] = clock_time(given[key], now_ns, offset_s)
    answer = target.act("correct", **body)
    if answer.get("confirm"):
        answer = _confirmed(target, answer, body, words, again)
    click.echo(answer["text"])
    if body["target"] == "cylinder" and "correction" in answer:
        _correct_listed(body)


def _target(job_id: str | None) -> Done:
    """The running logger; the file of a job that is named and does not run, or of the last one while none does."""
    from logger.store.place import LATEST, find_job, jobs, running_jobs

    if job_id is None and jobs() and not running_jobs():
        job_id = find_job(LATEST).job_id
        click.echo(f"no job is logging: the last one, {job_id}", err=True)
    if job_id is not None:
        place = find_job(job_id)
        if not place.running:
            from logger.cli.correct_stored import StoredJob

            return StoredJob(place)
        job_id = place.job_id
    return _Running(job_id)


class _Running:
    def __init__(self, job_id: str | None) -> None:
        self._client = client(job_id)

    def act(self, action: str, **body: Any) -> dict[str, Any]:
        return self._client.act(action, **body)

    def now(self) -> tuple[int, int]:
        from logger.clock import utc_offset_s

        return int(self._client.status()["t_ns"]), utc_offset_s()


def _confirmed(
    target: Done, answer: Mapping[str, Any], body: dict[str, Any], words: tuple[str, ...], again: str | None
) -> dict[str, Any]:
    """A looser limit: both numbers shown, the value typed once more."""
    click.echo(answer["text"])
    interactive = sys.stdin.isatty()
    if not (interactive or (again and body["why"])):
        raise click.ClickException(f"nothing was changed. If it is right:\n  {_whole_command(words)}")
    again = again or click.prompt("The value once more")
    why = body["why"] or click.prompt("Why")
    value = body["value"]
    if isinstance(value, int | float | str) and not isinstance(value, bool):
        value = _value(body["target"], body["which"], body["fact"], again, *target.now())
    elif again.strip().casefold() not in ("yes", "y"):
        raise click.ClickException("nothing was changed")
    return target.act("correct", **{**body, "why": why, "token": answer["confirm"], "again": value})


def _whole_command(words: tuple[str, ...]) -> str:
    """As it was typed, with what confirms it."""
    ctx = click.get_current_context()
    typed = {
        one.opts[0]: ctx.params[one.name or ""]
        for one in ctx.command.params
        if isinstance(one, click.Option) and ctx.get_parameter_source(one.name or "") is ParameterSource.COMMANDLINE
    }
    typed = {"--again": words[-1] if len(words) > 1 else "yes", "--why": "..."} | {k: v for k, v in typed.items() if v}
    return shlex.join(
        ["rimelog", "correct", *words, *(w for k, v in typed.items() for w in ((k,) if v is True else (k, str(v))))]
    )


def _correct_listed(body: Mapping[str, Any]) -> None:
    """What is stamped on a cylinder that is kept is corrected for later jobs too; on a terminal after a question."""
    from logger.cli.quantities import cylinders_path, user_catalogue
    from logger.config.cylinders import add_cylinder, read_cylinders
    from logger.model.cylinder import Cylinder
    from logger.model.plain import from_plain, plain
    from logger.pipeline.fact_table import facts_of

    catalogue, which = user_catalogue(), body["which"].casefold()
    listed = next((c for c in read_cylinders(cylinders_path(), catalogue) if c.name.casefold() == which), None)
    row = next((one for one in facts_of("cylinder") if body["fact"].replace("_", "-") in (one.typed, one.label)), None)
    name = "" if row is None else row.key.partition(".")[2]
    if listed is None or name not in STAMPED or plain(getattr(listed, name)) == body["value"]:
        return
    if sys.stdin.isatty() and not click.confirm(f"Correct the kept cylinder {listed.name} too?", default=True):
        return
    made = from_plain(Cylinder, {**plain(listed), name: body["value"]})
    add_cylinder(cylinders_path(), made, catalogue, replace=True)
    click.echo(f"The kept cylinder {listed.name} is corrected too: later jobs begin with it.")


# -- words into a request --------------------------------------------------------------------------------------------


def _body(words: tuple[str, ...], given: Mapping[str, Any], ago_s: float, now_ns: int, offset_s: int) -> dict[str, Any]:
    from logger.pipeline.correcting import TARGETS
    from logger.pipeline.fact_table import facts_of

    target, rest = words[0].casefold().removesuffix("s") if words else "", list(words[1:])
    if target == "channel":
        target = "sensor"
    if target not in TARGETS:
        if any(words[0].casefold() in (one.typed, one.label) for one in facts_of("job")):
            target, rest = "job", list(words)
        else:
            raise click.UsageError(f"{words[0]!r}: name what is wrong: {', '.join(TARGETS[:-1])}. Such as\n{EXAMPLES}")
    which = "" if target == "job" else rest.pop(0) if rest else ""
    fact, value = _by_option(given, ago_s, now_ns, offset_s)
    if fact is None:
        if not rest:
            can = ", ".join(one.typed for one in facts_of("channel" if target == "sensor" else target))
            raise click.UsageError(f"what of {target} {which} is wrong? {can}")
        fact = rest.pop(0).casefold()
        value = _value(target, which, fact, " ".join(rest), now_ns, offset_s)
    elif rest:
        raise click.UsageError(f"{' '.join(rest)!r} beside an option: name one of the two")
    return {"target": target, "which": which, "fact": fact, "value": value}


def _by_option(given: Mapping[str, Any], ago_s: float, now_ns: int, offset_s: int) -> tuple[str | None, Any]:
    if given.get("strike"):
        return "struck", True
    if given.get("reopen"):
        return "end", None
    if given.get("join"):
        return "join", True
    if given.get("split"):
        at_ns = clock_time(given["split"], now_ns, offset_s)
        return "split", {"at": at_ns, "kind": stage_kind(given["kind"]) if given.get("kind") else None}
    if given.get("kind"):
        return "kind", {"kind": stage_kind(given["kind"])}
    if given.get("at"):
        return "at", clock_time(given["at"], now_ns, offset_s)
    if ago_s:
        return "at", now_ns - int(ago_s * NS_PER_S)
    return None, None


def _value(target: str, which: str, fact: str, text: str, now_ns: int, offset_s: int) -> Any:
    """SI, as the record has it. Raises click.UsageError, UnitError."""
    from logger.config.job_file import parse_service_pressure, parse_water_capacity
    from logger.model.points import POINTS, Quantity
    from logger.model.units import parse_quantity
    from logger.pipeline.fact_table import As, facts_of

    rows = facts_of("channel" if target == "sensor" else target)
    row = next((one for one in rows if fact.replace("_", "-") in (one.typed, one.label)), None)
    if not text:
        raise click.UsageError(
            f"the right value is missing: rimelog correct {target} {which} {fact} VALUE".replace("  ", " ")
        )
    if row is None or text.casefold() in ("unknown", "none"):
        return None if row is not None else text
    if row.key == "cylinder.water_capacity_kg":
        return parse_water_capacity(text)
    if row.key == "cylinder.service_pressure_pa":
        return parse_service_pressure(text)
    if isinstance(row.kind, Quantity):
        return parse_quantity(text, row.kind)
    match row.kind:
        case As.TIME:
            return clock_time(text, now_ns, offset_s)
        case As.STAGE_KIND:
            return {"kind": stage_kind(text)}
        case As.NUMBER if row.name == "zero":
            point = POINTS.get(which.replace("-", "_"))
            if point is None:
                raise click.UsageError("name the sensor by what it measures, such as cylinder-mass")
            return parse_quantity(text, point.quantity.difference)
        case As.NUMBER:
            try:
                return float(text)
            except ValueError as exc:
                raise click.UsageError(f"{text!r} is no number") from exc
        case As.POINT:
            return text.replace("-", "_")
    return [part.strip() for part in text.split(",")] if row.name == "candidates" else text


def clock_time(text: str, now_ns: int, offset_s: int) -> int:
    """UTC ns of "21:14", "21:14:30" (the last time it was that), or "2026-03-02 21:14". Raises click.UsageError."""
    from datetime import UTC, datetime, timedelta

    zero = datetime(1970, 1, 1, tzinfo=UTC)
    now = zero + timedelta(seconds=now_ns // NS_PER_S + offset_s)
    found: datetime | None = None
    for form in ("%H:%M", "%H:%M:%S"):
        try:
            clock = datetime.strptime(text.strip(), form).replace(tzinfo=UTC)
        except ValueError:
            continue
        found = now.replace(hour=clock.hour, minute=clock.minute, second=clock.second)
        found = found if found <= now else found - timedelta(days=1)
    for form in ("%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M"):
        if found is None:
            try:
                found = datetime.strptime(text.strip(), form).replace(tzinfo=UTC)
            except ValueError:
                continue
    if found is None:
        raise click.UsageError(f"{text!r} is no time; write 21:14, or 2026-03-02 21:14")
    return int((found - zero).total_seconds() - offset_s) * NS_PER_S
