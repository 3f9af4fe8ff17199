"""What the daemon has answered is in the record, or it said that it is not: killed right after the answer, ten times.

The file is read by plain SQL, not by the store's code.
"""

from pathlib import Path

from logger.api.client import Client, DaemonError, read_address
from tests.end_to_end.running import Daemon, daemon, until
from tests.plain_reader import notes_in

KILLS = 10
RIG = '[rig]\nname = "none"\n\n[[device]]\nname = "scale"\nurl = "socket://127.0.0.1:1"\n'


def test_no_note_that_was_answered_is_lost_by_a_kill_right_after(tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG)
    answered: list[str] = []
    words: tuple[str, ...] = ()
    for kill in range(KILLS):
        with daemon(tmp_path, rig, *words) as logger:
            client = until(lambda: _client(logger), "it answers")
            for number in range(3):
                text = f"note {kill}.{number}"
                answer = client.act("note", text=text)
                assert answer["stored"], answer
                answered.append(text)
            logger.kill()
        words = ("--continue", "job-1")
        assert notes_in(logger.file) == answered


def _client(logger: Daemon) -> Client | None:
    try:
        address = read_address(logger.directory / "daemon.json")
        return Client(address, timeout_s=60) if address.pid == logger.process.pid else None
    except DaemonError:
        return None
