"""Lines in the order of their first bytes, in bounded memory: sorted runs on disk, merged."""

import heapq
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from itertools import islice

RUN_LINES = 200_000


def in_order(lines: Iterable[bytes], key_bytes: int, run_lines: int = RUN_LINES) -> Iterator[bytes]:
    """Lines (each with its line end, none within) sorted by their first `key_bytes`; equal ones keep their order.

    Backfilled readings come hours late; with few lines all happens in memory.
    """

    def key(line: bytes) -> bytes:
        return line[:key_bytes]

    source = iter(lines)
    run = sorted(islice(source, run_lines), key=key)
    if len(run) < run_lines:
        yield from run
        return
    with ExitStack() as files:
        runs: list[Iterator[bytes]] = []
        while run:
            file = files.enter_context(tempfile.TemporaryFile())
            file.writelines(run)
            file.seek(0)
            runs.append(iter(file))
            run = sorted(islice(source, run_lines), key=key)
        yield from heapq.merge(*runs, key=key)
