"""Programs that some tests need and a developer's machine may lack: compilers, emulators, ssh-keygen, dbus-daemon.

A test without its program is skipped, with the reason. Where all of them are meant to be there,
`RIMELOG_REQUIRE_TOOLS=1` (.ci/run sets it) makes such a skip a failure, so that nothing goes untested unnoticed.
"""

import os
import shutil
from pathlib import Path
from typing import NoReturn

import pytest

REQUIRED = "RIMELOG_REQUIRE_TOOLS"


def needs(program: str, why: str) -> str:
    """Path of a program on the search path; skips the test where it is missing. why: what the test does with it."""
    found = shutil.which(program)
    if found is None:
        missing(f"{program} ({why})")
    return found


def needs_file(path: str, why: str) -> Path:
    """The same for a header or library."""
    found = Path(path)
    if not found.exists():
        missing(f"{path} ({why})")
    return found


def missing(what: str) -> NoReturn:
    """Skip, or fail where tools are required."""
    if os.environ.get(REQUIRED) == "1":
        pytest.fail(f"not on this machine: {what}", pytrace=False)
    pytest.skip(f"not on this machine: {what}")
