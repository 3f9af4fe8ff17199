"""What to do now and why, in a line or two under the large number: the live watches' conclusions in the job's units."""

from collections.abc import Iterator

from logger.model.job import Stage, StageKind
from logger.model.points import Quantity
from logger.model.units import NS_PER_S, show
from logger.model.value import Value
from logger.pipeline.job_model import JobModel
from logger.pipeline.live_values import LiveQuantities, scale_problem
from logger.scale.time_left import TimeLeft
from logger.stages.charging.analysis import Advice, ChargingNow
from logger.stages.recovery.live import Phase, RecoveryNow
from logger.wording.numbers import duration

_COMES = {Phase.LIQUID: "Liquid comes", Phase.VAPOUR: "Vapour comes", Phase.UNKNOWN: "Liquid or vapour not clear"}


def advice_of(model: JobModel, stage: Stage | None, quantities: LiveQuantities) -> tuple[str, ...]:
    """Short sentences for the running stage, the most urgent first; none where the watches have nothing to say."""
    units = model.state.job.units if model.state.job else "us"
    if stage is None:
        return ()
    if stage.kind in (StageKind.RECOVERY, StageKind.CHARGING) and (silent := scale_problem(model)) is not None:
        recovers = stage.kind is StageKind.RECOVERY
        return (f"{'What flows is not known' if recovers else 'Close the valve until the scale is back'}: {silent}.",)
    if stage.kind is StageKind.RECOVERY and quantities.recovery_now is not None:
        return tuple(_recovery(quantities.recovery_now, (model.now_ns - stage.begun_ns) / NS_PER_S))
    if stage.kind is StageKind.CHARGING and quantities.charging_now is not None:
        division_kg = quantities.charging.resolution_kg if quantities.charging is not None else 0.0
        quick = model.weighing.rate.quick if model.weighing is not None else None
        stopped = quick is not None and quick.number is not None and abs(quick.number) <= 3 * (quick.u or 0.0)
        return tuple(_charging(quantities.charging_now, division_kg, stopped, units))
    return ()


def _recovery(now: RecoveryNow, t_s: float) -> Iterator[str]:
    if now.stalled_since_s is not None:
        stalled = f"Stalled for {duration(t_s - now.stalled_since_s)}"
        cause = f": {now.causes[0]}" if now.causes else ": the readings support no cause"
        yield f"{stalled}{cause}." + (f" Next: {now.check_next[0]}." if now.check_next else "")
        return
    if now.phase is Phase.STOPPED:
        yield f"Nothing comes: {now.because}."
    else:
        since = ""
        if now.phase is Phase.VAPOUR and now.changed_over_s is not None:
            since = f" since {duration(t_s - now.changed_over_s)}"
        yield f"{_COMES[now.phase]}{since}: {now.because}."
    if now.first == "charge out":
        yield f"First the charge is out, in {_band(now.time_to_charge_out)}."
    elif now.first == "cylinder limit":
        yield f"First the cylinder is at its limit, in {_band(now.time_to_limit)}."


def _charging(now: ChargingNow, division_kg: float, stopped: bool, units: str) -> Iterator[str]:
    """stopped: the last few readings show no flow; the settled rate follows within a minute."""
    near = now.to_go.number is not None and abs(now.to_go.number) <= division_kg
    over = now.over.number is not None and now.over.number > division_kg
    if now.advice is Advice.CLOSE and not (stopped and over):
        yield "No flow any more: wait for the scale to settle." if stopped else "Close the valve now."
    elif now.advice is Advice.DONE or (now.advice is Advice.TOP_UP and near):
        yield "Target met, within a division of the scale."
    elif now.advice is Advice.OVER or over:
        yield f"Over the target by {show(now.over, Quantity.MASS, units)}."
    elif now.advice is Advice.TOP_UP:
        short = show(now.to_go, Quantity.MASS, units)
        yield f"Short by {short}: open again with care, no faster than {_rate(now.most_rate, units)}."
    elif now.advice is Advice.WAIT:
        yield "Waiting for flow."
    elif _faster(now.rate, now.most_rate):
        yield f"Slow down to {_rate(now.most_rate, units)} or less, or the target is passed before the valve is closed."
    elif now.time_to_close.high_s is not None and now.time_to_close.high_s < 3 * (now.time_to_close.low_s or 0.0) + 10:
        yield f"Close the valve in {_band(now.time_to_close)}."


def _faster(rate: Value, most: Value) -> bool:
    return rate.number is not None and most.number is not None and rate.number > most.number


def _rate(rate: Value, units: str) -> str:
    return show(rate, Quantity.MASS_RATE, units)


def _band(left: TimeLeft) -> str:
    """ "38 min to 47 min"; where there is no telling how late "42 min or more"."""
    assert left.value.number is not None
    if left.high_s is None:
        return f"{duration(left.value.number)} or more"
    low, high = duration(left.low_s or 0.0), duration(left.high_s)
    return low if low == high else f"{low} to {high}"
