"""What people read of alarms: their names, what to do, why they changed; why an act was refused."""

from logger.alarms.memory import AlarmRow
from logger.alarms.rules import AlarmRule
from logger.model.alarm import ACTS, AlarmEvent, State
from logger.model.events import AlarmChanged
from logger.model.points import POINTS, Quantity
from logger.model.value import known
from logger.wording.book import AlarmText, AlarmWords, StatementWords, Words, alarm, always
from logger.wording.given import Given
from logger.wording.values import Shown, rough

STOP = "Stop the recovery machine and close the cylinder valve."
_NO_SLEEP = "Plug in the charger; keep the lid open; set the computer never to sleep."


def measured(of: AlarmRow | AlarmChanged | AlarmRule, shown: Shown) -> str:
    """ "48.3 lb, limit 47.6 lb", "open circuit" or nothing."""
    value, problem = (None, None) if isinstance(of, AlarmRule) else (of.value, of.problem)
    if value is not None and of.limit is not None:
        return f"{figure_text(value, of.quantity, shown)}, limit {limit_text(of.limit, of.quantity, shown)}"
    return problem or "" if value is None else ""


def figure_text(number: float, quantity: Quantity, shown: Shown) -> str:
    """A ratio here is a plain count or switch, not a percentage, unless it lies between 0 and 1."""
    if quantity is Quantity.RATIO and number > 1.5:
        return f"{number:g}"
    return rough(number) if quantity is Quantity.TIME else shown.one(known(number, ""), quantity)


def limit_text(number: float, quantity: Quantity, shown: Shown) -> str:
    """As it was set: "125 °F", "10 min"."""
    return f"{number:g}" if quantity is Quantity.RATIO and number > 1.5 else shown.figure(known(number, ""), quantity)


def _of_point(what: str, action: str) -> AlarmWords:
    return lambda f: AlarmText(f"{POINTS[f('point')].label}: {what}", action)


def _own(f: Given) -> AlarmText:
    return AlarmText(f("label"))


ALARMS: dict[str, AlarmWords] = {
    "overfill": alarm(
        "CYLINDER FULL: STOP RECOVERY",
        f"{STOP} Switch to an empty cylinder. Do not heat, move or ship this one until it is back below its limit.",
    ),
    "overfill-soon": alarm(
        "CYLINDER NEARLY FULL",
        "Get an empty cylinder. Stand by the recovery machine.",  # words: trade
    ),
    "cylinder-pressure": alarm(
        "CYLINDER AT SERVICE PRESSURE",
        f"{STOP} Stay clear of the relief valve. Cool the cylinder with water or a fan. Do not vent.",
    ),
    "cylinder-hot": alarm(
        "CYLINDER HOT", f"{STOP} Move the cylinder out of the sun or heat; cool it with water or a fan."
    ),
    "liquid-full": alarm(
        "CYLINDER NEAR LIQUID-FULL",
        f"{STOP} Cool it; move refrigerant to another cylinder. A liquid-full cylinder can rupture.",
    ),
    "no-data": _of_point("no readings", "Check the instrument, its battery, and its cable or radio."),
    "fault": _of_point("sensor fault", "Check plug, cable and sensor."),
    "device": lambda f: AlarmText(
        f"{f('device')} OFFLINE", "Check power and cable. It reconnects automatically; stored readings are downloaded."
    ),
    "trouble": lambda f: AlarmText(
        f"{f('device')} HAS A FAULT",
        "Do not rely on its readings. Check supply, wiring and calibration; press d for the details.",
    ),
    "contact-closed": alarm(
        "RELAY CONTACT CLOSED, NOT ARMED",
        "What it powers can run unwatched: switch that off by hand. Check the relay: its contacts may be welded.",
    ),
    "store-trouble": alarm(
        "RECORDS NOT BEING WRITTEN",
        "Free disk space or check the disk. Alarms still work; the newest readings are in memory.",
    ),
    "disk-low": alarm("DISK NEARLY FULL", "Free disk space before you leave. Records are still being written."),
    "clock-gap": alarm("COMPUTER SLEPT OR STALLED", _NO_SLEEP),
    "program-fault": alarm("SOFTWARE ERROR", "Logging continues; some values are unknown. Watch your gauges."),
    "verdict-changed": alarm(
        "RESULT OF AN ENDED STAGE CHANGED",
        "Look at it again before you leave, or go back: press f, or see the report.",
    ),
    "machine-power-cut": alarm(
        "RECOVERY MACHINE POWER CUT BY RIMELOG",
        "Find out why before you arm it again with `rimelog autostop arm`; `rimelog autostop release` leaves it off.",
    ),
    "keep-awake": alarm("COMPUTER MAY GO TO SLEEP", _NO_SLEEP),
    "push-trouble": alarm("PHONE ALERTS NOT GOING OUT", "Check the internet connection. Only this laptop sounds."),
    "sound-trouble": alarm(
        "ALARM TONE CANNOT BE PLAYED", "Check the speaker and run the sound test. Watch the screen."
    ),
    "flow-no-stage": alarm(
        "WEIGHT CHANGING, NO STAGE BEGUN",
        "Begin the stage: y, or `rimelog yes`. If nothing should flow, close the valve.",
    ),
    "many-alarms": alarm("MANY ALARMS AT ONCE", "Look at the first one; the others often follow from it."),
    "own": _own,
}


