"""What went over the scale, in words."""

from logger.model.finding import Text
from logger.wording.book import Words
from logger.wording.given import Given, cylinder_named, many


def cylinders(f: Given) -> str:
    """ "in cylinder A", "in 2 cylinders (A 30.2 lb, B 12.1 lb)"."""
    names, masses = f.all("cylinder"), f.all("of_cylinder")
    if len(names) == 1:
        return "in 1 cylinder" if f.codes("cylinder") else f"in {cylinder_named(names[0])}"
    each = ", ".join(f"{name} {mass}" for name, mass in zip(names, masses, strict=True))
    return f"in {len(names)} cylinders ({each})"


def not_counted(f: Given) -> str:
    """What the scale showed that was no flow, as a sentence; "" where there was nothing."""
    parts = []
    if f.has("steps"):
        parts.append(f"{many(f.value('steps').number or 0, 'small step')} of the scale ({f('steps_in_all')} in all)")
    if f.has("jumps"):
        parts.append(many(f.value("jumps").number or 0, "change of an unnamed cylinder"))
    return f" Not counted: {' and '.join(parts)}." if parts else ""


def _balance(f: Given) -> Text:
    rule = "recovered mass against the system's full charge (common practice)"
    decision = "differs where the difference exceeds its expanded uncertainty"
    judged = f.code("judged")
    if judged == "unknown":
        return Text("mass balance unknown", f"Mass balance unknown: {f('recovered')}.", rule, decision)
    if judged == "no_charge":
        body = f"{f('recovered')} recovered. Enter the system's full charge to see what is left in it."
        return Text("mass balance: no full charge entered", body, rule, decision)
    share = f"{f('share')} of the charge recovered"
    ending = {
        "balances": "the difference is within what the scale can resolve",
        "little_short": f"{f.spread('difference')} not recovered",
        "little_over": f"{f.spread_of_size('difference')} over the charge",
        "short": f"{f.spread('difference')} missing",
        "over": f"{f.spread_of_size('difference')} over the charge entered",
    }
    headline = {
        "short": f"{f('difference')} less than the charge recovered",
        "over": f"{f.size('difference')} more than the charge recovered",
    }
    earlier = f", {f('in_earlier_stages')} of it in earlier stages of this job" if f.has("in_earlier_stages") else ""
    body = f"{f('recovered')} of {f('charge')} recovered{earlier}; {ending[judged]}."
    return Text(headline.get(judged, share), body, rule, decision, causes=f.all("cause"))


MASS_LABELS = {"of_cylinder": "of one cylinder", "weighed": "its last weight (gross)",
               "steps": "steps not counted", "steps_in_all": "steps, in all",
               "jumps": "unnamed cylinder changes"}  # fmt: skip
MASS_RULE = "sum over the cylinders of last minus first settled reading (GUM for the uncertainty)"
WORDS = Words(
    findings={"recovery.balance": _balance},
    statements={
        "scale.cylinder_changed": lambda f: (
            f"Cylinder changed: same weight ({f('after')}), other pressure or temperature"
            if f.code("seen") == "twin"
            else f"Cylinder changed: scale {f('before')}, now {f('after')}"
        )
    },
    terms={
        "left_in_system": "still in the system or its oil",
        "leaked_before": "leaked out before the job",
        "charge_too_high": "charge entered too high",
        "overcharged": "system overcharged",
        "charge_too_low": "charge entered too low",
        "oil_or_air": "oil or air recovered with it",
    },
    labels={"share": "share of the charge", "in_earlier_stages": "in earlier stages"},
)
