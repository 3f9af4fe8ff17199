"""Outputs of a device: relays held closed by permit only, opened by the device itself (SPEC.md section 8).

Pure: told of permits, samples and time in device milliseconds; never asks for either.
"""

from dataclasses import dataclass

from firmware_protocol.codes import NO_GUARD, DeviceState, ErrorCode, OpenedBy, OutputState, PermitAction
from firmware_protocol.layout import Layout, Reading
from firmware_protocol.messages import OutputDescription
from firmware_protocol.requests import Permit

_TRIPPING = (
    OpenedBy.PERMIT_EXPIRED, OpenedBy.GUARD_NO_READING, OpenedBy.GUARD_LIMIT, OpenedBy.DEVICE_FAULT,
    OpenedBy.STREAM_STOPPED, OpenedBy.LAYOUT_CHANGED,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class DeviceNow:
    """What a permit is checked against."""

    state: DeviceState
    boot_count: int
    tick: int
    tick_rate_hz: int
    ms: int
    layout: Layout


class Output:
    """One relay. closed: as commanded. opened_by: why it last opened."""

    def __init__(self, index: int, label: str, longest_timeout_ms: int = 60_000, reopen_delay_ms: int = 3_000) -> None:
        self.index = index
        self.description = OutputDescription(
            request_id=0, index=index, longest_timeout_ms=longest_timeout_ms, reopen_delay_ms=reopen_delay_ms,
            label=label,
        )  # fmt: skip
        self.closed = False
        self.opened_by = OpenedBy.START_UP
        self.opened_ms = 0  # how long it was open before the start-up is not known
        self.expires_ms = 0
        self._guard: Permit | None = None

    @property
    def tripped(self) -> bool:
        return not self.closed and self.opened_by in _TRIPPING

    def permit(self, permit: Permit, device: DeviceNow) -> tuple[ErrorCode, str] | None:
        """Carry a permit out; None, or why it is refused."""
        if permit.action == PermitAction.OPEN:
            self._open(OpenedBy.HOST, device.ms)
            return None
        refused = self._refusal(permit, device)
        if refused is None:
            self.closed = True
            self.expires_ms = device.ms + permit.timeout_ms
            self._guard = permit if permit.guard_channel != NO_GUARD else None
        return refused

    # Refused by the first that applies, in the order of SPEC.md section 8.
    def _refusal(self, permit: Permit, device: DeviceNow) -> tuple[ErrorCode, str] | None:
        if device.state is not DeviceState.STREAMING:
            return ErrorCode.NOT_STREAMING, "not streaming"
        if permit.boot_count != device.boot_count:
            return ErrorCode.STALE_PERMIT, "permit of another start"
        if not 0 < permit.timeout_ms <= self.description.longest_timeout_ms:
            return ErrorCode.OUT_OF_RANGE, f"a time-out is 1 to {self.description.longest_timeout_ms} ms"
        if (device.tick - permit.tick) & 0xFFFFFFFF > permit.timeout_ms * device.tick_rate_hz // 1000:
            return ErrorCode.STALE_PERMIT, "permit too old"
        if permit.guard_channel != NO_GUARD:
            if permit.guard_channel >= len(device.layout.channels):
                return ErrorCode.NO_SUCH_CHANNEL, f"no channel {permit.guard_channel} to guard by"
            if permit.guard_layout_id != device.layout.layout_id:
                return ErrorCode.OUT_OF_RANGE, "guard limits of another layout"
        if self.tripped:
            return ErrorCode.MUST_REARM, "tripped: re-arm by a permit to open"
        if not self.closed:
            wait_ms = self.opened_ms + self.description.reopen_delay_ms - device.ms
            if wait_ms > 0:
                return ErrorCode.BUSY, f"closed again in {wait_ms} ms at the earliest"
        return None

    def left_ms(self, ms: int) -> int:
        return max(0, self.expires_ms - ms) if self.closed else 0

    def status(self, ms: int) -> tuple[int, int, int]:
        return (OutputState.CLOSED if self.closed else OutputState.OPEN, self.opened_by, self.left_ms(ms))

    def watch_time(self, ms: int) -> bool:
        """True when it opened because the permit ran out."""
        return self.closed and ms >= self.expires_ms and self._open(OpenedBy.PERMIT_EXPIRED, ms)

    def watch_samples(self, readings: dict[int, Reading], layout: Layout, ms: int) -> bool:
        """True when the guard opened it."""
        guard = self._guard
        if not self.closed or guard is None:
            return False
        if guard.guard_layout_id != layout.layout_id:
            return self._open(OpenedBy.LAYOUT_CHANGED, ms)
        if guard.guard_channel not in readings:
            return False
        reading = readings[guard.guard_channel]
        if not isinstance(reading, int):
            return self._open(OpenedBy.GUARD_NO_READING, ms)
        return not guard.guard_low <= reading <= guard.guard_high and self._open(OpenedBy.GUARD_LIMIT, ms)

    def trip(self, why: OpenedBy, ms: int) -> bool:
        """True when it was closed and opened for that reason."""
        return self.closed and self._open(why, ms)

    def _open(self, why: OpenedBy, ms: int) -> bool:
        # an open re-arms a tripped output, but the delay runs from when the contact really opened
        if self.closed:
            self.opened_ms = ms
        self.closed, self.opened_by, self._guard = False, why, None
        return True