def _raised(why: str = "") -> StatementWords:
    return lambda f: (why or f("reason")) + _held(f)


def _held(f: Given) -> str:
    return f" for {_rough(f, 'held')}" if f.has("held") else ""


def _rough(f: Given, name: str) -> str:
    return rough(f.value(name).number or 0.0)


def _because(what: str) -> StatementWords:
    return lambda f: f"{what}: {f('reason')}" if what else f("reason")


_DONE = {
    AlarmEvent.ACKNOWLEDGE: "acknowledged",
    AlarmEvent.RESET: "reset",
    AlarmEvent.SHELVE: "silenced",
    AlarmEvent.UNSHELVE: "sounding again",
    AlarmEvent.TAKE_OUT: "taken out of service",
    AlarmEvent.PUT_BACK: "put back in service",
}
_STATES: dict[str, str] = {
    State.NORMAL: "normal",
    State.UNACKNOWLEDGED: "not acknowledged",
    State.ACKNOWLEDGED: "acknowledged",
    State.RETURNED: "cleared, not acknowledged",
    State.LATCHED_UNACKNOWLEDGED: "cleared, not acknowledged",
    State.LATCHED_ACKNOWLEDGED: "cleared, to be reset",
    State.SHELVED: "silenced",
    State.SUPPRESSED: "not watched in this stage",
    State.OUT_OF_SERVICE: "out of service",
}


def _act(f: Given) -> str:
    return f"{_DONE[AlarmEvent(f.code('act'))]} by {f('by') if f.has('by') else 'the user'}"


def _not_watched(f: Given) -> str:
    stage = f.code("stage")
    return f"not watched during {'the ' + stage.replace('-', ' ') if stage else 'the time between stages'}"


_WHY: dict[str, StatementWords] = {
    "alarm.high": _raised("at or above its limit"),
    "alarm.low": _raised("at or below its limit"),
    "alarm.rate": _raised("changing as fast as its limit or faster"),
    "alarm.prediction": _raised("predicted to be this near"),
    "alarm.disagree": _raised("two readings disagree"),
    "alarm.trouble": _raised(),
    "alarm.normal": lambda f: f"back to normal{_held(f)}",
    "alarm.reminded": lambda f: f"still in alarm {_rough(f, 'after')} after it was acknowledged",
    "alarm.shelf_over": always("the time it was shelved for is over"),
    "alarm.not_watched": _not_watched,
    "alarm.act": _act,
}
_REFUSED: dict[str, StatementWords] = {
    "alarm.unknown": lambda f: f"no alarm {f('asked')!r}; there are: {', '.join(f.all('there_is'))}",
    "alarm.nothing_to": lambda f: f"is {f('state')}: nothing to {f('act')}",
    "alarm.not_shelvable": always("this alarm cannot be shelved; acknowledge it to stop the sound"),
    "alarm.shelved_for": lambda f: f"shelve it for up to {f('longest')}, not {f('asked')}",
    "alarm.stays_in_service": always("this alarm cannot be taken out of service"),
    "alarm.needs_reason": lambda f: f"to {f('act')} it needs a reason, which is recorded",
}
_OBJECTIONS: dict[str, StatementWords] = {
    "permit.not_filling": always("no recovery is running"),
    "permit.device": _because(""),
    "permit.no_cylinder": always("no cylinder selected"),
    "permit.other_cylinder": always("another cylinder is on the scale"),
    "permit.not_to_be_filled": _because(""),
    "permit.no_alarm": lambda f: f"the alarm {f('alarm')} is switched off",
    "permit.fill_unknown": _because("fill unknown"),
    "permit.no_limit": always("the cylinder has no limit"),
    "permit.correcting": always("a correction is being worked in"),
    "permit.full": always("the cylinder is full to its limit"),
    "permit.unknown": lambda f: f"{f('reading').replace('_', ' ')} unknown: {f('reason')}",
    "permit.no_scale": always("no scale in the rig"),
    "permit.pressure_at_limit": always("cylinder pressure at its limit"),
    "permit.alarm": lambda f: f"alarm: {f('alarm')} ({f('state')})",
    "permit.restarted": always("its device restarted"),
    "permit.refused": _because("its device refuses"),
    "permit.opened": _because("its device opened it"),
}
_TERMS: dict[str, str] = {
    **_STATES,
    **{act: act.value for act in ACTS},
}
WORDS = Words(alarms=ALARMS, statements={**_WHY, **_REFUSED, **_OBJECTIONS}, terms=_TERMS)
