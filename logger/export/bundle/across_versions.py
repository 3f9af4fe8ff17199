"""A bundle made by another version of the analysis: what must be the same all the same, and what is only noted.

Readings, events, the job and every verdict must be the same, but for findings that a version judges by other rules
(model/version.py): their verdicts are noted. A number of a finding may move within its expanded uncertainty (k = 2) as
computed here; further than that both are reported. Sentences, labels and reasons are not compared.
"""

import csv
import io
import json
import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from itertools import zip_longest
from typing import Any

from logger.export.bundle.agree import RELATIVE, Agreement, csv_agreement
from logger.model.version import REJUDGED

K = 2
Number = tuple[float | None, float | None]  # number, standard uncertainty
Found = tuple[Any, str, str, list[Number]]  # stage, key, verdict, numbers

_WORDING = frozenset({"about", "problem", "note", "label", "sensor", "text"})  # of job.json, in whatever place
_MAY_IMPROVE = ("ambient", "instruments")
_EVENT_DATA = (0, 1, 2, 5)  # columns of events.csv that are no wording: time, record, type, by


def readings_agreement(found: Iterable[bytes], made: Iterable[bytes]) -> Agreement:
    """All columns but the last, the reasons."""
    return csv_agreement(map(_without_last, found), map(_without_last, made))


def _without_last(line: bytes) -> bytes:
    """A reason may hold commas, in quotes; the cells before it hold none."""
    if line.endswith(b'"\r\n'):
        line = line[: line.index(b'"')]
    return line.rpartition(b",")[0]


def events_agreement(found: bytes, made: bytes) -> Agreement:
    result, reworded, missing = Agreement(), 0, list[str]()
    for number, (x, y) in enumerate(zip_longest(_rows(found), _rows(made), fillvalue=missing), 1):
        if x == y:
            continue
        if number == 1 or len(x) != len(y) or any(x[i] != y[i] for i in _EVENT_DATA):
            result.problem = f"line {number} is {','.join(x)[:80]!a}; from the records it is {','.join(y)[:80]!a}"
            return result
        reworded += 1
    if reworded:
        result.noted.append(f"{reworded} texts are worded otherwise here")
    return result


def _rows(data: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(data.decode("utf-8", "replace"), newline="")))


def columns_agreement(found: bytes, made: bytes) -> Agreement:
    """Names and units of the columns that a metadata file describes."""
    a, b = (_columns(data) for data in (found, made))
    return Agreement() if a == b else Agreement("it describes other columns or units")


def _columns(data: bytes) -> list[tuple[Any, Any]] | None:
    try:
        return [(c["name"], c.get("schema:unitText")) for c in json.loads(data)["tableSchema"]["columns"]]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def job_agreement(found: bytes, made: bytes) -> Agreement:
    result = Agreement()
    try:
        _compare_job(json.loads(found), json.loads(made), "", result)
    except (ValueError, RecursionError):
        result.problem = "it is not JSON"
    return result


def _compare_job(a: Any, b: Any, where: str, result: Agreement) -> None:
    """What only one of both versions writes is noted where the bundle has it, and passed over where it has not."""
    if isinstance(a, dict) and isinstance(b, dict):
        for key in a:
            if key in b and key not in _WORDING:
                _compare_job(a[key], b[key], f"{where}/{key}", result)
            elif key not in b:
                result.noted.append(f"{where}/{key} is not known here")
    elif isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        for i, (x, y) in enumerate(zip(a, b, strict=True)):
            _compare_job(x, y, f"{where}/{i}", result)
    elif not (_is_number(a) and _is_number(b) and math.isclose(a, b, rel_tol=RELATIVE)) and a != b:
        text = f"{where or '/'} is {_short(a)}; from the records it is {_short(b)}"
        if where.startswith(tuple(f"/{part}" for part in _MAY_IMPROVE)):
            result.noted.append(text)
        else:
            result.problem = result.problem or text


def rejudged_since(version: int) -> frozenset[str]:
    """Keys of findings that this program judges by other rules than that version of the analysis did."""
    return frozenset().union(*(keys for number, keys in REJUDGED.items() if version < number))


