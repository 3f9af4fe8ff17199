"""Which jobs: by customer, appliance, date, refrigerant, verdict, words."""

import sqlite3
from collections.abc import Mapping

from logger.model.appliance import plain_name


def find_jobs(connection: sqlite3.Connection, wanted: Mapping[str, str]) -> list[tuple[str, str]]:
    """(id, path) of the jobs that fit all that is wanted, oldest first. customer, appliance, refrigerant: a part of the
    name, in any case. since, until: days. verdict: of any of its stages. words: all of them, or beginnings of them."""
    connection.create_function("plain", 1, lambda text: plain_name(text or ""), deterministic=True)
    parts = {
        "customer": "instr(plain(j.customer || ' ' || j.site), plain(:customer)) > 0",
        "appliance": "instr(plain(j.appliance), plain(:appliance)) > 0",
        "refrigerant": "instr(plain(j.refrigerant), plain(:refrigerant)) > 0",
        "since": "j.date >= :since",
        "until": "j.date <= :until",
        "verdict": "j.id IN (SELECT job FROM stages WHERE verdict = :verdict)",
        "words": "j.id IN (SELECT t.job FROM texts t JOIN texts_fts f ON f.rowid = t.id WHERE texts_fts MATCH :words)",
    }
    given = {name: text for name, text in wanted.items() if text}
    if "words" in given:
        given["words"] = match_of(given["words"])
    where = " AND ".join(parts[name] for name in given) or "1"
    rows = connection.execute(f"SELECT j.id, j.path FROM jobs j WHERE {where} ORDER BY j.id", given)
    return [(row[0], row[1]) for row in rows]


def match_of(words: str) -> str:
    """For FTS5: each word as it is, or the beginning of one; none of its operators."""
    return " ".join('"' + word.replace('"', '""') + '"*' for word in words.split()) or '""'
