"""Everything that can be corrected: one row a fact. What follows from a correction of it: pipeline/facts.py."""

from dataclasses import dataclass
from enum import StrEnum
from functools import cache

from logger.model.points import Quantity
from logger.stages import registry
from logger.stages.settings import Form, settings_of


class Effect(StrEnum):
    """What rests on a fact. LIMITS: limits, live values and analyses, computed from readings that stand. READINGS: the
    readings themselves, or what is remembered of them: all of the record is read again."""

    WORDS = "words"
    LIMITS = "limits"
    READINGS = "readings"


class Span(StrEnum):
    """From when on a correction holds. ALWAYS: it was wrong from the beginning."""

    ALWAYS = "always"
    SINCE = "since"


class As(StrEnum):
    """What is entered, other than a quantity or one of some words."""

    TEXT = "text"
    LINES = "lines"
    DAY = "day"
    REFRIGERANT = "refrigerant"
    NUMBER = "number"
    TIME = "time"  # UTC, ns
    FLAG = "flag"
    CYLINDER = "cylinder"  # whole
    POINT = "measuring point"
    STAGE_KIND = "stage"  # {"kind", "settings"}
    SPLIT = "split"  # {"at", "kind", "settings"}
    STAGE = "stage number"  # "stage:3"


Kind = Quantity | As | Form | tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Correctable:
    """key: as stored. typed: as people type it. label: as they read it. safety: a limit that protects people hangs on
    it. optional: it may be unknown."""

    key: str
    typed: str
    label: str
    kind: Kind
    effect: Effect
    safety: bool = False
    spans: tuple[Span, ...] = (Span.ALWAYS,)
    optional: bool = False

    @property
    def target(self) -> str:
        return self.key.partition(".")[0]

    @property
    def name(self) -> str:
        """Of the field."""
        return self.key.rpartition(".")[2]


_Q, _W, _L, _R = Quantity, Effect.WORDS, Effect.LIMITS, Effect.READINGS
_BOTH = (Span.ALWAYS, Span.SINCE)

