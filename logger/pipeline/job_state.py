"""The job as told by its events: every change goes through `apply`, live and on replay alike."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from logger.model.cylinder import Cylinder
from logger.model.finding import Finding
from logger.model.job import Job, Note, Stage, StageKind
from logger.model.plain import cylinder_from, finding_from, job_from, rig_from, value_from
from logger.model.rig import Rig, RigDevice
from logger.model.units import NS_PER_S
from logger.model.value import Value
from logger.refrigerant import SHIPPED, Refrigerant
from logger.refrigerant.table import shipped
from logger.stages.acceptance import Profile, profile_from_mapping
from logger.stages.charging.leak_record import EarlierJob

Event = dict[str, Any]  # JSON object with "type" and "t_ns"
Item = tuple[int, int, int, str, bytes | Event]  # t_ns, record id, index in it, device, frame or event
NOTES_KEPT = 200


class JobState:
    """job is None until JOB_OPENED. stages: all, in order; the last may be running.

    catalogue: the refrigerants that this job knows. cylinders: by name. on_scale: the name of the one now filled or
    emptied; swaps: (t_ns, name) of each that came.
    profiles: the user's own acceptance profiles. marks: (t_ns, act, text) of all stages.
    findings: by stage number, as concluded at the stage's end. earlier: the earlier jobs of this appliance that moved
    refrigerant, None when they could not be looked for; earlier_complete: all of them were read. baseline: figures of
    its last start-up in an earlier job; baseline_of: which.
    """

    def __init__(self) -> None:
        self.job: Job | None = None
        self.catalogue = SHIPPED
        self.rig = Rig("", ())
        self.bound: dict[str, str] = {}  # device id -> name of the rig's device it serves
        self.stages: list[Stage] = []
        self.cylinders: dict[str, Cylinder] = {}
        self.on_scale: str | None = None
        self.swaps: list[tuple[int, str]] = []
        self.profiles: dict[str, Profile] = {}
        self.notes: list[Note] = []
        self.marks: list[tuple[int, str, str]] = []
        self.findings: dict[int, list[Finding]] = {}
        self.closed = False
        self.utc_offset_s = 0
        self.earlier: tuple[EarlierJob, ...] | None = None
        self.earlier_complete = True
        self.baseline: dict[str, Value] | None = None
        self.baseline_of = ""

    def day(self, t_ns: int) -> date:
        """The day of a UTC time where the computer was when the last run began."""
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=t_ns // NS_PER_S + self.utc_offset_s)).date()

    @property
    def stage(self) -> Stage | None:
        """The running stage."""
        return self.stages[-1] if self.stages and self.stages[-1].ended_ns is None else None

    @property
    def cylinder(self) -> Cylinder | None:
        return self.cylinders.get(self.on_scale) if self.on_scale else None

    def rig_device(self, device_id: str) -> RigDevice | None:
        """The rig's entry for a device id: by id, or by what DEVICE_HELLO bound it to."""
        name = self.bound.get(device_id)
        for device in self.rig.devices:
            if device.device_id == device_id or (device.device_id is None and device.name == name):
                return device
        return None

    def apply(self, event: Event) -> None:
        """An event of an unknown type (of a later version) changes nothing."""
        handler = getattr(self, "_on_" + event["type"].replace("-", "_"), None)
        if handler is not None:
            handler(event)

    def _on_job_opened(self, event: Event) -> None:
        self._learn_blends(event)
        self.job = job_from(event["job"])
        self.closed = False
        for data in event.get("cylinders", ()):
            cylinder = cylinder_from(data)
            self.cylinders[cylinder.name] = cylinder
        self.profiles = {key: profile_from_mapping(key, table) for key, table in event.get("profiles", {}).items()}
        if "earlier_additions" in event:
            self.earlier = tuple(EarlierJob.from_dict(data) for data in event["earlier_additions"])
            self.earlier_complete = bool(event.get("earlier_complete", True))
        baseline = event.get("baseline")
        if baseline is not None:
            self.baseline = {name: value_from(data) for name, data in baseline["figures"].items()}
            self.baseline_of = f"the start-up of job {baseline['job']} on {baseline['date']}"

    def _learn_blends(self, event: Event) -> None:
        """The user's own: a stranger's program must compute with the same. One with a shipped name is left out."""
        blends = (Refrigerant.from_record(record) for record in event.get("blends", ()))
        self.catalogue = self.catalogue.with_blends(b for b in blends if shipped().get(b.name) is None)

    def _on_run_begun(self, event: Event) -> None:
        self.utc_offset_s = int(event.get("utc_offset_s", 0))

    def _on_rig_loaded(self, event: Event) -> None:
        self.rig = rig_from(event["rig"])

    def _on_device_hello(self, event: Event) -> None:
        self.bound[event["device"]] = event["name"]

    def _on_stage_begun(self, event: Event) -> None:
        self.stages.append(
            Stage(event["number"], StageKind(event["kind"]), event["t_ns"], None, dict(event.get("settings", {})))
        )

    def _on_stage_ended(self, event: Event) -> None:
        if self.stages:
            self.stages[-1] = replace(self.stages[-1], ended_ns=event["t_ns"])

    def _on_mark(self, event: Event) -> None:
        self.marks.append((event["t_ns"], event["act"], event.get("text", "")))

    def _on_note(self, event: Event) -> None:
        self.notes.append(Note(event["t_ns"], event["text"], event.get("author", "")))
        del self.notes[:-NOTES_KEPT]

    def _on_cylinder_on_scale(self, event: Event) -> None:
        self._learn_blends(event)
        cylinder = cylinder_from(event["cylinder"])
        self.cylinders[cylinder.name] = cylinder
        self.on_scale = cylinder.name
        self.swaps.append((event["t_ns"], cylinder.name))

    def _on_finding(self, event: Event) -> None:
        self.findings.setdefault(event["stage"], []).append(finding_from(event["finding"]))

    def _on_setting(self, event: Event) -> None:
        if self.job is not None and event["key"] in ("units", "barometer_pa", "full_charge_kg", "volume_m3"):
            self.job = replace(self.job, **{event["key"]: event["value"]})

    def _on_job_closed(self, event: Event) -> None:
        self.closed = True
