"""Talking to the running daemon from a command or a screen: stdlib only, so commands start fast."""

import http.client
import json
import os
import socket
from collections.abc import Generator, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

RUN_FILE = "daemon.json"


class DaemonError(Exception):
    """The daemon is not there, or refused. The message is for the user. code: of a refusal, "" otherwise."""

    def __init__(self, text: str, code: str = "") -> None:
        super().__init__(text)
        self.code = code


@dataclass(frozen=True, slots=True)
class Address:
    """Where a daemon answers: read from the file only the user can read."""

    job_id: str
    port: int
    token: str
    pid: int
    private: str = ""  # a unix socket that only this user can reach; the port serves where there is none


def write_address(directory: Path, address: Address) -> Path:
    """Write the token file, readable by the user alone from the first byte."""
    path = directory / RUN_FILE
    path.unlink(missing_ok=True)
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(fd, "w") as file:
        json.dump({"job": address.job_id, "port": address.port, "token": address.token, "pid": address.pid,
                   "private": address.private}, file)  # fmt: skip
    return path


def read_address(path: Path) -> Address:
    """Raises DaemonError when there is none."""
    try:
        data = json.loads(path.read_text())
        address = Address(str(data["job"]), int(data["port"]), str(data["token"]), int(data["pid"]))
        return replace(address, private=str(data.get("private", "")))
    except FileNotFoundError as exc:
        raise DaemonError("not logging; start with `rimelog start`") from exc
    except (OSError, ValueError, KeyError, TypeError) as exc:
        raise DaemonError(f"the logger's address file cannot be read: {exc}") from exc


class _Connection(http.client.HTTPConnection):
    """By the unix socket, which nobody else can crowd; by the port where that does not answer."""

    def __init__(self, host: str, port: int, private: str, timeout_s: float) -> None:
        super().__init__(host, port, timeout=timeout_s)
        self._private = private

    def connect(self) -> None:
        if self._private and hasattr(socket, "AF_UNIX"):
            made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            made.settimeout(self.timeout)
            try:
                made.connect(self._private)
            except OSError:
                made.close()
            else:
                self.sock = made
                return
        super().connect()


class Client:
    """One request a connection: simple, and a restarted daemon is met afresh."""

    def __init__(self, address: Address, timeout_s: float = 10.0) -> None:
        self.address, self._timeout_s = address, timeout_s

    def _open(self, method: str, path: str, body: bytes | None, extra: dict[str, str]) -> http.client.HTTPConnection:
        connection = _Connection("127.0.0.1", self.address.port, self.address.private, self._timeout_s)
        headers = {"Authorization": f"Bearer {self.address.token}", "Content-Type": "application/json", **extra}
        try:
            connection.request(method, path, body, headers)
        except OSError as exc:
            raise DaemonError(
                f"the logger of job {self.address.job_id} does not answer ({exc}); start it with `rimelog run`"
            ) from exc
        return connection

    def _ask(self, method: str, path: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
        data = None if body is None else json.dumps(body).encode()
        connection = self._open(method, path, data, {})
        try:
            response = connection.getresponse()
            answer = json.loads(response.read())
        except (OSError, ValueError, http.client.HTTPException) as exc:
            raise DaemonError(
                f"the logger of job {self.address.job_id} gave no proper answer ({exc}); it may just have ended: "
                "try again, and if it stays so, start it again with `rimelog run`"
            ) from exc
        finally:
            connection.close()
        if response.status >= 400:
            raise DaemonError(str(answer.get("title", f"refused ({response.status})")), str(answer.get("code", "")))
        assert isinstance(answer, dict)
        return answer

    def status(self) -> dict[str, Any]:
        return self._ask("GET", "/api/v1/status")

    def act(self, action: str, **body: Any) -> dict[str, Any]:
        return self._ask("POST", f"/api/v1/do/{action}", body)

    def history(self, point: str, since_ns: int, buckets: int) -> list[dict[str, Any]]:
        path = f"/api/v1/history?point={point}&since={since_ns}&buckets={buckets}"
        rows = self._ask("GET", path)["rows"]
        assert isinstance(rows, list)
        return rows

    def stream(self, last_event_id: str = "") -> Generator[tuple[str, str, dict[str, Any]], None, None]:
        """(event name, id, data) until the daemon ends. Raises DaemonError when the connection breaks."""
        extra = {"Accept": "text/event-stream"} | ({"Last-Event-ID": last_event_id} if last_event_id else {})
        connection = self._open("GET", "/api/v1/stream", None, extra)
        try:
            response = connection.getresponse()
            if response.status != 200:
                raise DaemonError(f"the logger refused the stream ({response.status})")
            yield from _parse_sse(response)
        except (OSError, http.client.HTTPException) as exc:
            raise DaemonError(f"the connection to the logger broke: {exc}") from exc
        finally:
            connection.close()


def _parse_sse(response: http.client.HTTPResponse) -> Iterator[tuple[str, str, dict[str, Any]]]:
    name, event_id, data = "message", "", ""
    while line := response.readline():
        text = line.decode("utf-8", "replace").rstrip("\r\n")
        if not text:
            if data:
                yield name, event_id, json.loads(data)
            name, data = "message", ""
            continue
        key, _, value = text.partition(":")
        value = value.removeprefix(" ")
        if key == "event":
            name = value
        elif key == "id":
            event_id = value
        elif key == "data":
            data += value
