"""Recomputes the hash chain of records.jsonl with nothing but the standard library: python3 check_chain.py

It reads records.jsonl beside it and writes nothing. FORMAT.txt says what is computed.
"""

import hashlib
import json
import struct
import sys
from pathlib import Path

previous, count = bytes(32), 0
with (Path(__file__).parent / "records.jsonl").open("rb") as file:
    for line in file:
        record = json.loads(line)
        device = record.get("device", "").encode()
        offsets = bytes.fromhex(record.get("offsets", ""))
        payload = record["text"].encode() if "text" in record else bytes.fromhex(record["payload"])
        head = struct.pack("<16sBQqIIII", b"rimelog record 1", record["kind"] == "event", record["id"], record["t0_ns"],
                           record.get("n", 1), len(device), len(offsets), len(payload))  # fmt: skip
        previous = hashlib.sha256(previous + head + device + offsets + payload).digest()
        count += 1
        if record["id"] != count or record["digest"] != previous.hex():
            sys.exit(f"the chain breaks at record {count}")
print(f"{count} records, every digest holds; the last one is {previous.hex()}")
