"""A device's own clock: counts from switching on, runs a little fast or slow, never set."""


class TickClock:
    """ms of plant second now_s, and back. Plant seconds in, device milliseconds out."""

    def __init__(self, start_s: float, drift_ppm: float = 0.0) -> None:
        self._anchor_s, self._anchor_ms = start_s, 0.0
        self.drift_ppm = drift_ppm

    def set_drift(self, ppm: float, now_s: float) -> None:
        """Another rate from now on; what was counted stays."""
        self._anchor_ms, self._anchor_s = self._exact_ms(now_s), now_s
        self.drift_ppm = ppm

    def _exact_ms(self, now_s: float) -> float:
        return self._anchor_ms + (now_s - self._anchor_s) * 1000.0 * (1.0 + self.drift_ppm * 1e-6)

    def ms(self, now_s: float) -> int:
        # a thousandth more, so that an instant reached exactly is not missed by rounding
        return int(self._exact_ms(now_s) + 1e-3)

    def seconds(self, ms: float) -> float:
        return self._anchor_s + (ms - self._anchor_ms) / (1000.0 * (1.0 + self.drift_ppm * 1e-6))
