"""One more stage is a folder's worth of code and its line in the registry: everything else finds it there."""

import ast
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import pytest
from click.testing import CliRunner
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

import logger
from logger.alarms.rules import AlarmRule, Kind
from logger.api.shape import shape
from logger.cli.act_commands import stage_begin
from logger.cli.stage_begin import entered
from logger.evidence.chain import GENESIS, chained, event_of, new_event
from logger.export.bundle.outcome import Outcome, Result, VerifyReport
from logger.export.bundle.verify import verify_bundle
from logger.export.bundle.write import Exported, export_bundle
from logger.export.replayed import replay_job
from logger.model.alarm import Priority
from logger.model.drawing import LimitLine, PlotSpec
from logger.model.events import AlarmChanged, Event, FindingConcluded, RunEnded, StageBegun, StageEnded
from logger.model.finding import Finding, Text, Verdict
from logger.model.points import Quantity
from logger.model.records import EVENT, NewRecord, Record
from logger.model.units import NS_PER_S, POUND_KG, PSI_PA
from logger.model.value import Statement, Value, known, number, word
from logger.model.version import ANALYSIS, SOFTWARE
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine
from logger.pipeline.errors import NotNow
from logger.pipeline.job_alarms import all_rules
from logger.pipeline.replay import in_order, replay
from logger.stages import registry
from logger.stages.definition import LiveQuantity, Profiles, StageDefinition, StageResult, View
from logger.stages.inputs import StageInputs
from logger.stages.settings import Form, setting
from logger.wording.book import Words
from tests import pdf
from tests.export.rebag import as_new, taken_apart
from tests.export.simulated import T0_NS, simulated_job

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
END_S = 240.0
OIL_KG = 4 * POUND_KG

# -- the stage: an invented one, as its folder would have it ------------------------------------------------------

