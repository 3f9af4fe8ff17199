"""What is written into a record and a bundle about the program that made it."""

from logger import __version__

SOFTWARE = f"rimelog {__version__}"

# Counts up with any change of what the same records give: a number, a verdict, a sentence, a file's layout, the report.
# A bundle of the same version must be matched in everything; of another one, readings, verdicts and numbers are
# compared and wording is not (export/bundle/across_versions.py). Bundles of 0.1.0 state none: they are of version 1.
ANALYSIS = 3

# Findings that a version judges by other rules than the ones before: of a bundle of another version their verdict may
# differ, which is noted. Any other verdict must be the same whatever the version.
REJUDGED: dict[int, frozenset[str]] = {
    3: frozenset({
        "charging.leak_rate", "cylinder.contents", "cylinder.non-condensables", "cylinder.service-pressure",
        "decay.cause", "decay.hidden", "decay.verdict",
        "evacuation.progress", "standing-pressure.verdict", "recovery.level", "start_up.condensing",
        "start_up.discharge", "start_up.feed", "start_up.high_side", "start_up.hunting", "start_up.steady",
        "start_up.subcooling", "start_up.suction_superheat",
    }),
}  # fmt: skip