_ROWS = (
    Correctable("job.refrigerant", "refrigerant", "refrigerant", As.REFRIGERANT, _R, safety=True, spans=_BOTH),
    Correctable("job.full_charge_kg", "charge", "full charge", _Q.MASS, _L, optional=True),
    Correctable("job.volume_m3", "volume", "internal volume", _Q.VOLUME, _L, optional=True),
    Correctable("job.volume_u_m3", "volume-u", "uncertainty of the volume", _Q.VOLUME, _L, optional=True),
    Correctable("job.pump_ultimate_pa", "pump-ultimate", "pump's ultimate vacuum", _Q.VACUUM, _L, optional=True),
    Correctable("job.altitude_m", "altitude", "altitude", _Q.LENGTH, _R, optional=True),
    Correctable("job.barometer_pa", "barometer", "barometric pressure", _Q.BAROMETER, _R, optional=True),
    Correctable("job.jurisdiction", "jurisdiction", "filling rules", ("us", "un", "strictest"), _L, safety=True),
    Correctable("job.recovery_machine_made", "machine-made", "recovery machine mfg. date", As.DAY, _L, optional=True),
    Correctable(
        "job.appliance_class", "appliance-class", "appliance class", ("comfort-cooling", "commercial", "industrial"), _L
    ),
    Correctable("job.customer", "customer", "customer", As.TEXT, _W),
    Correctable("job.site", "site", "site", As.TEXT, _W),
    Correctable("job.appliance", "appliance", "system", As.TEXT, _W),
    Correctable("job.technician", "technician", "technician", As.TEXT, _W, spans=_BOTH),
    Correctable("job.company", "company", "company", As.LINES, _W),
    *(
        Correctable(f"job.{name}", name.replace("_", "-"), name.replace("_", " "), As.TEXT, _W)
        for name in (
            "certification",
            "recovery_machine",
            "vacuum_pump",
            "vacuum_gauge",
            "work_order",
            "appliance_make",
            "appliance_model",
            "appliance_serial",
            "recovered_to",
        )
    ),
    Correctable("cylinder.name", "name", "name", As.TEXT, _R),
    Correctable("cylinder.tare_kg", "tare", "tare", _Q.MASS, _L, safety=True),
    Correctable("cylinder.water_capacity_kg", "water-capacity", "water capacity", _Q.MASS, _L, safety=True),
    Correctable(
        "cylinder.service_pressure_pa",
        "service-pressure",
        "service pressure",
        _Q.PRESSURE_DIFFERENCE,
        _L,
        safety=True,
        optional=True,
    ),
    Correctable(
        "cylinder.test_pressure_pa",
        "test-pressure",
        "test pressure as stamped",
        _Q.PRESSURE_DIFFERENCE,
        _L,
        safety=True,
        optional=True,
    ),
    Correctable("cylinder.serial", "serial", "serial number", As.TEXT, _W),
    Correctable("cylinder.tested", "tested", "test date", As.DAY, _L, safety=True, optional=True),
    Correctable(
        "cylinder.refrigerant", "refrigerant", "refrigerant in it", As.REFRIGERANT, _L, safety=True, optional=True
    ),
    Correctable("cylinder.candidates", "candidates", "what may be in it", As.TEXT, _L, safety=True),
    Correctable("cylinder.contents_kg", "contents", "contents", _Q.MASS, _L, optional=True),
    Correctable("cylinder.as_stamped", "as-stamped", "stamped so, unlikely as it is", As.FLAG, _L, safety=True),
    Correctable("cylinder.requalify_years", "requalify-years", "years between tests", As.NUMBER, _L, safety=True),
    Correctable("swap.at", "at", "time", As.TIME, _R, safety=True),
    Correctable("swap.cylinder", "cylinder", "cylinder", As.CYLINDER, _R, safety=True),
    Correctable("swap.struck", "struck", "struck", As.FLAG, _R, safety=True),
    Correctable("mark.at", "at", "time", As.TIME, _L),
    Correctable("mark.act", "act", "act", As.TEXT, _L),
    Correctable("mark.text", "text", "words", As.TEXT, _W),
    Correctable("mark.struck", "struck", "struck", As.FLAG, _L),
    Correctable("note.struck", "struck", "struck", As.FLAG, _L),
    Correctable("stage.kind", "kind", "kind of stage", As.STAGE_KIND, _R),
    Correctable("stage.begin", "begin", "begin", As.TIME, _R),
    Correctable("stage.end", "end", "end", As.TIME, _R, optional=True),
    Correctable("stage.struck", "struck", "struck", As.FLAG, _R),
    Correctable("stage.split", "split", "split", As.SPLIT, _R),
    Correctable("stage.joined", "join", "joined with", As.STAGE, _R),
    Correctable("channel.zero", "zero", "zero", As.NUMBER, _R, safety=True, spans=_BOTH),
    Correctable("channel.span", "span", "span", As.NUMBER, _R, safety=True, spans=_BOTH),
    Correctable("channel.point", "point", "measuring point", As.POINT, _R, safety=True, spans=_BOTH, optional=True),
    Correctable("correction.undone", "undone", "undone", As.FLAG, _R),
)

NOT_CORRECTED = {
    "job.job_id": "it is in every checkpoint",
    "job.units": "`rimelog units` changes how numbers are shown, from now on",
    "job.leak_rate_method": "it is one for all appliances of an owner: the next job's file sets it",
    "job.invented": "whether data is invented is no fact of the job",
    **dict.fromkeys(
        (
            f"calibration.{name}"
            for name in (
                "u",
                "done",
                "certificate",
                "by",
                "reference",
                "earlier_zero",
                "due_days",
                "zeroed",
                "zeroed_by",
                "zeroed_against",
            )
        ),
        "of a certificate or a reference: in the rig's file, by `rimelog calibrate`, with the next run",
    ),
}
"""Fields of the job, a cylinder and a channel's calibration that have no row, and why."""


@cache
def facts_known() -> dict[str, Correctable]:
    """All rows by key: those above, and a row for each setting of each stage."""
    found = {one.key: one for one in _ROWS}
    for stage in registry.STAGES:
        for one in settings_of(stage.settings):
            key = f"stage.settings.{one.name}"
            safety = "limit" in one.name
            typed = one.name.replace("_", "-")
            found.setdefault(
                key, Correctable(key, typed, one.name.replace("_", " "), one.kind, _L, safety, optional=True)
            )
    return found


def fact_of(key: str) -> Correctable | None:
    return facts_known().get(key)


def facts_of(target: str) -> tuple[Correctable, ...]:
    """Those of a type of thing: "job", "cylinder", "stage" ..."""
    return tuple(one for one in facts_known().values() if one.target == target)
