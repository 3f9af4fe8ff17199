"""Why an act or a correction was refused, in words; and the whole book, with the words of stages and alarms."""

from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache

from logger.alarms.permit import ALARM_STANDS
from logger.model.errors import Refusal
from logger.model.value import Argument, Code, Statement
from logger.pipeline.fact_table import fact_of
from logger.stages import registry
from logger.stages import words as stages
from logger.wording.book import Book, StatementWords, Words, always
from logger.wording.given import Given, listed
from logger.wording.values import Shown, lasted


def refusal_of(exc: Refusal, shown: Shown) -> str:
    """Why an act was refused, all reasons in a line."""
    about = f"{stages.whole().alarm_of(exc.about, shown).label}: " if exc.about is not None else ""
    return about + reasons_of(exc.why, shown)


def reasons_of(why: Iterable[Statement], shown: Shown) -> str:
    """Several reasons in a line; an alarm among them with its label."""
    book = _with_acts(stages.whole())
    return "; ".join(book.statement_of(_labeled(one, shown), shown) for one in why)


@lru_cache(maxsize=4)
def _with_acts(book: Book) -> Book:
    return book.joined(WORDS)


def _labeled(one: Statement, shown: Shown) -> Statement:
    if one.key != ALARM_STANDS:
        return one
    (alarm, *rest) = one.inputs
    label = stages.whole().alarm_of(Statement(str(alarm.value), tuple(rest)), shown).label
    return replace(one, inputs=(Argument(alarm.name, Code.NAME, label), *rest))


# -- parts of sentences ----------------------------------------------------------------------------------------------


def _stage(f: Given, number: str = "number", kind: str = "stage") -> str:
    return f"stage {f(number)} ({registry.label(f.code(kind)).lower()})"


def _fact(f: Given) -> str:
    found = fact_of(f.code("fact"))
    return f.code("fact") if found is None else found.label


def _time(f: Given, name: str) -> str:
    """Without seconds, as `--at` takes it."""
    return f(name)[:5]


def _asked(f: Given) -> str:
    return f("asked") if f.has("asked") else "(which?)"


# -- sentences -------------------------------------------------------------------------------------------------------


def _another_then(f: Given) -> str:
    at = _time(f, "at")
    return (
        f"at {at} {_stage(f)} was on, until {_time(f, 'until')}: first "
        f"`rimelog correct stage {f('number')} end {at}`, or begin the new one later"
    )


def _overlap(f: Given) -> str:
    until = f"lasts until {_time(f, 'until')}" if f.has("until") else "is still running"
    other = _stage(f, "next_number", "next_stage")
    return f"{_stage(f)} {until} and {other} begins at {_time(f, 'begin')}: move the other bound first"


def _numbered(f: Given) -> str:
    count = int(f.value("there_are").number or 0)
    there = f"1 to {count}" if count > 1 else "1 alone" if count else "none"
    return f"no {f.code('target')} {_asked(f)}; there are: {there} (`rimelog correct --list`)"


def _another_correction(f: Given) -> str:
    by = f("by") if f.has("by") else "somebody"
    return (
        f"{by} corrected that at {f('at')} (correction {f('number')}): {f('old')} -> {f('new')}; "
        "enter it again with --over to put yours above it"
    )


def _under_tare(f: Given) -> str:
    if f.has("number"):
        return (
            f"the scale read {f('gross')} with {f('cylinder')} on it in stage {f('number')}: less than that tare, "
            "one of the two is wrong"
        )
    return f"the scale reads {f('gross')} with {f('cylinder')} on it: less than that tare, check both"


