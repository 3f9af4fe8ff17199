"""Plant time that runs N times as fast as the wall's."""

import time

from sim_device.errors import BadSetting


class SimClock:
    """now_s: plant seconds; starts at `start_s` when made. `speed` may change while it runs; 0 stops it."""

    def __init__(self, speed: float = 1.0, start_s: float = 0.0) -> None:
        self._speed = _checked(speed)
        self._anchor_s, self._anchor_wall = start_s, time.monotonic()

    @property
    def now_s(self) -> float:
        return self._anchor_s + (time.monotonic() - self._anchor_wall) * self._speed

    @property
    def speed(self) -> float:
        return self._speed

    @speed.setter
    def speed(self, speed: float) -> None:
        now_s = self.now_s
        self._speed = _checked(speed)
        self._anchor_s, self._anchor_wall = now_s, time.monotonic()


def _checked(speed: float) -> float:
    if not 0.0 <= speed <= 100_000.0:
        raise BadSetting(f"a speed is 0 to 100000 times real time, not {speed}")
    return speed
