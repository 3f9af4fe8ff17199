"""A cylinder's checks in words."""

from logger.model.finding import Text
from logger.wording.book import Words
from logger.wording.given import Given

_SERVICE_RULE = "49 CFR 173.301a: pressure at 131 °F (55 °C) no higher than 5/4 of the service pressure"
_UN_RULE = (
    "UN Model Regulations / ADR, packing instruction P200(3): test pressure at least the vapor pressure at 149 °F "
    "(65 °C) less 1 bar, or as its table lists"
)
_CONTENTS_RULE = "one refrigerant to a cylinder; a flammable one only in a cylinder entered for it (common practice)"
_TEST_RULE = (
    "49 CFR 180.205(c), 180.209: no filling once requalification is due, what was filled before may be used up; 5 "
    "years unless the owner's own setting says otherwise"
)
_AIR_RULE = "AHRI Standard 700: air and other non-condensables up to 1.5 % of the vapor by volume"
_AIR_DECISION = "guard band of the expanded uncertainty: a verdict only where all of the interval agrees"


def _service_pressure(f: Given) -> Text:
    judged = f.code("judged")
    if judged == "no_refrigerant":
        body = "Service pressure: can't tell, refrigerant not known. Enter what is in the cylinder."
        return Text("service pressure: can't tell", body, _SERVICE_RULE)
    reached = f.beside("reaches", "allowed") if f.has("reaches") and f.has("allowed") else ""
    reaches = f"{f('refrigerant')} reaches {f('reaches')} at {f.whole('at')}"
    unreached = "".join(
        f" {_UNREACHED[why].format(name=name, at=at)}"
        for why, name, at in zip(f.codes("short"), f.all("short_of"), f.all("ends_at"), strict=True)
    )
    headline, body = {
        "no_marking": (
            "service pressure unknown",
            f"Service pressure unknown: read the marking. {reaches} and needs "
            f"{'more than' if f.code('marking') == 'above' else 'at least'} {f('needs') if f.has('needs') else ''}.",
        ),
        "too_high": (
            "service pressure too low",
            f"DO NOT FILL with {f('refrigerant')}: it reaches {reached} at {f.whole('at')}, {_allowed(f)}.",
        ),
        "not_reached": ("service pressure: can't tell", f"Service pressure {_service(f)}: can't tell."),
        "below_listed": (
            "service pressure too low",
            f"DO NOT FILL with {f('listed') if f.has('listed') else ''}: 49 CFR 173.304a lists it for a marking of "
            f"{f('needs') if f.has('needs') else ''} or more, this one is {_service(f)}.",
        ),
        "listed": (
            "service pressure fits",
            f"{f('refrigerant')}: 49 CFR 173.304a lists it for a marking of {f('needs') if f.has('needs') else ''} or "
            f"more, this one is {_service(f)}.",
        ),
        "fits": ("service pressure fits", f"{reaches}, {_allowed(f)}."),
    }[judged]
    return Text(headline, body + unreached, _SERVICE_RULE)


def _test_pressure(f: Given) -> Text:
    judged = f.code("judged")
    if judged == "no_refrigerant":
        body = "Test pressure: can't tell, refrigerant not known. Enter what is in the cylinder."
        return Text("test pressure: can't tell", body, _UN_RULE)
    why = "by the table of P200" if f.code("by") == "table" else f"its vapor pressure at {f.whole('at')}"
    has = f("test_pressure")
    needed = f.beside("needs", "test_pressure")
    needs = f"{f('refrigerant')} needs a test pressure of {needed} or more ({why}), this cylinder has {has}"
    match judged:
        case "too_high":
            return Text("test pressure too low", f"DO NOT FILL with {f('refrigerant')}. {needs}.", _UN_RULE)
        case "fits":
            return Text("test pressure fits", f"{needs}.", _UN_RULE)
    unreached = "".join(
        f" {_UNREACHED[why].format(name=name, at=at)}"
        for why, name, at in zip(f.codes("short"), f.all("short_of"), f.all("ends_at"), strict=True)
    )
    return Text("test pressure: can't tell", f"Test pressure {has}: can't tell.{unreached}", _UN_RULE)


def _service(f: Given) -> str:
    return f("service_pressure") if f.has("service_pressure") else ""


def _allowed(f: Given) -> str:
    return f"{f('allowed')} allowed (5/4 of {_service(f)})" if f.has("allowed") else ""


