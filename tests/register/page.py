"""`python -m tests.register.page` writes docs/register.md: what stands in each table of the register."""

from pathlib import Path

from logger.register.ready_questions import QUESTIONS
from logger.register.refrigerant_log import FIELDS
from logger.register.schema import TABLES, TableOfJobs

PAGE = Path(__file__).resolve().parent.parent.parent / "docs" / "register.md"
KINDS = {str: "text", int: "integer", float: "real"}
HEAD = """\
# The register: all jobs as one SQLite file

Written by `python -m tests.register.page`. `register.db` lies in the data directory beside the jobs; `rimelog register
rebuild` makes it again and names it. It is made of the job files alone and is no evidence: a job's own file is, and its
bundle. Each command that asks it first enters what is new, changed or gone, in one transaction; a file that is damaged
or of another version is made again. So nothing need be kept of it, and no backup.

Names of tables and columns are stable: later versions only add. Any SQLite program reads it:

```sh
sqlite3 -readonly register.db "SELECT refrigerant, count(*) FROM jobs GROUP BY refrigerant"
rimelog ask --sql "SELECT name, contents_kg FROM cylinders ORDER BY name"
```

Masses are in kg, pressures in Pa (absolute), temperatures in K, times in s; `..._ns` is UTC in nanoseconds since 1970,
a day the day at the place of the job. NULL is "not known" or "none". Corrections are applied: only `corrections` and
`events` show what was entered first. The chain of a job is not verified here (`rimelog doctor`, `rimelog verify` do);
what of a damaged file cannot be read is missing, and `jobs.state` is `damaged`. Findings are those that were drawn when
the stage ended, or after a correction; `additions` alone asks the leak rate again, with all jobs that are known here.

Ready questions, with `--csv` or `--json`: {questions}.

The `texts_fts` table is SQLite's FTS5: `rimelog jobs --words TEXT`, or `SELECT job FROM texts JOIN texts_fts ON
texts_fts.rowid = texts.id WHERE texts_fts MATCH 'brewery'`.
"""


LAW = """\
## What records by law ask for

What `rimelog refrigerant-log` lists as missing, the text that asks for it, and how that was checked; figures and
thresholds are in [law.md](law.md). Paragraphs on record keeping could not be read here: those lines are what the
trade keeps. Read the texts, and keep what your authority asks for.

| field | text | verified |
|---|---|---|
"""


def page() -> str:
    questions = ", ".join(f"`rimelog ask {name}`" for name in QUESTIONS)
    fields = "".join(f"| {one.said} | {one.law} | {one.verified} |\n" for one in FIELDS)
    return "\n".join([HEAD.replace("{questions}", questions), *(_table(table) for table in TABLES), LAW + fields])


def _table(table: TableOfJobs) -> str:
    key = ", ".join(f"`{name}`" for name in table.key)
    rows = "\n".join(f"| `{name}` | {KINDS[kind]} | {about} |" for name, kind, about in table.columns)
    return f"## {table.name}\n\n{table.about} Key: {key}.\n\n| column | type | |\n|---|---|---|\n{rows}\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
