"""What all time lines share."""

from sim_device.scenario import Step

MICRON_PA = 0.133322387415
HOUR = 3600.0


def begin(kind: str, wait_s: float = 0.0, **settings: float | str) -> Step:
    """The operator says that a stage begins. settings: as entered then, in SI."""
    return Step("stage", {"begin": kind, **({"settings": settings} if settings else {})}, wait_s)


def end(wait_s: float = 0.0, until: tuple[str, str, float] | None = None, at_most_s: float = 24 * HOUR) -> Step:
    """The operator says that the stage has ended."""
    return Step("stage", {"end": True}, wait_s, until, at_most_s)
