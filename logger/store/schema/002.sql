-- Version 2. Frames take less room: unchanging bytes once in a live file, blocks of many records in a closed one.

ALTER TABLE record ADD COLUMN codec INTEGER NOT NULL DEFAULT 0;  -- of payload; see logger/store/packing.py

CREATE TABLE block (
    first_id INTEGER PRIMARY KEY,
    last_id INTEGER NOT NULL,
    body BLOB NOT NULL              -- frame records of these ids, see logger/store/blocks.py; events stay in record
) STRICT;
