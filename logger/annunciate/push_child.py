"""Sends one message by apprise, in a process of its own that ends with it. Run as a file, it imports nothing of ours.

Standard input: {"url": "...", "message": {"title", "body", "urgent"}} in JSON; a null message: is the address one?
Standard output: null or the problem, in a plug-in's own words, which may hold parts of the address: the reader blots
them out.
"""

import contextlib
import faulthandler
import importlib
import json
import logging
import os
import sys
from collections.abc import Mapping
from typing import Any

ORPHAN_S = 300.0  # its asker ends it much sooner, unless that was killed itself


def problem_of(url: str, message: Mapping[str, Any] | None) -> str | None:
    """Blocking. What apprise logs meanwhile is the reason told."""
    apprise_log, listener = logging.getLogger("apprise"), _Listener(logging.WARNING)
    try:
        apprise = importlib.import_module("apprise")
        asset = apprise.AppriseAsset(async_mode=False)
        service = apprise.Apprise.instantiate(url, asset=asset, suppress_exceptions=True)
        if service is None:
            return "apprise knows no such address; check its scheme and parts"
        if message is None:
            return None
        sender = apprise.Apprise(asset=asset)
        sender.add(service)
        apprise_log.addHandler(listener)
        kind = apprise.NotifyType.FAILURE if message["urgent"] else apprise.NotifyType.INFO
        # Said to be text, so that a service of HTML or Markdown shows it as it is and no device's name formats it.
        how = {"notify_type": kind, "body_format": apprise.NotifyFormat.TEXT}
        if sender.notify(message["body"], message["title"], **how):
            return None
    except Exception as exc:  # a plug-in's own failure
        return repr(exc)
    finally:
        apprise_log.removeHandler(listener)
    return listener.said[-1] if listener.said else "not accepted, no reason given"


class _Listener(logging.Handler):
    def __init__(self, level: int) -> None:
        super().__init__(level)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.said.append(record.getMessage())


def main() -> None:
    faulthandler.dump_traceback_later(ORPHAN_S, exit=True)
    request = json.load(sys.stdin.buffer)
    with contextlib.redirect_stdout(sys.stderr):  # a plug-in that prints must not spoil the answer
        problem = problem_of(request["url"], request["message"])
    sys.stdout.write(json.dumps(problem))
    sys.stdout.flush()
    os._exit(0)  # a thread that a plug-in left behind must not hold up the end


if __name__ == "__main__":
    main()