_ACTS: dict[str, StatementWords] = {
    "act.unknown": lambda f: f"no such action: {f('asked')}",
    "proposal.none": always("nothing is proposed"),
    "proposal.several": lambda f: (
        f"say which one, by its number: {', '.join(f.all('open'))}; `rimelog status` lists them"
    ),
    "proposal.unknown": lambda f: f"no open proposal {f('n')}; open: {', '.join(f.all('open'))}",
    "proposal.which_cylinder": lambda f: f"say which cylinder: `rimelog yes {f('n')} --cylinder NAME`",
    "act.no_job": always("no job is open"),
    "act.catching_up": lambda f: f"not yet: {f('reason')}, and a verdict needs all of it; try again in a few seconds",
    "act.text": lambda f: f"{f('field')} is text",
    "act.number": lambda f: f"{f('field')} is a number",
    "act.time": lambda f: (
        f"that time is not within this job, which began {lasted(f.value('began').number or 0)} ago: ago_s or at_ns"
    ),
    "stage.none_running": always("no stage is running; begin one with `rimelog stage begin`"),
    "stage.ends_too_early": lambda f: (
        f"{registry.label(f.code('stage'))} began at {f('begun')}: it cannot end before that"
    ),
    "stage.no_such_kind": lambda f: f"no such stage; known: {listed(f, 'there_is')}",
    "stage.another_then": _another_then,
    "stage.begun_then": lambda f: (
        f"{_stage(f)} was begun at that moment; wrong kind? `rimelog correct stage {f('number')} kind`"
    ),
    "stage.same_runs": lambda f: (
        f"{_stage(f)} is running already, for {f.rough('lasted')}. End it and begin a second one?"
    ),
    "stage.not_done": lambda f: f"{_stage(f)} is not done. {f('missed')}. Leave it all the same?",
    "stage.settings": always("settings is a table of names and values"),
    "mark.empty": always("a mark needs a word: isolated, pump-started, pump-oil-changed ..."),
    "note.empty": always("the note is empty"),
    "job_setting.unknown": always(
        "what can change during a job: units (us or si), barometric pressure, full charge, internal volume"
    ),
    "charge.too_much": lambda f: (
        f"a charge of {f('charge')} in {f('volume')} is more than the system holds full of liquid; "
        "is the volume in liters, is a point shifted?"
    ),
    "charge.too_little": lambda f: (
        f"a charge of {f('charge')} in {f('volume')} is less than any system runs on; "
        "is the volume in liters and not m³, is a point shifted?"
    ),
    "autostop.no_output": always("the rig file names no [[device.output]]: Rimelog closes no contact"),
    "autostop.not_armed": always("not armed"),
    "autostop.which": lambda f: f"name which one; the rig has: {listed(f, 'there_is')}",
}
_CYLINDERS: dict[str, StatementWords] = {
    "cylinder.unknown": lambda f: (
        f"no cylinder {f('asked')!r}; known in this job: {listed(f, 'there_is')}; add one with `rimelog cylinder add`"
    ),
    "cylinder.unreadable": lambda f: f"the cylinder's data cannot be read: {f('reason')}",
    "cylinder.no_number": lambda f: f"the cylinder's data cannot be read: {f('value')} is no number it can have",
    "cylinder.name": always("the cylinder's data cannot be read: its name is one line of text"),
    "cylinder.above_zero": always("the cylinder's data cannot be read: tare and water capacity are above zero"),
}
_CORRECTIONS: dict[str, StatementWords] = {
    "correct.confirmation": always("that confirmation is of another value, or older than 2 min: begin again"),
    "correct.typed_again": always("the value typed again is not the same: nothing was changed"),
    "correct.reason": always("a looser limit needs a reason: --why 'read from the collar'"),
    "correct.target": lambda f: (
        f"what is to be corrected: {listed(f, 'there_is')}; all of it: `rimelog correct --list`"
    ),
    "correct.unchanged": lambda f: f"{f('about')} is {f('value')} already",
    "correct.stage": lambda f: f"no stage {_asked(f)}; there are: {listed(f, 'there_is')}",
    "correct.numbered": _numbered,
    "correct.sensor": lambda f: f"no sensor {_asked(f)!r}; name it by what it measures: {listed(f, 'there_is')}",
    "correct.fact": lambda f: (
        f"a {f.code('target')} has no {f('asked') if f.has('asked') else 'fact without a name'}; "
        f"what can be corrected: {listed(f, 'there_is')}"
    ),
    "correct.no_span": lambda f: f"{_fact(f)} is one for the whole job: leave --since and --until out",
    "correct.span": always("--since is earlier than --until"),
    "correct.time": always("that time is not within this job: it lies before it was begun, or ahead"),
    "correct.never_unknown": lambda f: f"{_fact(f)} cannot be left unknown",
    "correct.one_of": lambda f: f"{_fact(f)} is one of {listed(f, 'there_is')}",
    "point.unknown": lambda f: f"no measuring point {f('asked')!r}; see `rimelog rig points`",
    "correct.line": lambda f: f"{_fact(f)} is a line of text",
    "correct.other_cylinder": lambda f: (
        f"there is another cylinder {f('cylinder')}. If it was on the scale instead, correct the swap: "
        f"`rimelog correct swap NUMBER cylinder {f('cylinder')}`"
    ),
    "correct.number": lambda f: f"{_fact(f)} is a number",
    "correct.impossible": lambda f: f"{_fact(f)} {f('value')} is not possible",
    "correct.wrong": lambda f: f"{_fact(f)}: {f('reason')}",
    "correct.day": lambda f: f"{_fact(f)}: {f('reason')}; write 2024-02-01 or 2024-02",
    "correct.refrigerant": lambda f: f("reason"),
    "correct.kind": always("enter a kind of stage with its settings"),
    "correct.split": always("the time of a split lies within its stage"),
    "correct.joined": lambda f: (
        f"stage {f('number')} is joined with the next one, of the same kind; after it: {listed(f, 'there_is')}"
    ),
    "correct.another": _another_correction,
    "correct.as_entered": always("if it is right, add --as-entered"),
    "correct.as_stamped": always("if it is stamped like that, add --as-entered"),
    "correct.undone": lambda f: f"correction {f('number')} is undone already",
    "correct.ends_too_early": lambda f: f"{_stage(f)} would end before it begins",
    "correct.overlap": _overlap,
    "correct.under_tare": _under_tare,
}
WORDS = Words(statements=_ACTS | _CYLINDERS | _CORRECTIONS)