def findings_agreement(found: bytes, made: bytes, rejudged: frozenset[str] = frozenset()) -> Agreement:
    """Stages, keys and verdicts must be the same; numbers within their uncertainty. Any format of findings.json."""
    result = Agreement()
    try:
        theirs, ours = (_by_key(found_in(json.loads(data))) for data in (found, made))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        result.problem = "it is not a list of findings"
        return result
    for place, listed in theirs.items():
        here = ours.get(place, [])
        by_other_rules = place[1] in rejudged or (
            place[1] == "verdict" and any((place[0], key) in theirs for key in rejudged)
        )
        for i, (verdict, numbers) in enumerate(listed):
            where = f"stage {place[0]}, {place[1]}" if place[0] is not None else place[1]
            if by_other_rules and (i >= len(here) or verdict != here[i][0]):
                other = repr(here[i][0]) if i < len(here) else "not found"
                result.noted.append(f"{where} is {verdict!r:.40}; by the rules of this version it is {other:.40}")
                continue
            if i >= len(here):
                result.problem = f"{where}: it does not follow from the records"
                return result
            if verdict != here[i][0]:
                result.problem = f"{where} is {verdict!r:.40}; from the records it is {here[i][0]!r:.40}"
                return result
            result.noted += (f"{where}: {text}" for text in moved(numbers, here[i][1]))
    new = [f"stage {stage}, {key}" for stage, key in ours if (stage, key) not in theirs]
    if new:
        result.noted.append(f"found here besides: {', '.join(new)}")
    return result


def found_in(findings: dict[str, Any]) -> Iterator[Found]:
    """findings.json, of any format, as (stage, key, verdict, numbers): each stage's own verdict under the key
    "verdict", balance and cylinders as findings of no stage."""
    for stage in findings["stages"]:
        yield stage["stage"], "verdict", str(stage["verdict"]), []
        for finding in stage["findings"]:
            yield stage["stage"], finding["key"], finding["verdict"], list(_numbers(finding["inputs"]))
    for key in ("balance", "cylinders"):
        yield None, key, "", list(_numbers(findings.get(key, [])))


def _numbers(data: Any) -> Iterator[Number]:
    """(number, u) of every value in plain data, in order."""
    if isinstance(data, dict):
        if "number" in data and "u" in data:
            if not all(x is None or _is_number(x) for x in (data["number"], data["u"])):
                raise ValueError("a number is none")
            yield data["number"], data["u"]
        else:
            yield from (pair for item in data.values() for pair in _numbers(item))
    elif isinstance(data, list):
        yield from (pair for item in data for pair in _numbers(item))


def _by_key(found: Iterable[Found]) -> dict[tuple[Any, str], list[tuple[str, list[Number]]]]:
    sorted_by = defaultdict(list)
    for stage, key, verdict, numbers in found:
        sorted_by[stage, key].append((verdict, numbers))
    return dict(sorted_by)


def moved(theirs: list[Number], ours: list[Number]) -> Iterator[str]:
    """Numbers further from each other than their uncertainty here, with both. Ours may have others between them."""
    if len(theirs) == len(ours):
        for i, (a, b) in enumerate(zip(theirs, ours, strict=True), 1):
            if not _within_u(a, b):
                yield f"value {i} is {_shown(a)}; here {_shown(b)}"
        return
    rest = iter(ours)
    if not all(any(_within_u(a, b) for b in rest) for a in theirs):
        yield f"its values are {', '.join(map(_shown, theirs))}; here {', '.join(map(_shown, ours))}"


def _within_u(theirs: Number, ours: Number) -> bool:
    """By the uncertainty computed here: one that the bundle states would let itself be believed."""
    (a, u_a), (b, u_b) = theirs, ours
    if a is None or b is None:
        return a is b
    same_u = u_a is u_b if u_a is None or u_b is None else math.isclose(u_a, u_b, rel_tol=0.1)
    return same_u and (abs(a - b) <= K * (u_b or 0.0) or math.isclose(a, b, rel_tol=RELATIVE))


def _shown(value: Number) -> str:
    number, u = value
    if number is None:
        return "unknown"
    return f"{number:.6g}" + (f" ± {K * u:.2g}" if u else "")


def _is_number(item: Any) -> bool:
    return isinstance(item, int | float) and not isinstance(item, bool)


def _short(item: Any) -> str:
    return ascii(json.dumps(item, ensure_ascii=False, default=str)[:60])


AGREEMENTS: dict[str, Callable[[bytes, bytes], Agreement]] = {
    "events.csv": events_agreement,
    "job.json": job_agreement,
    "readings.csv-metadata.json": columns_agreement,
    "events.csv-metadata.json": columns_agreement,
}
