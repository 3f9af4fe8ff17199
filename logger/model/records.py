"""The stored record: the one unit of evidence, and the event types written into the chain.

A record is either one second or so of raw frames of one device (`FRAMES`) or one event (`EVENT`, canonical
JSON). All records of a job form one hash chain (logger/evidence/chain.py): what is not in it is not protected.
"""

from dataclasses import dataclass

FRAMES = "frames"
EVENT = "event"


@dataclass(frozen=True, slots=True)
class Record:
    """One row of the chain.

    id: 1, 2, 3 ... without holes. kind: FRAMES or EVENT. device: device id in hex, "" for events.
    t0_ns: UTC nanoseconds of the first frame or of the event. n: frames in it (1 for an event).
    offsets: for each frame two unsigned LEB128 varints: microseconds since t0_ns, length in bytes.
    payload: raw frames as they came, end to end; or the event as canonical JSON (UTF-8).
    digest: SHA-256 over previous digest, header, offsets and payload.
    """

    id: int
    kind: str
    device: str
    t0_ns: int
    n: int
    offsets: bytes
    payload: bytes
    digest: bytes


@dataclass(frozen=True, slots=True)
class NewRecord:
    """A record before the writer gives it its id and digest."""

    kind: str
    device: str
    t0_ns: int
    n: int
    offsets: bytes
    payload: bytes


# Event types: the "type" key of an event's JSON. Every event also has "t_ns".
JOB_OPENED = "job-opened"  # job (all fields), software version, host
RIG_LOADED = "rig-loaded"  # the rig file's text and its SHA-256: calibration is in it
DEVICE_HELLO = "device-hello"  # device, url, decoded hello
DEVICE_LOST = "device-lost"
STAGE_BEGUN = "stage-begun"  # number, kind, settings, operator
STAGE_ENDED = "stage-ended"
MARK = "mark"  # an act inside a stage: isolated, pump-started, cylinder-swapped, nitrogen-break, ...
NOTE = "note"
ALARM = "alarm"  # one change of one alarm
CYLINDER_ON_SCALE = "cylinder-on-scale"  # the cylinder now filled or emptied (all fields), scale reading
FINDING = "finding"  # a conclusion as shown to the user when it was drawn
GAP = "gap"  # no trusted data: from, to, cause (link, sleep, stall, disk full, device dropped)
CLOCK = "clock"  # clock step, or the fit of device ticks to host time with its error
KEEP_AWAKE = "keep-awake"  # what inhibitor was obtained
PERMIT = "permit"  # a device's contact: armed, closed, opened, released; by whom or why
SETTING = "setting"  # a changed setting: units, alarm limit, target
PROPOSED = "proposed"  # what the readings say has happened, and nobody has said
PROPOSAL_ANSWERED = "proposal-answered"  # yes, no, or what ended it without a person
CORRECTED = "corrected"  # something entered before was wrong: which fact of what, old and new value, by whom and why
JOB_CLOSED = "job-closed"
JOB_AMENDED = "job-amended"  # a closed job goes on: by whom, why, and the chain that was closed
RUN_BEGUN = "run-begun"  # the program was started on this job: its version and platform
RUN_ENDED = "run-ended"
