"""The cylinder on the scale as the daemon tells it: what is in it, what is not known, and what speaks against it."""

from logger.api.shape import shape
from logger.model.cylinder import Cylinder
from logger.model.events import JobOpened, RigLoaded
from logger.model.job import Job
from logger.model.units import NS_PER_S, PSI_PA
from logger.model.value import Value
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine
from logger.screen.status_lines import status_lines
from logger.screen.words import title
from tests.pipeline.text_rig import text_rig

T0 = 1_772_467_200_000_000_000
SCALE, SHELL, AIR = "text:scale", "text:shell", "text:air"
RIG = text_rig(
    {"scale": ("cylinder_mass", "kg"), "shell": ("cylinder_temperature", "C"), "air": ("ambient_temperature", "C")},
    'range = ["-50{unit}", "150{unit}"]',
)


def on_scale(cylinder: Cylinder, refrigerant: str = "R-410A") -> Engine:
    """30.0 kg on the scale in a recovery of that refrigerant."""
    engine = Engine()
    engine.apply(RigLoaded(t_ns=T0, rig=RIG))
    engine.apply(JobOpened(t_ns=T0, job=Job("j", refrigerant, 20.0), cylinders=(cylinder,)))
    do(engine, "cylinder", {"name": cylinder.name}, T0)
    do(engine, "stage-begin", {"kind": "recovery"}, T0)
    engine.frame(SCALE, T0 + NS_PER_S, b"30.0 kg")
    return engine


def values(engine: Engine, **shown: str) -> dict[str, Value]:
    """After a second in which these devices said so."""
    now = engine.model.now_ns or T0
    for name, line in shown.items():
        engine.frame(f"text:{name}", now + NS_PER_S, line.encode())
    engine.frame(SCALE, now + NS_PER_S, b"30.0 kg")
    engine.tick(now + 2 * NS_PER_S)
    return engine.values


A = Cylinder("A", 15.0, 20.0, 400 * PSI_PA, refrigerant="R-410A")


def test_a_temperature_the_table_does_not_reach_is_an_unknown_fill_with_that_reason() -> None:
    found = values(on_scale(A), shell="75.0 C")
    fill = found["cylinder_fill_now"]
    assert fill.number is None and "above the range of the table" in str(fill.problem)
    assert found["cylinder_of_limit"].number is not None  # by mass alone


def test_without_a_sound_shell_temperature_the_ambient_stands_in_and_says_so() -> None:
    engine = on_scale(A)
    lost = values(engine, shell="200.0 C")["cylinder_fill_now"]  # and nobody measures the air
    assert lost.number is None and lost.problem == "over range"
    fill = values(engine, shell="200.0 C", air="20.0 C")["cylinder_fill_now"]
    assert fill.number is not None and fill.u is None
    assert fill.note == "its temperature taken as ambient (over range)"
    measured = values(engine, shell="21.0 C", air="20.0 C")["cylinder_fill_now"]
    assert measured.number is not None and measured.u is not None and measured.note is None


def test_a_cylinder_entered_for_another_refrigerant_is_told_at_once_and_held_to_the_less_dense() -> None:
    engine = on_scale(Cylinder("B", 15.0, 20.0, 400 * PSI_PA, refrigerant="R-22"))
    mixed = values(engine, shell="20.0 C")["cylinder_of_limit"].number
    right = values(on_scale(A), shell="20.0 C")["cylinder_of_limit"].number
    assert mixed == right  # R-410A's limit, and not the higher one of R-22
    answer = str(do(engine, "cylinder", {"name": "B"}, T0 + 60 * NS_PER_S)["text"])
    assert all(word in answer for word in ("DO NOT FILL", "R-22", "R-410A"))
    assert "cylinder.contents" in [f.key for f in engine.snapshot().findings]
    do(engine, "stage-begin", {"kind": "charging", "anyway": True}, T0 + 61 * NS_PER_S)
    engine.tick(T0 + 80 * NS_PER_S)
    assert "cylinder.contents" in [f.key for f in engine.snapshot().findings]
    assert do(on_scale(A), "cylinder", {"name": "A"}, T0 + NS_PER_S)["text"] == "A is on the scale now."


def test_an_estimated_blend_is_marked_on_every_number_that_rests_on_it() -> None:
    engine = on_scale(Cylinder("E", 15.0, 20.0, refrigerant="R-438A"), "R-438A")
    found = values(engine, shell="20.0 C")
    for key in ("cylinder_of_limit", "mass_allowed", "cylinder_fill_now", "cylinder_fill_25c"):
        assert "estimated blend" in str(found[key].note), key
    state = shape(engine.snapshot(), {})
    assert "R-438A (estimated)" in title(state)
    (shown,) = [line for line in status_lines(state) if "Liquid fill now" in line]
    assert "estimated blend" in shown