_UNREACHED = {
    "table_ends": "The table of {name} ends at {at}.",
    "above_critical": (
        "{name} is above its critical temperature of {at} by then: its pressure follows from the amount filled in. It "
        "needs a high-pressure cylinder marked for it."
    ),
}


_FILL_RULE = "the lowest of the filling limits that apply; over by the reading alone counts"


def _fill(f: Given) -> Text:
    headline, body = {
        "unknown": ("fill: can't tell", f"Room to its limit unknown: {f('room')}."),
        "over": (
            f"OVER ITS LIMIT by {f('over_by') if f.has('over_by') else ''}",
            "DO NOT FILL, heat, move or ship this one. Stay clear of the relief valve; move the excess to another "
            "cylinder.",
        ),
        "within_u": ("at its limit", f"Room left {f('room')}: at its limit for this scale. Stop here."),
        "below": (f"room left {f('room')}", f"{f('room')} below its limit of {f('max_net')} net."),
    }[f.code("judged")]
    return Text(headline, body, _FILL_RULE)


def _contents(f: Given) -> Text:
    if f.code("judged") == "same":
        return Text("one refrigerant", f"{f('cylinder')} is for {f('refrigerant')}.", _CONTENTS_RULE)
    if f.code("judged") == "flammable":
        body = (
            f"DO NOT FILL with {f('refrigerant')}: it is flammable (class {f('safety_class')}) and {f('cylinder')} "
            "is not entered for it. Use a cylinder made and marked for it, and enter that."
        )
        return Text("flammable refrigerant, cylinder not entered for it", body, _CONTENTS_RULE)
    body = (
        f"DO NOT FILL with {f('refrigerant')}: {f('cylinder')} is entered as {' or '.join(f.all('entered'))}. Use "
        "another cylinder, or correct the entry. A mixture cannot be reused and may reach a higher pressure than "
        "either. Until then the lowest limit applies."
    )
    return Text("another refrigerant in the cylinder", body, _CONTENTS_RULE)


def _requalification(f: Given) -> Text:
    judged = f.code("judged")
    if judged == "no_date":
        body = "Cylinder test date unknown: read it from the shoulder or collar before filling."
        return Text("cylinder test date unknown", body, _TEST_RULE)
    if judged == "after_today":
        body = f"Cylinder test date after today ({f('tested')}). Check the entry."
        return Text("cylinder test date after today", body, _TEST_RULE)
    if judged == "overdue":
        body = f"DO NOT FILL: tested {f('tested')}, due {f('due')}. Have the cylinder requalified."
        return Text("requalification overdue", body, _TEST_RULE)
    month = ", counted from the first day of the month" if f.has("counted") else ""
    return Text("cylinder in test", f"Tested {f('tested')}, good through {f('due')}{month}.", _TEST_RULE)


def _non_condensables(f: Given) -> Text:
    judged = f.code("judged")
    if judged == "no_reading":
        name = "temperature" if f.known("pressure") else "pressure"
        return _air_unknown(f"Cylinder {name} unknown: {f(name)}.")
    if judged in _NO_JUDGMENT:
        return _air_unknown(_NO_JUDGMENT[judged].format(refrigerant=f("refrigerant") if f.has("refrigerant") else ""))
    match judged:
        case "below":
            body = "Wrong refrigerant, wrong temperature, vapor only, or gauge off."
            headline = f"cylinder {f.size('over_saturation')} below saturation"
            return Text(headline, body, _AIR_RULE, _AIR_DECISION, check_next=f.all("check"))
        case "air":
            cause = f.code("told_apart")
            what = "another refrigerant" if cause == "mixed" else "air"
            headline = f"{what} in cylinder, {f('over_saturation')} over saturation"
            evidence = _EVIDENCE[cause]
            body = f"About {f.whole('share_of_vapor')} of the vapor is not {f('refrigerant')}. {evidence}"
            return Text(headline, body, _AIR_RULE, _AIR_DECISION, f.all("cause"), f.all("check"))
        case "none":
            body = f"{_against(f)}: less than {f('limit_share')} of the vapor is non-condensable."
            return Text("no non-condensables found", body, _AIR_RULE, _AIR_DECISION)
        case "blend":
            why = f"a blend that is part vapor lies below its bubble pressure, here by up to {f('could_hide')}"
            return _air_unknown(f"{_against(f)}; {why}, and that much air would not show.", f.all("check"))
    return _air_unknown(f"{_against(f)}; the limit is {f('limit')} over saturation.", f.all("check"))


