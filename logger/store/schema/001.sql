-- Version 1. A job in one file.
-- Only the chain (record) is evidence. rollup and point are computed from it and can be made again.

CREATE TABLE about (
    key TEXT PRIMARY KEY,           -- job_id, created_ns, sealed_ns
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE record (
    id INTEGER PRIMARY KEY,         -- 1, 2, 3 ... without holes
    kind INTEGER NOT NULL,          -- 0 frames, 1 event
    device TEXT NOT NULL,           -- '' for events
    t0_ns INTEGER NOT NULL,         -- UTC
    n INTEGER NOT NULL,
    offsets BLOB NOT NULL,
    payload BLOB NOT NULL,
    digest BLOB NOT NULL            -- SHA-256, see logger/evidence/chain.py
) STRICT;

CREATE INDEX record_event ON record (id) WHERE kind = 1;

CREATE TABLE checkpoint (           -- the same as the lines of checkpoints.jsonl
    last_id INTEGER NOT NULL,
    line BLOB NOT NULL
) STRICT;

CREATE TABLE point (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE rollup (
    level_s INTEGER NOT NULL,       -- width of a bin: 10 or 60
    bin_s INTEGER NOT NULL,         -- its start, UTC seconds, a multiple of level_s
    point INTEGER NOT NULL REFERENCES point (id),
    n INTEGER NOT NULL,             -- trusted readings in it
    min REAL NOT NULL,              -- SI
    max REAL NOT NULL,
    sum REAL NOT NULL,              -- mean = sum / n
    PRIMARY KEY (level_s, bin_s, point)
) STRICT, WITHOUT ROWID;
