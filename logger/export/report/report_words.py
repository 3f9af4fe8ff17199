"""What every report says in the same words."""

from dataclasses import replace

from logger.model.finding import Finding, Text
from logger.stages.words import text_of
from logger.wording.values import Shown

NOT_JUDGED = ("Not judged", "No conclusion was reached; the readings are in this report.")
SAMPLE = "SAMPLE DATA, NOT A REAL JOB"
QR_CAPTION = "Scan: SHA-256 of readings.csv"

CAUTION = (
    "This report records what instruments showed and what was computed from it. It guides no filling, pressurizing or "
    "evacuation. Local codes, the markings of cylinders and equipment, the makers' instructions and licensed practice "
    "come first. It replaces no relief device, no leak check and no person."
)
CAUTION_SHORT = "Guides no filling, pressurizing or evacuation: local codes, markings and licensed practice come first."
INVENTED = "Sample data: no real plant, customer or job"

METHOD: tuple[tuple[str, str], ...] = (
    (
        "Readings",
        "Each device sends raw integers with a description of its channels. The raw frames are stored as received; "
        "sensor curve, unit, calibration (zero, then span) and, for gauge sensors, the ambient pressure are applied "
        "afterwards, so every value here can be computed again from the records. A reading that is out of range, or "
        "whose sensor reports a fault, counts as missing with its reason; it is never replaced by a number.",
    ),
    (
        "Time",
        "Times are the logging computer's clock, stored as UTC. Steps of that clock, and stretches in which the "
        "computer slept or a link was down, are recorded and listed as gaps.",
    ),
    (
        "Plots",
        "Each line is drawn through the first, lowest, highest and last reading of each of 400 equal spans of time, "
        "so no excursion is hidden by the drawing. Lines are broken where readings are missing. Dashed lines are "
        "computed. The full readings are in readings.csv.",
    ),
    (
        "Uncertainty",
        "Where a finding states ±, it is an expanded uncertainty of about 95 % (coverage factor 2, JCGM 100). "
        "It contains what was stated for the instruments: accuracy limits taken as rectangular, or the uncertainty of "
        "the calibration, and the resolution. Drift since calibration, the place of the sensor and the user's handling "
        "are not in it unless a finding says so. An input without ± has no stated uncertainty.",
    ),
    (
        "Decision rule",
        "Each finding names its rule and how uncertainty was treated (ISO/IEC 17025:2017, 7.8.6). Where data are "
        "missing, a gauge is out of its range, the test was too short, or the uncertainty reaches across the limit, "
        "the result is “cannot tell”. Missing data never make a pass.",
    ),
    (
        "Pressures",
        "psig, in. Hg vac and barg are relative to the barometric pressure stated under “Job”; psia, microns and Pa "
        "are absolute; a difference is in psi apart, or in bar.",
    ),
)

SIGNED = (
    "The bundle that holds this report is signed with the key named here. The signature shows that the files of the "
    "bundle are, bit for bit, those that the holder of the key signed: any later change is found."
)
UNSIGNED = "This report was made outside a signed bundle. It can be compared with one by the SHA-256 above."
NOT_SHOWN = (
    "It does not show who holds the key (compare the fingerprint with one you were given in another way), when it was "
    "signed (times are those of the logging computer), that the instruments were right, or that they were connected to "
    "the plant named here."
)
HOW_TO_CHECK = (
    "Unpack the bundle and follow its README.txt. Two tools that come with most systems suffice, sha256sum and "
    "ssh-keygen. The command “rimelog verify” does the same and also computes all readings and findings again from the "
    "raw records."
)


_OPEN = ": can't tell"


def beside_badge(text: Text) -> Text:
    """As it is read beside its verdict, which says already that it can't tell."""
    name = text.headline.removesuffix(_OPEN)
    body = text.body
    if name != text.headline and body.casefold().startswith(f"{text.headline.casefold()}. "):
        body = body[len(text.headline) + 2 :]
    return replace(text, headline=name, body=body)


def open_point(text: Text) -> str:
    """What remains to be done or known: the headline says it, but where it only says that something is unknown, and
    not what to do."""
    unsaid = text.headline.endswith((_OPEN, "unknown")) and not text.check_next
    said = text.line.removesuffix(".") if unsaid else text.headline
    return ". ".join(filter(None, (said, *text.check_next[:1])))


def sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def shown_then(finding: Finding | None, shown: Shown) -> str:
    """What the technician read at the end of the stage, where all records together say something else."""
    if finding is None:
        return ""
    word, body = finding.verdict.word.lower(), text_of(finding, shown).body
    return f"Shown when the stage ended, by what had arrived by then: {word}. {body}"