def _against(f: Given) -> str:
    """Either side of saturation."""
    below = (f.value("over_saturation").number or 0.0) < 0
    return f"{f.spread_of_size('over_saturation')} {'below' if below else 'over'} saturation"


def _air_unknown(body: str, check: tuple[str, ...] = ()) -> Text:
    return Text("non-condensables: can't tell", f"Non-condensables: can't tell. {body}",
                _AIR_RULE, _AIR_DECISION, check_next=check)  # fmt: skip


_EVIDENCE = {
    "two_temperatures": "Air or another refrigerant? Take a second reading with the cylinder much warmer or colder.",
    "air": "At the second temperature the excess is the same: air or nitrogen.",
    "mixed": "At the second temperature the excess has grown with saturation: another refrigerant is mixed in.",
    "not_apart": "The second reading is too close to separate air from another refrigerant: take one farther away.",
}

_NO_JUDGMENT = {
    "no_single_refrigerant": "This needs one known refrigerant: a mixture's saturation pressure is unknown.",
    "no_accuracy": "Enter the accuracy of the gauge and of the temperature sensor.",
    "no_liquid": "No liquid in it: its pressure follows from the amount, not from saturation.",
    "out_of_range": "The temperature is outside the table of {refrigerant}.",
    "not_settled": "Not settled: close the valves, leave cylinder and sensor in the shade until both hold still.",
    "settled_unknown": "Is it settled? Close the valves, leave cylinder and sensor in the shade until both hold still.",
}


def _slip(f: Given, meant: str) -> str:
    """ "; in another unit? water capacity 47.6 lb would fit"."""
    return f"; {f('slip')}? {meant} would fit"


def _tare(f: Given) -> str:
    much = {"light": "little", "heavy": "much"}[f.code("judged")]
    head = f"tare {f('tare')} is too {much} for {f('water_capacity')} of water"
    return head + (_slip(f, f"{f('of')} {f('meant')}") if f.has("slip") else "; check both")


def _stamped_pressure(f: Given) -> str:
    usual = f"refrigerant cylinders have {f.whole('lowest')} to {f.whole('highest')}"
    return f"service pressure {f.whole('service_pressure')}: {usual}" + (
        _slip(f, f.whole("meant")) if f.has("slip") else ""
    )


def _welded(f: Given) -> str:
    head = f"service pressure {f.whole('service_pressure')}: more than the {f.whole('highest')} of a welded cylinder"
    return f"{head}; is it the test pressure?"


WORDS = Words(
    statements={"marking.tare": _tare, "marking.service_pressure": _stamped_pressure, "marking.welded": _welded},
    findings={
        "cylinder.fill": _fill,
        "cylinder.service-pressure": _service_pressure,
        "cylinder.test-pressure": _test_pressure,
        "cylinder.contents": _contents,
        "cylinder.requalification": _requalification,
        "cylinder.non-condensables": _non_condensables,
    },
    terms={
        "tare": "tare",
        "water_capacity": "water capacity",
        "other_unit": "in another unit",
        "shifted": "decimal point shifted",
        "air": "air or nitrogen in the cylinder",
        "mixed": "another refrigerant mixed in",
        "liquid_temperature": "Take the temperature at the liquid, not on a sun-warmed shell",
        "identity": "Identify the refrigerant",
        "refrigerant": "Check which refrigerant is in the cylinder",
        "where_taken": "Check where the temperature is taken",
        "gauge_zero": "Check the zero of the gauge",
        "fuller": "Check again when the cylinder is fuller",
        "weigh": "Weigh the cylinder too",
        "closer": "Put a better sensor on the liquid, or wait longer",
    },
    labels={
        "room": "room left",
        "max_net": "limit, net",
        "over_by": "over its limit by",
        "reaches": "pressure reached, gauge",
        "at": "at",
        "needs": "marking needed, gauge",
        "service_pressure": "service pressure, gauge",
        "test_pressure": "test pressure, gauge",
        "listed": "listed refrigerant",
        "safety_class": "safety class",
        "allowed": "5/4 of the service pressure, gauge",
        "ends_at": "known up to",
        "pressure": "cylinder pressure",
        "temperature": "temperature of the contents",
        "saturation": "saturation (bubble)",
        "lowest": "lowest the blend may have, part of it vapor",
        "share_of_vapor": "share of the vapor, if it is air",
        "limit": "limit over saturation",
        "limit_share": "limit, share of the vapor",
        "could_hide": "hidden by the blend's glide",
    },
)
