"""What was noticed and nobody has said: which of it is proposed, which proposal is open, what ends one.

The record keeps proposals and answers as events. On replay they are read, not made anew: a later program with other
detectors changes nothing in an old job.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from logger.model.events import ProposalAnswered, Proposed, ProposedAct
from logger.model.units import NS_PER_S
from logger.pipeline.job_state import JobState
from logger.stages import registry
from logger.stages.noticing import Entered, Noticed
from logger.stages.words import statement_of
from logger.wording.values import Shown

SAME_NS = 120 * NS_PER_S
SILENT_NS = 1800 * NS_PER_S  # after a no
MAX_OPEN = 3  # of one kind that is proposed at each occurrence


@dataclass(frozen=True, slots=True)
class ProposalNow:
    """An open proposal in words. needs: what a yes must say besides, such as "name"; "" for nothing."""

    n: int
    key: str
    text: str
    question: str
    as_of_ns: int
    needs: str


def entered_of(state: JobState) -> Entered:
    usual = {one.kind: one.acts for one in registry.STAGES}
    return Entered(tuple(state.stages), tuple(state.marks), tuple(state.swaps), state.cylinders, usual)


def proposed(seen: Noticed, state: JobState, now_ns: int, shown: Shown) -> Proposed | None:
    """None for what is entered already, was answered, or stands open."""
    notice = registry.notices()[seen.about.key]
    as_of_ns = min(max(seen.as_of_ns, state.opened_ns), now_ns)
    acts = notice.proposes(seen, entered_of(state))
    if acts is None:
        return None
    for one in state.proposals.values():
        if one.about.key != seen.about.key:
            continue
        answer, apart_ns = state.answers.get(one.n), abs(one.as_of_ns - as_of_ns)
        if apart_ns <= SAME_NS or (answer is None and not notice.each):
            return None
        if answer is not None and answer.answer == "no" and apart_ns <= SILENT_NS and not notice.each:
            return None
    n = max(state.proposals, default=0) + 1
    said = statement_of(seen.about, shown)
    return Proposed(t_ns=now_ns, n=n, about=seen.about, as_of_ns=as_of_ns, u_s=seen.u_s, acts=acts, said=said)


def open_proposals(state: JobState) -> list[Proposed]:
    """The newest first."""
    found = [one for one in state.proposals.values() if one.n not in state.answers]
    return sorted(found, key=lambda one: (one.as_of_ns, one.n), reverse=True)


def over(state: JobState, now_ns: int) -> Iterator[ProposalAnswered]:
    """What ends open proposals without a person: they were entered by hand, or nothing hangs on them any more."""
    entered, notices, counted = entered_of(state), registry.notices(), dict[str, int]()
    for one in open_proposals(state):
        notice = notices.get(one.about.key)
        if notice is None:
            continue  # of another version: a person may answer it
        counted[one.about.key] = counted.get(one.about.key, 0) + 1
        seen = Noticed(one.about, one.as_of_ns // NS_PER_S, one.u_s)
        if notice.proposes(seen, entered) is None:
            yield ProposalAnswered(t_ns=now_ns, n=one.n, answer="entered")
        elif counted[one.about.key] > MAX_OPEN or (
            notice.lasts_s is not None and now_ns - one.t_ns > notice.lasts_s * NS_PER_S
        ):
            yield ProposalAnswered(t_ns=now_ns, n=one.n, answer="late")


def in_words(one: Proposed, shown: Shown) -> ProposalNow:
    text = statement_of(one.about, shown)
    needs = "name" if any(act.action == "cylinder" and "name" not in act.body for act in one.acts) else ""
    question = f"{acts_in_words(one.acts)} as of {shown.clock(one.as_of_ns)[:5]}?"
    return ProposalNow(one.n, one.about.key, one.said if text == one.about.key else text, question, one.as_of_ns, needs)


def acts_in_words(acts: tuple[ProposedAct, ...]) -> str:
    """What a yes does, without its time: "Begin recovery"."""
    parts = [_act_in_words(act) for act in acts]
    whole = ", ".join(parts)
    return whole[:1].upper() + whole[1:]


def _act_in_words(act: ProposedAct) -> str:
    match act.action:
        case "stage-begin":
            return f"begin {registry.label(str(act.body.get('kind'))).lower()}"
        case "stage-end":
            return "end the stage"
        case "cylinder":
            return f"{act.body['name']} on the scale" if "name" in act.body else "another cylinder on the scale"
        case "mark":
            return f"mark {act.body.get('act')}"
    return act.action
