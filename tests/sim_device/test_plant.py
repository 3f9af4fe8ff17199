"""The plant: conserved, deterministic, steered, and clear about what it refuses."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim_device.actions import ACTIONS
from sim_device.errors import BadSetting, SimError, UnknownAction, UnknownChannel
from sim_device.physics.fluid import fluid
from sim_device.physics.recovery import RecoveryMachine
from sim_device.physics.vessel import Vessel
from sim_device.plant import Plant

_ANY_ACT = st.sampled_from(
    [
        ("start_recovery", {}),
        ("start_recovery", {"liquid": False}),
        ("stop_recovery", {}),
        ("swap_cylinder", {"to": "cylinder A"}),
        ("swap_cylinder", {"to": "charging cylinder"}),
        ("start_pump", {}),
        ("isolate", {}),
        ("open_valve", {}),
        ("stop_pump", {}),
        ("start_charging", {"mode": "liquid"}),
        ("start_charging", {"mode": "vapour"}),
        ("start_charging", {"mode": "push-pull"}),
        ("stop_charging", {}),
        ("start_machine", {}),
        ("stop_machine", {}),
        ("fill_nitrogen", {"to_pa": 1.2e6}),
        ("vent", {}),
        ("close_ports", {}),
        ("set_leak", {"size_pa_m3_s": 0.05}),
        ("restrict_hose", {"share": 0.3, "end": "out"}),
        ("fit_subcooler", {}),
        ("sun", {"watt": 300.0}),
        ("circulate", {"ua_w_k": 400.0}),
        ("add_water", {"kg": 0.05}),
        ("bump_scale", {}),
        ("lift_cylinder", {}),
    ]
)


@settings(max_examples=25, deadline=None)
@given(acts=st.lists(st.tuples(_ANY_ACT, st.floats(1.0, 240.0)), min_size=1, max_size=12))
def test_no_sequence_of_acts_makes_or_loses_refrigerant(
    acts: list[tuple[tuple[str, dict[str, object]], float]],
) -> None:
    plant = Plant("brewery", 3, autopilot=False)
    before = plant.truth()["total_kg"]
    for (action, kw), wait_s in acts:
        try:
            plant.do(action, **kw)
        except BadSetting:
            pass  # refused, such as venting a charged circuit
        plant.advance_to(plant.t_s + wait_s)
        truth = plant.truth()
        assert truth["total_kg"] == pytest.approx(before, abs=1e-8)
        assert min(truth["circuit_liquid_kg"], truth["circuit_vapour_kg"], truth["oil_kg"]) >= -1e-9
        assert min(truth["cylinders_kg"].values()) >= 0
        assert truth["circuit_pa"] >= 0


@pytest.mark.parametrize("name", ["brewery", "wet", "bumped_scale"])
def test_same_seed_same_values_however_it_is_cut(name: str) -> None:
    one, two, other = Plant(name, 5), Plant(name, 5), Plant(name, 6)
    cuts = random.Random(1)
    while two.t_s < 900:
        two.advance_to(two.t_s + cuts.uniform(0.1, 40))
    one.advance_to(two.t_s)
    other.advance_to(two.t_s)
    assert one.truth() == two.truth()
    assert [one.read(p) for p in one.channels] == [two.read(p) for p in two.channels]
    assert one.done == two.done
    assert one.truth() != other.truth()


def test_what_was_is_still_read_later() -> None:
    plant = Plant("recovery", 1)
    plant.advance_to(100.0)
    then = plant.read("cylinder_mass")
    plant.advance_to(200.0)
    assert plant.read("cylinder_mass", 100.0) == then
    between = plant.read("cylinder_mass", 100.2)
    assert then < between < plant.read("cylinder_mass", 100.5)
    plant.advance_to(50.0)  # never backwards
    assert plant.t_s == 200.0


def test_steered_from_outside() -> None:
    plant = Plant("tight", 1, autopilot=False)
    plant.do("start_pump")
    plant.advance_to(1800)
    pumped = plant.truth()["circuit_pa"]
    assert pumped < 100
    plant.do("isolate")
    plant.do("set_leak", size_pa_m3_s=0.1)
    plant.advance_to(1900)
    assert plant.truth()["circuit_pa"] == pytest.approx(pumped + 0.1 * 1.01325**2 * 100 / 0.05, rel=0.01)
    assert [d.action for d in plant.done] == ["start_pump", "isolate", "set_leak"]


def test_refusals_say_what_would_fit() -> None:
    plant = Plant("recovery", 1, autopilot=False)
    with pytest.raises(UnknownAction, match="start_recovery"):
        plant.do("explode")
    with pytest.raises(UnknownChannel, match="cylinder_mass"):
        plant.read("mood")
    with pytest.raises(BadSetting, match="push-pull"):
        plant.do("start_charging", mode="sideways")
    with pytest.raises(BadSetting, match="no_such"):
        plant.do("isolate", no_such=1)
    with pytest.raises(BadSetting, match="no further cylinder"):
        plant.do("swap_cylinder")
    with pytest.raises(BadSetting, match="never vented"):
        plant.do("vent")
    with pytest.raises(BadSetting, match="gauge fault"):
        plant.do("gauge_fault", fault="sad")
    assert plant.done == []
    assert issubclass(UnknownAction, SimError)
    assert all(isinstance(name, str) for name in ACTIONS)


@settings(max_examples=20, deadline=None)
@given(liquid=st.booleans(), subcooler=st.sampled_from([0.0, 60.0]), t_k=st.floats(275.0, 305.0))
def test_recovery_keeps_energy(liquid: bool, subcooler: float, t_k: float) -> None:
    """Two vessels without heat from outside: stored energy changes by the machine's work less what it rejects."""
    f = fluid("R-407C")
    source, sink = Vessel(f, 0.05, 20.0, t_k, 4e4), Vessel(f, 0.03, 2.0, 295.0, 8e3)
    machine = RecoveryMachine(running=True, from_liquid=liquid, subcooler_w_k=subcooler)
    energy, mass = source.energy_j + sink.energy_j, source.mass_kg + sink.mass_kg
    outside = 0.0
    for _ in range(600):
        flow = machine.flow(source, sink, 298.15)
        source.add(-flow.kg_s * 0.5, flow.enthalpy_in)
        sink.add(flow.kg_s * 0.5, flow.enthalpy_out)
        outside += (flow.power_w - flow.rejected_w) * 0.5
        source.settle()
        sink.settle()
    assert source.mass_kg + sink.mass_kg == pytest.approx(mass, abs=1e-9)
    assert source.energy_j + sink.energy_j == pytest.approx(energy + outside, abs=1.0)
    assert source.temp_k < t_k  # it boils and cools itself


def test_recovery_slows_as_the_cylinder_pushes_back() -> None:
    f = fluid("R-407C")
    source = Vessel(f, 0.05, 1.0, 275.0, 4e4)  # vapour only
    rates = []
    for cylinder_k in (285.0, 300.0, 320.0):
        machine = RecoveryMachine(running=True)
        rates.append(machine.flow(source, Vessel(f, 0.03, 10.0, cylinder_k, 8e3), 298.15).kg_s)
    assert rates[0] > rates[1] > rates[2] > 0


def test_machine_trips_at_its_cut_out() -> None:
    f = fluid("R-407C")
    hot = Vessel(f, 0.02, 20.0, 345.0, 8e3)
    machine = RecoveryMachine(running=True)
    assert machine.flow(Vessel(f, 0.05, 20.0, 290.0, 4e4), hot, 298.15).kg_s == 0.0
    assert machine.tripped
