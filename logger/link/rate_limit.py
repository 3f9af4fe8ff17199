"""A device that sends without end must not fill memory, disk or the day of a core."""

from logger.model.units import NS_PER_S


class RateLimit:
    """Token bucket: `per_s` on average, `burst` at once (twice `per_s`). Counts what it refuses."""

    __slots__ = ("_at_ns", "_burst", "_expected", "_per_s", "_refused_ns", "_reported_ns", "_tokens", "refused")

    def __init__(self, per_s: float, burst: float = 0.0) -> None:
        self._per_s = per_s
        self._burst = self._tokens = burst or 2 * per_s
        self._at_ns: int | None = None
        self._refused_ns: int | None = None
        self._reported_ns: int | None = None
        self._expected = 0
        self.refused = 0

    def allows(self, now_ns: int) -> bool:
        """Whether one more may pass now."""
        if self._at_ns is not None and now_ns > self._at_ns:
            gained = (now_ns - self._at_ns) / NS_PER_S * self._per_s
            self._tokens = min(self._tokens + gained, self._burst)
        self._at_ns = now_ns if self._at_ns is None else max(now_ns, self._at_ns)
        if self._tokens < 1 and self._expected > 0:
            self._expected -= 1
            return True
        if self._tokens < 1:
            self.refused += 1
            self._refused_ns = now_ns
            return False
        self._tokens -= 1
        return True

    def expect(self, count: int) -> None:
        """So many more may pass, whenever they come: they were asked for."""
        self._expected = count

    def take_refused(self) -> int:
        """How many were refused since the last call."""
        refused, self.refused = self.refused, 0
        return refused

    def report_due(self, now_ns: int) -> bool:
        """True at most once a second, when something was refused since the last report."""
        if not self.refused or (self._reported_ns is not None and now_ns - self._reported_ns < NS_PER_S):
            return False
        self._reported_ns = now_ns
        return True

    def refusing(self, now_ns: int) -> bool:
        """Something was refused within the last two seconds."""
        return self._refused_ns is not None and now_ns - self._refused_ns < 2 * NS_PER_S


class Throttle:
    """How long to leave a stream unread so that it brings no more than `per_s` bytes a second in the long run."""

    __slots__ = ("_debt", "_per_s", "_seen_ns")

    def __init__(self, per_s: float) -> None:
        self._per_s = per_s
        self._debt = 0.0  # bytes read beyond the rate
        self._seen_ns: int | None = None

    def pause_s(self, size: int, now_ns: int) -> float:
        """`size` bytes were read now; seconds to wait before reading on. A second's worth at once costs nothing."""
        if self._seen_ns is not None:
            self._debt = max(0.0, self._debt - max(0, now_ns - self._seen_ns) / NS_PER_S * self._per_s)
        self._seen_ns = now_ns
        self._debt += size
        return max(0.0, self._debt / self._per_s - 1)
