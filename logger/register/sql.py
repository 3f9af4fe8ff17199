"""A question in SQL: it reads the register and nothing else, and ends in time."""

import sqlite3
import time

from logger.register import RegisterError
from logger.register.answer_table import AnswerColumn, AnswerTable, answer

MAX_S = 10.0
MAX_ROWS = 100_000
_STEPS = 10_000  # of SQLite's machine between two looks at the clock
_ALLOWED = (sqlite3.SQLITE_SELECT, sqlite3.SQLITE_READ, sqlite3.SQLITE_FUNCTION, sqlite3.SQLITE_RECURSIVE)
_NO_FUNCTION = ("load_extension", "fts3_tokenizer")


def ask_sql(connection: sqlite3.Connection, sql: str, max_s: float = MAX_S) -> AnswerTable:
    """connection: read-only. Raises RegisterError for what is no SELECT, what SQLite refuses, and what takes longer."""
    until_s = time.monotonic() + max_s
    connection.set_authorizer(_authorize)
    connection.set_progress_handler(lambda: int(time.monotonic() > until_s), _STEPS)
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 16 << 20)
    try:
        cursor = connection.execute(sql)
        if cursor.description is None:
            raise RegisterError("that asks nothing; write a SELECT over the tables of docs/register.md")
        rows = cursor.fetchmany(MAX_ROWS + 1)
        columns = [AnswerColumn(str(one[0]), str(one[0])) for one in cursor.description]
    except sqlite3.Warning as exc:
        raise RegisterError("one SELECT at a time") from exc
    except sqlite3.Error as exc:
        if getattr(exc, "sqlite_errorname", "") == "SQLITE_INTERRUPT":
            raise RegisterError(f"not answered within {max_s:g} s; ask for less, or use the file with sqlite3") from exc
        if "authoriz" in str(exc) or "prohibited" in str(exc):
            raise RegisterError(f"only SELECT is allowed here: {exc}") from exc
        if getattr(exc, "sqlite_errorname", "").startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
            raise
        raise RegisterError(f"SQL: {exc}") from exc
    finally:
        connection.set_authorizer(None)
        connection.set_progress_handler(None, 0)
    note = (f"only the first {MAX_ROWS:,} rows",) if len(rows) > MAX_ROWS else ()
    return answer(columns, rows[:MAX_ROWS], *note)


def _authorize(action: int, one: str | None, two: str | None, database: str | None, trigger: str | None) -> int:
    if action not in _ALLOWED or (action == sqlite3.SQLITE_FUNCTION and two in _NO_FUNCTION):
        return sqlite3.SQLITE_DENY
    return sqlite3.SQLITE_OK
