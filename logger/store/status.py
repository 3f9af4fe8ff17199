"""How the writer is doing, for screens and alarms."""

from dataclasses import dataclass

LOW_SPACE = "low space"  # everything is in the file, but not for long
DISK_FULL = "disk full"  # new data is only in memory
REFUSED = "storage refuses writing"  # new data is only in memory
DAMAGED = "damaged"  # the file was put aside and what can be read of it saved
GONE = "job file gone"  # new data is only in memory, all before it in a file that has no name any more
RESTORED = "job file restored"  # after it had been gone; everything is in it
FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Problem:
    """kind: one of the words above. text: what the user reads."""

    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class StoreStatus:
    """last_id, last_t0_ns: of the last record in the file (0, None when empty). unsaved_s: how long the oldest record
    has been waiting. lost_frames: given up since the start. reserve: whether room is set aside for a full disk.
    """

    last_id: int
    last_t0_ns: int | None
    unsaved_records: int
    unsaved_s: float
    unsaved_bytes: int
    lost_frames: int
    reserve: bool
    problem: Problem | None
