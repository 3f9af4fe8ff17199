"""A job's own blends in its bundle: computed with, checked against their compositions, never in another job's way."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.cylinder.limits import limits
from logger.evidence.chain import GENESIS, chained, event_of, new_event
from logger.export.bundle.outcome import Outcome, Result, VerifyReport
from logger.export.bundle.verify import verify_bundle
from logger.export.bundle.write import export_bundle
from logger.export.comparison.sides import sides
from logger.export.replayed import replay_job
from logger.model import records as r
from logger.model.events import CylinderOnScale, JobOpened
from logger.model.records import Record
from logger.pipeline.replay import replay
from logger.refrigerant import find, table
from logger.refrigerant.blends import Blend, build_blend
from tests.export.rebag import as_new
from tests.export.simulated import simulated_job
from tests.export.test_bundle import KEY

UNTIL_S = 480.0
SHOP = build_blend(Blend("SHOP-1", {"R-32": 0.5, "R-125": 0.5}, "A1")).record()


def doctored(record: dict[str, Any], name: str = "SHOP-1") -> dict[str, Any]:
    """A liquid a tenth less dense: a fill that looks harmless."""
    copy: dict[str, Any] = json.loads(json.dumps(record))
    copy["description"]["name"] = name
    copy["nodes"]["liquid"] = [0.9 * density for density in copy["nodes"]["liquid"]]
    return copy


def recovery(blends: list[dict[str, Any]], refrigerant: str) -> tuple[Record, ...]:
    """A recovery whose job rests on these blends; the chain made to fit."""
    out: list[Record] = []
    for record in simulated_job("recovery", UNTIL_S, ("scale", "recovery board"), 5.0):
        new = as_new(record)
        if record.id == 1:
            event = event_of(record)
            assert isinstance(event, JobOpened)
            new = new_event(replace(event, job=replace(event.job, refrigerant=refrigerant), blends=tuple(blends)))
        out.append(chained(out[-1].digest if out else GENESIS, new, len(out) + 1))
    return tuple(out)


def bundled(records: tuple[Record, ...], folder: Path) -> Path:
    return export_bundle(lambda: iter(records), replay_job, KEY, folder).bundle


def verified(records: tuple[Record, ...], folder: Path) -> tuple[VerifyReport, dict[str, Outcome]]:
    report = verify_bundle(bundled(records, folder), replay_job)
    return report, {check.key: check.outcome for check in report.checks}


def full_k(records: tuple[Record, ...]) -> float:
    """At which the cylinder's most would fill it: by the curves the job is computed with."""
    limit = replay(records).model.cylinder_limits()
    found = getattr(limit, "liquid_full_temperature").number  # noqa: B009  a Value where there is no limit
    assert isinstance(found, float)
    return found


def test_an_honest_blend_is_computed_with_and_holds(tmp_path: Path) -> None:
    _, outcomes = verified(recovery([SHOP], "SHOP-1"), tmp_path)
    assert outcomes["blends"] is Outcome.HOLDS
    assert {key for key, outcome in outcomes.items() if outcome is not Outcome.HOLDS} == {"key", "checkpoints"}


def test_a_job_without_any_has_nothing_to_check(tmp_path: Path) -> None:
    report, outcomes = verified(simulated_job("tight", 60.0, ("vacuum board",)), tmp_path)
    assert report.result is Result.HOLDS_BUT and outcomes["blends"] is Outcome.HOLDS


def test_a_doctored_blend_is_told_though_its_findings_agree(tmp_path: Path) -> None:
    report, outcomes = verified(recovery([doctored(SHOP)], "SHOP-1"), tmp_path)
    assert report.result is Result.FAILS and outcomes["blends"] is Outcome.FAILS
    assert outcomes["findings"] is Outcome.HOLDS
    text = next(check.text for check in report.checks if check.key == "blends")
    assert "SHOP-1: differs by 10 % from what built again" in text


def test_a_doctored_blend_under_a_shipped_name_changes_nothing_and_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bundle of one whose program let itself be given other curves: a liquid of R-410A as light as 944 kg/m3."""
    before = find("R-410A").liquid_density(298.15)
    curves = doctored(find("R-410A").record(), "R-410A")
    records = recovery([curves], "R-410A")
    honest = full_k(records)
    with monkeypatch.context() as enemy:
        enemy.setitem(table.shipped()._by_key, "410A", table.Refrigerant.from_record(curves))
        limits.cache_clear()
        made = bundled(records, tmp_path)
    limits.cache_clear()
    report = verify_bundle(made, replay_job)
    outcomes = {check.key: check.outcome for check in report.checks}
    assert report.result is Result.FAILS
    assert outcomes["blends"] is Outcome.FAILS and outcomes["findings"] is Outcome.FAILS
    assert find("R-410A").liquid_density(298.15) == before
    assert full_k(records) == honest == full_k(recovery([], "R-410A"))


def test_two_jobs_read_in_turn_do_not_share_curves() -> None:
    """As `compare` reads them: each with the blend of its own job, whatever came before."""
    mine, theirs = recovery([SHOP], "SHOP-1"), recovery([doctored(SHOP)], "SHOP-1")
    alone = full_k(mine)
    assert full_k(theirs) != alone
    assert full_k(mine) == alone
    (side,) = sides("a", theirs, {1: "a"}).values()
    (again,) = sides("b", recovery([], "SHOP-1"), {1: "b"}).values()
    assert side.refrigerant == again.refrigerant == "SHOP-1"
    assert replay(recovery([], "SHOP-1")).model.refrigerant() is None


def test_a_cylinder_brings_its_blend_into_the_record() -> None:
    records = list(recovery([], "R-410A"))
    events = (event_of(record) for record in records if record.kind == r.EVENT)
    before = next(event for event in events if isinstance(event, CylinderOnScale))
    other = replace(before.cylinder, name="other", refrigerant="SHOP-1")
    swap = CylinderOnScale(t_ns=records[-1].t0_ns, cylinder=other, reading_kg=None, blends=(SHOP,))
    records.append(chained(records[-1].digest, new_event(swap), len(records) + 1))
    model = replay(tuple(records)).model
    assert model.state.catalogue.find("shop-1").record() == SHOP
    limit = model.cylinder_limits()
    assert {x.name for x in getattr(limit, "refrigerants")} == {"SHOP-1", "R-410A"}  # noqa: B009
