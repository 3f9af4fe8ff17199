"""Patterns of a rig file: the useful ones are taken, those that could hold the logger up are not."""

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode import safe_pattern
from logger.decode.safe_pattern import MAX_LINE, MAX_READ, MIN_LINE, PatternError, checked

USEFUL = [
    r"(?P<value>[-+]?\d+\.\d+)",
    r"W *(?P<value>[-+]? *\d+\.\d+) *(?P<unit>kg|lb) (?P<stable>[SM])",
    r".*?(?P<value>[-+]?\d+\.?\d*)\s*(?P<unit>[A-Za-z]+).*",
    r"N\s*(?P<value>[-+]?\s*[\d.]+)\s*(?P<unit>\w+)\s*(?P<stable>[SM])",
    r"P1=(?P<value>-?\d{1,4}\.\d)(?P<unit>psi|bar)(;.*)?",
    r"(?:net|gross)? *(?P<value>\d+(?:\.\d+)?|OL) .?(?P<unit>C|F)",
    r"#\d\d(?P<value>[0-9.]+),[^,]*,[^,]*,[0-9A-F]{2}",
    r"^(?P<value>\d+)(?P<unit>kg)?$",
]
REFUSED = [
    (r"(a+)+", "follow one character or set"),
    (r"(?P<value>(\d+,?)*)", "follow one character or set"),
    (r"(?:a?){25}a{25}", "follow one character or set"),
    (r"(?:ab){2,}", "follow one character or set"),
    (r"(.)\1", "a reference to a group"),
    (r"(?=a)a", "looking ahead or behind"),
    (r"(?<!a)b", "looking ahead or behind"),
    (r"(a)?(?(1)b|c)", "a condition on a group"),
    (r"(?i)kg", "flags"),
    (r"(?i:kg)", "flags"),
    (r"(?x) a b", "flags"),
    (r"(?>a)", "is not taken"),
    (r".*.*.*.*.*x", "too many ways"),
    (r"\d*\d*\d*\d*\d*[x1]", "too many ways"),
    (r"a?" * 30 + "a" * 30, "too many ways"),
    ("(a|aa)" * 20 + "b", "too many ways"),
    (r"(unclosed", "not a regular expression"),
    (r"[[a]b]", "not a regular expression"),  # Python warns that it may mean something else one day
    (r"\d{3}°C", "not ASCII"),
    ("a" * 401, "up to 400"),
]


@pytest.mark.parametrize("pattern", USEFUL)
def test_useful_patterns_are_taken_as_they_are(pattern: str) -> None:
    assert checked(pattern).pattern.pattern == pattern


@pytest.mark.parametrize(("pattern", "why"), REFUSED)
def test_what_could_take_long_is_refused_with_a_reason(pattern: str, why: str) -> None:
    with pytest.raises(PatternError, match=why):
        checked(pattern)


def test_repeats_that_cannot_take_over_what_follows_cost_nothing() -> None:
    assert checked(r"\d+ +" * 40).longest == MAX_LINE  # forty repeats, each ended by what follows it
    with pytest.raises(PatternError, match="5 repeats"):
        checked(r"[ab]+[bc]+[cd]+[de]+[ef]+[fg]+")


def test_the_more_open_repeats_the_shorter_the_lines_that_are_tried() -> None:
    longest = [checked(rf"{repeats}[x1]").longest for repeats in (r"\d*\d*", r"\d*\d*\d*", r"\d*\d*\d*\d*")]
    assert longest[0] == MAX_LINE > longest[1] > longest[2] >= MIN_LINE
    four = checked(r"\d*\d*\d*\d*[x1]")
    assert four.fullmatch("1" * four.longest) is not None
    assert four.fullmatch("1" * (four.longest + 1)) is None
    for repeats, length in zip((2, 3, 4), longest, strict=True):
        assert length * math.comb(length + repeats, repeats) <= MAX_READ


ATOMS = st.sampled_from(["a", "b", "[ab]", "[^a]", ".", r"\d", "1", "(?:a|ab)", "(?:a|b)", "(?:ab)?", "$", r"\b"])
SUFFIX = st.sampled_from(["", "", "*", "+", "?", "*?", "{2}", "{1,3}"])


SHORT = 24


def steps(pattern: str, line: str) -> int:
    """Steps of a plain backtracking matcher that reads `line` in every way there is, by a pattern of the atoms above.

    Written without regard to safe_pattern: every way through every prefix of the pattern is walked.
    """
    parts = re.findall(r"(\(\?:[^)]*\)\??|\[[^]]*\]|\\.|[^\\(\[*+?{])((?:[*+?]\??|\{[^}]*\})?)", pattern)
    ends = [0]
    counted = 0
    for atom, suffix in parts:
        following: list[int] = []
        one = re.compile(atom)
        least, most = _bounds(suffix)
        for at in ends:
            reached, n = [at], 0
            while reached:
                counted += len(reached)
                if n >= least:
                    following += reached
                if n >= most:
                    break
                reached = [e for r in reached for e in _ends(one, atom, line, r)]
                n += 1
        ends = following
    return counted


def _bounds(suffix: str) -> tuple[int, int]:
    plain = suffix.rstrip("?") if len(suffix) > 1 and not suffix.startswith("{") else suffix
    return {"": (1, 1), "*": (0, 999), "+": (1, 999), "?": (0, 1), "{2}": (2, 2), "{1,3}": (1, 3)}[plain]


def _ends(one: re.Pattern[str], atom: str, line: str, at: int) -> list[int]:
    """Where one more of the atom may end, each alternative counted."""
    if atom.startswith("(?:"):
        inner = atom[3 : atom.rindex(")")].split("|")
        found = [at + len(text) for text in inner if line.startswith(text, at)]
        return found + ([at] if atom.endswith("?") else [])
    match = one.match(line, at)
    return [] if match is None else [match.end()]


@settings(max_examples=500, deadline=None)
@given(st.lists(st.tuples(ATOMS, SUFFIX), min_size=1, max_size=8), st.sampled_from(["a", "ab", "b1", "1", "aab"]))
def test_no_taken_pattern_has_more_ways_than_stated(parts: list[tuple[str, str]], worst: str) -> None:
    pattern = "".join(a + (s if not a.startswith(("(", "$", r"\b")) else "") for a, s in parts)
    with pytest.MonkeyPatch.context() as short:  # shorter lines, so that a plain matcher is done in time
        short.setattr(safe_pattern, "MAX_LINE", SHORT)
        short.setattr(safe_pattern, "MIN_LINE", SHORT // 2)
        short.setattr(safe_pattern, "MAX_READ", SHORT * math.comb(SHORT + 3, 3))
        try:
            ways = safe_pattern._ways(safe_pattern._tree(pattern), safe_pattern._END)
            longest = checked(pattern).longest
        except PatternError:
            return
        for length in range(longest):
            # each way reads the line at most once, and at each character tries each part at most once
            most = ways.of(length + 1) * (length + 2) * (len(parts) + 2)
            assert steps(pattern, (worst * SHORT)[:length] + "z") <= most
