"""`python -m tests.register.outputs` writes outputs.txt: what the commands on all jobs say, at 80 columns. Read the
difference."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

from click.testing import CliRunner

from logger.cli import rimelog
from logger.model.cylinder import Cylinder
from logger.register.cylinders_sent import Sent, add_sent
from tests.register.shop import DAY_NS, FIRST_NS, jobs, store, weighing

PAGE = Path(__file__).with_name("outputs.txt")
B = Cylinder("B", 12.5, 21.6, 2.76e6, None, "R-410A", serial="4711")
NEW = Cylinder("new 410A", 10.0, 20.0, refrigerant="R-410A", contents_kg=11.3)
COMMANDS = (
    ("ask",),
    ("ask", "leaks", "--over", "1%"),
    ("ask", "tests", "--appliance", "chiller 0"),
    ("ask", "recovered"),
    ("ask", "recovered", "--units", "si", "--csv"),
    ("ask", "pull-downs"),
    ("ask", "undecided"),
    ("ask", "--sql", "SELECT id, contents_kg FROM cylinders ORDER BY id LIMIT 2"),
    ("jobs", "--customer", "nobody"),
    ("appliance", "list"),
    ("appliance", "show", "chiller 0"),
    ("refrigerant-log", "--year", "2025"),
    ("refrigerant-log", "--year", "2024"),
    ("cylinder", "life", "B"),
    ("cylinder", "life", "new 410A"),
)


@contextmanager
def shop() -> Iterator[Path]:
    """A data directory with a few jobs, one cylinder that lost some, and one that was sent."""
    with tempfile.TemporaryDirectory() as folder:
        data, before = Path(folder), dict(os.environ)
        os.environ |= {"RIMELOG_DATA": folder, "COLUMNS": "80"}
        try:
            for made in jobs(4, step_ns=20 * DAY_NS):
                store(data, made)
            store(data, weighing("2025-03-01", "recovery", B, 12.5, 17.5))
            store(data, weighing("2025-03-05", "recovery", B, 17.5, 18.5, "R-22"))
            store(data, weighing("2025-04-09", "recovery", B, 14.5, 15.5))
            store(data, weighing("2025-05-09", "charging", NEW, 21.3, 18.3))
            went_ns = FIRST_NS + (date(2025, 6, 1) - date(2025, 1, 1)).days * DAY_NS
            add_sent(data, Sent(0, went_ns, "2025-06-01", "B", "reclaimer", "Reclaim Co", None, "77"))
            yield data
        finally:
            os.environ.clear()
            os.environ |= before


def outputs() -> str:
    with shop():
        said = []
        for words in COMMANDS:
            ran = CliRunner().invoke(rimelog, [*words], prog_name="rimelog")
            text = ran.output if ran.exception is None or ran.output else f"{ran.exception}\n"
            said.append(f"$ rimelog {' '.join(words)}\n{text}")
        return "\n".join(said)


if __name__ == "__main__":
    PAGE.write_text(outputs(), encoding="utf-8")