Inputs = StageInputs["OilChange"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OilChange:
    oil_charge: float | None = setting(Quantity.MASS, "the oil to put in, such as 4lb")
    new_filter: bool = setting(Form.FLAG, "the oil filter is changed too")


class OilWatch:
    def update(self, now: Inputs) -> Mapping[str, Value]:
        return {"oil_wanted": known(now.settings.oil_charge or 0.0, "kg")}

    def advice(self, now: Inputs) -> tuple[Statement, ...]:
        return (Statement("oil_change.warm"),)


def analyse(now: Inputs) -> StageResult:
    scale = now.series("cylinder_mass")
    count = known(float(len(scale)), "1")
    filter_ = "new" if now.settings.new_filter else "old"
    verdict = Verdict.PASS if now.settings.new_filter else Verdict.ATTENTION
    return StageResult(
        (
            Finding("oil_change.readings", Verdict.INFO, (number("readings", Quantity.COUNT, count),)),
            Finding("oil_change.filter", verdict, (word("filter", filter_),)),
        ),
        facts={"readings": count},
        limits=(LimitLine("full sump", "cylinder_mass", 12.0),),
    )


def alarms(settings: OilChange | None, profiles: Profiles) -> tuple[AlarmRule, ...]:
    return (
        AlarmRule(
            "sump-pressure", Priority.HIGH, Kind.HIGH, "recovery_inlet_pressure",
            Quantity.PRESSURE, 1 * PSI_PA, on_delay_s=2, stages=frozenset({"oil-change"}),
            basis="invented for this test",
        ),
    )  # fmt: skip


WORDS = Words(
    findings={
        "oil_change.readings": lambda f: Text("weighed", f"{f('readings')} readings of the scale."),
        "oil_change.filter": lambda f: Text("oil changed", f"The oil was changed, {f('filter')}."),
    },
    statements={"oil_change.warm": lambda f: "Warm the crankcase before the oil is drained."},
    terms={"new": "with a new filter", "old": "the filter was not changed"},
)
OIL_CHANGE = StageDefinition(
    kind="oil-change",
    label="Oil change",
    decides="oil_change.filter",
    settings=OilChange,
    analyse=analyse,
    watch=lambda now: OilWatch(),
    view=View("oil_wanted", ("cylinder_net_mass",), "cylinder_mass", ("ambient_temperature", "cylinder_mass")),
    live=(LiveQuantity("oil_wanted", "Oil to put in", Quantity.MASS),),
    alarms=alarms,
    silence_matters=frozenset({"ambient_temperature"}),
    plots=(PlotSpec("Oil on the scale", ("cylinder_mass",)),),
    listed=("cylinder_mass", "ambient"),
    words=WORDS,
)


@pytest.fixture
def seven(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(registry, "STAGES", (*registry.STAGES, OIL_CHANGE))


# -- a job with that stage ----------------------------------------------------------------------------------------

SETTINGS = {"oil_charge": OIL_KG, "new_filter": True}
BEGUN = {"kind": "oil-change", "settings": SETTINGS}
SAID = {
    "oil_change.filter": Text("oil changed", "The oil was changed, with a new filter."),
    "oil_change.readings": Text("weighed", "Seven readings of the scale."),
}


def linked(new: list[NewRecord]) -> tuple[Record, ...]:
    out: list[Record] = []
    for one in new:
        out.append(chained(out[-1].digest if out else GENESIS, one, len(out) + 1))
    return tuple(out)


@lru_cache(maxsize=2)
def job(*concluded: Finding) -> tuple[Record, ...]:
    """Four minutes of a simulated plant, whose stage is an oil change that ended with these findings."""
    out: list[NewRecord] = []
    end_ns = T0_NS + round(END_S * NS_PER_S)
    for record in simulated_job("recovery", END_S, ("scale", "recovery board")):
        event = event_of(record) if record.kind == EVENT else None
        if isinstance(event, StageBegun):
            out.append(new_event(replace(event, kind="oil-change", settings=SETTINGS)))
            continue
        if isinstance(event, RunEnded):
            ended = StageEnded(t_ns=end_ns, number=1, analysis=ANALYSIS, software=SOFTWARE)
            said = (FindingConcluded(t_ns=end_ns, stage=1, finding=f, said=SAID[f.key]) for f in concluded)
            out += map(new_event, (ended, *said))
        out.append(as_new(record))
    return linked(out)


def live(records: tuple[Record, ...], until_s: float) -> tuple[Engine, list[Event]]:
    """A live engine over the records, ticked each second, and the events it made."""
    engine, next_tick = Engine(), 0
    made: list[Event] = []
    for t_ns, _, _, device, item in in_order(records):
        if t_ns >= T0_NS + until_s * NS_PER_S:
            break
        if isinstance(item, bytes):
            engine.device_connected(device)
            engine.frame(device, t_ns, item)
        else:
            engine.apply(item)
        if t_ns >= next_tick:
            engine.tick(t_ns)
            next_tick = t_ns + NS_PER_S
        made += engine.take_events()
    return engine, made


def exported(records: tuple[Record, ...], folder: Path) -> Exported:
    return export_bundle(lambda: iter(records), replay_job, KEY, folder)


def pages(report: Path) -> str:
    return re.sub(r"[\s\u200b]+", " ", pdf.text(report))


def outcomes(report: VerifyReport) -> dict[str, Outcome]:
    """Of what is made anew from the records."""
    made = ("readings", "events", "findings", "concluded", "report")
    return {check.key: check.outcome for check in report.checks if check.key in made}


# -- what finds it ------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("seven")
def test_stage_begin_has_its_options_and_reads_what_is_typed() -> None:
    said = CliRunner().invoke(stage_begin, ["--help"]).output
    assert re.search(r"--oil-charge TEXT\s+Oil change: the oil to put in, such as 4lb\.", said)
    assert re.search(r"--new-filter\s+Oil change: the oil filter", said)
    typed = {"oil_charge": "4lb", "new_filter": True, "target": None, "minor_repair": False}
    assert entered("oil-change", typed) == {"oil_charge": pytest.approx(OIL_KG), "new_filter": True}


@pytest.mark.usefixtures("seven")
@pytest.mark.parametrize(
    ("line", "words"),
    [
        (["oil-change", "--target", "98lb"], "Oil change: --target is not a setting of this stage; its"),
        (["recovery", "--new-filter"], "Recovery: --new-filter is not a setting of this stage; its"),
        (["lunch"], "no stage 'lunch'. Known: recovery, pressure-test,"),
    ],
)  # fmt: skip
def test_stage_begin_refuses_what_belongs_to_another_stage(line: list[str], words: str) -> None:
    done = CliRunner().invoke(stage_begin, line)
    assert done.exit_code == 2
    assert words in re.sub(r"[\s│]+", " ", done.output)


@pytest.mark.usefixtures("seven")
def test_it_is_begun_and_ended_like_any_other() -> None:
    engine, _ = live(job(), 0.5)
    with pytest.raises(
        NotNow,
        match=r"^setting\.not_of_stage, .* there_is new_filter, stage oil-change$",
    ):
        do(engine, "stage-begin", {"kind": "oil-change", "settings": {"target": 3.0}}, T0_NS + NS_PER_S)
    with pytest.raises(NotNow, match=r"^setting\.above_zero, setting oil_charge, stage oil-change$"):
        do(engine, "stage-begin", {"kind": "oil-change", "settings": {"oil_charge": 0}}, T0_NS + NS_PER_S)
    assert do(engine, "stage-begin", BEGUN, T0_NS + NS_PER_S) == {"text": "Oil change begun, stage 1", "number": 1}
    ended = do(engine, "stage-end", {}, T0_NS + 9 * NS_PER_S)
    assert ended["text"] == "Oil change ended"
    assert [f["key"] for f in ended["findings"]] == ["oil_change.filter", "oil_change.readings"], "it decides"


@pytest.mark.usefixtures("seven")
def test_screens_show_its_view_advice_and_findings() -> None:
    engine, _ = live(job(), END_S - 1)
    state = shape(engine.snapshot(), {})
    assert (state["stage"]["label"], state["stage"]["running"]) == ("Oil change", True)
    assert state["view"] == {
        "headline": "oil_wanted", "lines": ["cylinder_net_mass"], "trend": "cylinder_mass", "log_trend": False,
    }  # fmt: skip
    assert (state["live"]["oil_wanted"]["label"], state["live"]["oil_wanted"]["text"]) == ("Oil to put in", "4.0 lb")
    assert state["advice"] == ["Warm the crankcase before the oil is drained."]
    assert [f["key"] for f in state["findings"]] == ["oil_change.filter", "oil_change.readings"]
    assert [p["point"] for p in state["points"]][:2] == ["ambient_temperature", "cylinder_mass"]


@pytest.mark.usefixtures("seven")
def test_its_alarms_are_watched_and_what_it_needs_may_not_fall_silent() -> None:
    engine, made = live(job(), 60.0)
    assert "sump-pressure" in {e.key for e in made if isinstance(e, AlarmChanged)}
    assert engine.judge.state.of("sump-pressure").condition
    rules = {rule.key: rule for rule in all_rules(["ambient_temperature", "recovery_inlet_pressure"])}
    assert rules["sump-pressure"].stages == frozenset({"oil-change"})
    assert "oil-change" in (rules["no-data-ambient_temperature"].stages or ())
    assert rules["overfill-soon"].stages == frozenset({"recovery", None}), "it fills no cylinder"


@pytest.mark.usefixtures("seven")
def test_its_facts_are_there_for_the_stages_after_it() -> None:
    engine = replay(job())
    assert engine.model.facts[1]["readings"].number == pytest.approx(END_S, abs=END_S / 2)
    assert [f.key for f in engine.results[1].findings] == ["oil_change.filter", "oil_change.readings"]


@pytest.mark.usefixtures("seven")
def test_report_and_bundle_have_it_and_the_bundle_holds(tmp_path: Path) -> None:
    concluded = replay(job()).results[1].findings
    records = job(*concluded)
    made = exported(records, tmp_path)
    text = pages(made.report)
    for part in ("1 Oil change", "PASS Oil changed", "with a new filter", "Oil on the scale", "full sump"):
        assert part in text, part
    _, files = taken_apart(made.bundle)
    (stage,) = json.loads(files["data/findings.json"])["stages"]
    assert (stage["stage"], stage["verdict"], stage["findings"][0]["text"]["headline"]) == (1, "pass", "oil changed")
    assert "oil change" in files["data/events.csv"].decode()
    assert set(outcomes(verify_bundle(made.bundle, replay_job)).values()) == {Outcome.HOLDS}


# -- and a program that does not have it --------------------------------------------------------------------------

CONCLUDED = (
    Finding("oil_change.filter", Verdict.PASS, (word("filter", "new"),)),
    Finding("oil_change.readings", Verdict.INFO, (number("readings", Quantity.COUNT, known(7.0, "1")),)),
)


@pytest.mark.parametrize("until", [Engine, lambda: Engine(live=False)])
def test_a_record_of_a_later_version_replays_with_its_findings_as_recorded(until: Callable[[], Engine]) -> None:
    engine = replay(job(*CONCLUDED), until())
    engine.tick(engine.model.now_ns + NS_PER_S)
    recorded = tuple(replace(finding, said=SAID[finding.key]) for finding in CONCLUDED)
    assert engine.results[1].findings == engine.snapshot().findings == recorded
    engine.count_late()
    assert engine.results[1].findings == recorded
    state = shape(engine.snapshot(), {})
    assert (state["stage"]["label"], state["stage"]["kind"]) == ("Oil change", "oil-change")
    assert state["earlier"][0]["headline"] == "oil changed"


def test_while_such_a_stage_runs_the_job_goes_on_with_the_alarms_of_every_stage() -> None:
    engine, made = live(job(), 60.0)
    assert engine.snapshot().stage is not None
    assert engine.values["cylinder_of_limit"].number is not None
    assert "program-fault" not in {e.key for e in made if isinstance(e, AlarmChanged)}
    assert "sump-pressure" not in {rule.key for rule in engine.judge.alarm_engine.rules}
    assert {"overfill", "cylinder-pressure"} <= {rule.key for rule in engine.judge.alarm_engine.rules}


def test_its_report_and_bundle_hold_and_say_what_was_not_computed_again(tmp_path: Path) -> None:
    made = exported(job(*CONCLUDED), tmp_path)
    text = pages(made.report)
    assert "1 Oil change" in text and "PASS Oil changed" in text and "Seven readings" in text
    report = verify_bundle(made.bundle, replay_job)
    found = outcomes(report)
    assert (
        report.result is Result.HOLDS_BUT
        and found.pop("concluded") is Outcome.NOTED
        and set(found.values()) == {Outcome.HOLDS}
    )
    (check,) = (check for check in report.checks if check.key == "concluded")
    assert check.text == "stage 1: this version does not know the stage oil-change; its findings are as recorded"


# -- so nothing else may know which stages there are --------------------------------------------------------------


def test_outside_the_stages_nothing_names_a_stage() -> None:
    """Neither by the text of its kind nor by importing from its folder."""
    room = Path(logger.__file__).parent
    kinds = {one.kind for one in registry.STAGES}
    folders = tuple(f"logger.stages.{kind.replace('-', '_')}" for kind in kinds)
    found, imported = set(), set()
    for path in room.rglob("*.py"):
        where = path.relative_to(room).as_posix()
        if where.startswith("stages/"):
            continue
        nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
        if {node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)} & kinds:
            found.add(where)
        for node in nodes:
            if isinstance(node, ast.Import | ast.ImportFrom):
                package = f"{node.module}." if isinstance(node, ast.ImportFrom) else ""
                modules = {f"{package}{one.name}" for one in node.names}
                imported |= {(where, module) for module in modules if module.startswith(folders)}
    assert (found, imported) == (set(), set())
